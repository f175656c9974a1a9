"""The test of a unit, in a process of its own: captures to verdict, report, suspects and log."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from antecurve.app.computations import Report
from antecurve.curves.catalogue import named_curve
from antecurve.diagnose.diagnosis import diagnose_unit
from antecurve.files.bench_folder import BenchFolder
from antecurve.files.design_file import read_design
from antecurve.files.measured import read_measured
from antecurve.files.output_folder import write_folder
from antecurve.files.recordings import ReadingOptions
from antecurve.files.sound import sound_bytes
from antecurve.files.unit_file import read_unit
from antecurve.files.unit_judging import (
    UnitJudging,
    WhoAndWhen,
    read_unit_captures,
    with_unit_curve,
)
from antecurve.files.verdict_file import deviation_csv, verdict_json
from antecurve.judge.unit_figures import FigureRequest
from antecurve.judge.verdicts import JudgeRequest
from antecurve.log.bench_log import open_log
from antecurve.log.recording import NewVerdict, record_verdicts
from antecurve.report.diagnosis_page import diagnosis_page
from antecurve.report.html_page import software_text
from antecurve.report.unit_report import Particulars, generator_setting, unit_report
from antecurve.results import json_text

if TYPE_CHECKING:
    from antecurve.judge.capture import Capture
    from antecurve.judge.verdict import Verdict
    from antecurve.pipeline import Design

__all__ = ["GUESS", "UnitTest", "carry_out_test"]

GUESS = "guess"
"""Asks which of the published curves a unit is set to."""


@dataclass(frozen=True, slots=True)
class UnitTest:
    """What a test of a unit is asked for with.

    Attributes
    ----------
    stated : WhoAndWhen
        Serial number, date, operator, serial number of the network.
    channel : str
        Channel of the unit; may be empty.
    network : str
        Name of the network in the folder.
    limit_db : float
        Largest deviation allowed [dB].
    curve : str
        Curve of the unit: empty for the network's own, a name of the catalogue, or `GUESS`.
    reading : ReadingOptions
        What the files leave open.
    captures : tuple of str
        Names of the files.
    """

    stated: WhoAndWhen
    channel: str
    network: str
    limit_db: float
    curve: str
    reading: ReadingOptions
    captures: tuple[str, ...]


def carry_out_test(report: Report, root: Path, upload: Path, name: str, asked: UnitTest) -> int:
    """Judge a unit from captures that were taken in, and log the verdict.

    Parameters
    ----------
    report : callable
        Takes a sentence on how far it is.
    root : Path
        Folder of the bench.
    upload : Path
        Folder that the captures lie in; it becomes the folder of the test.
    name : str
        Name of the folder of the test, inside that of the unit.
    asked : UnitTest
        What is asked for.

    Returns
    -------
    int
        Number of the verdict in the log, which holds it by then.
    """
    folder = BenchFolder(root)
    network = folder.existing_network(asked.network)
    design = read_design(network / "design.json")
    values = network / "values.csv"
    if asked.curve and asked.curve != GUESS:
        design = with_unit_curve(design, named_curve(asked.curve))
    judging = UnitJudging(
        design,
        read_measured(values, design.picked) if values.is_file() else None,
        JudgeRequest(limit_db=asked.limit_db),
        FigureRequest(design.job.target.level_v),
        asked.curve == GUESS,
    )

    def begin(stage: str) -> None:
        report(f"{stage[0].upper()}{stage[1:]}.")

    paths = [upload / file for file in asked.captures]
    begin("reading the captures")
    read, captures = read_unit_captures(paths, [asked.reading])
    verdict = judging.verdict(read, captures, begin)
    record = judging.record(
        network / "design.json", paths, read, asked.stated, software=software_text()
    )
    content = verdict_json(verdict, record)
    files = _files(design, verdict, content, asked)
    circuit = folder.unit(asked.stated.serial) / "unit.toml"
    if circuit.is_file():
        files |= _suspects(judging, captures, verdict, circuit, begin)
    write_folder(upload, files, force=True)
    place_of_test = folder.unit(asked.stated.serial) / name
    place_of_test.parent.mkdir(parents=True, exist_ok=True)
    upload.rename(place_of_test)
    entry = NewVerdict(
        content, asked.stated.serial, asked.channel, judging.measured,
        network / "design.json", tuple(place_of_test / file for file in asked.captures),
        tuple(place_of_test / file for file in files if file.endswith(".html")),
    )  # fmt: skip
    (number,) = record_verdicts(open_log(root, make=True), [entry])
    return number


def _files(design: Design, verdict: Verdict, content: bytes, asked: UnitTest) -> dict[str, bytes]:
    stated = asked.stated
    particulars = Particulars(
        design.job.title, stated.serial, stated.date, stated.operator, stated.network_serial,
        generator_setting(design),
    )  # fmt: skip
    files = {
        "test-report.html": unit_report(verdict, particulars),
        "verdict.json": content,
        "deviation.csv": deviation_csv(verdict),
    }
    overlay = verdict.overlay
    if overlay is not None:
        scaled = overlay.difference / float(abs(overlay.output).max())
        files["difference.wav"] = sound_bytes(scaled, rate_hz=overlay.rate_hz)
    return files


def _suspects(
    judging: UnitJudging, captures: tuple[Capture, ...], verdict: Verdict, circuit: Path,
    begin: Callable[[str], None],
) -> dict[str, bytes]:  # fmt: skip
    """What may be wrong with the unit, by its circuit."""
    begin("which part may be wrong")
    unit = read_unit(circuit)
    diagnosis = diagnose_unit(
        captures, with_unit_curve(judging.design, unit.curve), unit, measured=judging.measured,
        request=judging.request, progress=begin,
    )  # fmt: skip
    page = diagnosis_page(diagnosis, verdict, title=judging.design.job.title)
    return {"diagnosis.html": page, "diagnosis.json": json_text(diagnosis).encode()}
