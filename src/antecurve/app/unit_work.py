"""The test of a unit, in a process of its own: captures to verdict, report, suspects and log."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from antecurve.app.computations import Report
from antecurve.app.designs import read_made
from antecurve.diagnose.diagnosis import diagnose_unit
from antecurve.errors import AntecurveError
from antecurve.files.bench_folder import BenchFolder
from antecurve.files.captures import read_capture
from antecurve.files.judging_texts import JudgingTexts
from antecurve.files.limits_file import read_limits
from antecurve.files.measured import read_measured
from antecurve.files.output_folder import write_folder
from antecurve.files.recordings import ReadingOptions
from antecurve.files.unit_curve_texts import UnitCurveTexts
from antecurve.files.unit_file import read_unit
from antecurve.files.unit_judging import (
    UnitJudging,
    WhoAndWhen,
    matched_channels,
    read_unit_captures,
    with_unit_curve,
)
from antecurve.files.verdict_file import verdict_json
from antecurve.judge.unit_figures import with_figure_limits
from antecurve.log.bench_log import open_log
from antecurve.log.recording import NewVerdict, record_verdicts
from antecurve.report.diagnosis_page import diagnosis_page
from antecurve.report.html_page import software_text
from antecurve.report.unit_files import CHANNEL_MARKS, report_name, unit_files
from antecurve.report.unit_report import Particulars, generator_setting
from antecurve.results import json_text

if TYPE_CHECKING:
    from antecurve.judge.capture import Capture
    from antecurve.judge.verdict import Verdict
    from antecurve.pipeline import Design

__all__ = ["LIMITS", "OTHER", "PLAYED", "REFERENCE", "UnitTest", "carry_out_test"]

OTHER, REFERENCE, PLAYED = "other", "reference", "played"
"""Folders inside that of a test: the other channel, the unit bypassed, what was played."""
LIMITS = "limits.toml"
"""File of a test with limits of figures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitTest:
    """What a test of a unit is asked for with.

    Attributes
    ----------
    stated : WhoAndWhen
        Serial number, date, operator, serial number of the network.
    channel, other_channel : str
        Channels of the unit; may be empty.
    network : str
        Name of the network in the folder.
    position : str
        Position of its switch; empty where it has none.
    texts : JudgingTexts
        How it is judged.
    curve : UnitCurveTexts
        Curve of the unit.
    reading : ReadingOptions
        What the files leave open.
    captures, others, references : tuple of str
        Names of the files: of the channel, of the other one, and with the unit bypassed.
    source_ohm : float or None
        Resistance of the generator [ohm], where it was measured; ``None`` for that of the job.
    """

    stated: WhoAndWhen
    network: str
    texts: JudgingTexts
    curve: UnitCurveTexts
    reading: ReadingOptions
    position: str = ""
    channel: str = ""
    other_channel: str = ""
    captures: tuple[str, ...] = ()
    others: tuple[str, ...] = ()
    references: tuple[str, ...] = ()
    source_ohm: float | None = None


def carry_out_test(
    report: Report, root: Path, upload: Path, name: str, asked: UnitTest
) -> tuple[int, ...]:
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
    tuple of int
        Number of the verdict on each channel in the log, which holds them by then.

    Raises
    ------
    AntecurveError
        When there is no verdict; what was taken in is then removed.
    """
    try:
        return _Test(report, BenchFolder(root), upload, asked).carried_out(name)
    except AntecurveError as error:
        shutil.rmtree(upload, ignore_errors=True)
        # Whoever dropped the files knows them by their names.
        raise AntecurveError(str(error).replace(f"{upload}{os.sep}", "")) from None


@dataclass(frozen=True, slots=True)
class _Test:
    """A test under way."""

    report: Report
    folder: BenchFolder
    upload: Path
    asked: UnitTest

    def begin(self, stage: str) -> None:
        """Say what begins."""
        self.report(f"{stage[0].upper()}{stage[1:]}.")

    @property
    def network(self) -> Path:
        """Folder of the network."""
        return self.folder.existing_network(self.asked.network)

    @property
    def reading(self) -> ReadingOptions:
        """How the files are read, the one that was played by its place."""
        reading = self.asked.reading
        if reading.played is None:
            return reading
        return replace(reading, played=self.upload / PLAYED / reading.played.name)

    def carried_out(self, folder_name: str) -> tuple[int, ...]:
        """Judge, write and log; the numbers in the log."""
        asked, upload = self.asked, self.upload
        judging = self._judging()
        self.begin("reading the captures")
        paths = [upload / file for file in asked.captures]
        others = [upload / OTHER / file for file in asked.others]
        read, captures = read_unit_captures(paths, [self.reading])
        verdicts: tuple[Verdict, ...] = (judging.verdict(read, captures, self.begin),)
        all_read, by_channel = list(read), [captures]
        if others:
            self.begin("judging the other channel")
            read, captures = read_unit_captures(others, [self.reading])
            all_read += read
            by_channel.append(captures)
            verdicts = matched_channels(verdicts[0], judging.verdict(read, captures, self.begin))
        verdicts = tuple(with_figure_limits(v, judging.figures.limits) for v in verdicts)
        record = judging.record(
            self.network / "design.json", [*paths, *others], all_read, asked.stated,
            software=software_text(), played=[self.reading.played] * len(all_read),
        )  # fmt: skip
        names = (asked.channel, "")
        if others:
            names = (asked.channel or "first", asked.other_channel or "other")
        self.begin("drawing the test report")
        files = unit_files(verdicts, record, self._particulars(judging.design), channels=names)
        circuit = self.folder.unit(asked.stated.serial) / "unit.toml"
        if circuit.is_file():
            for mark, own, verdict, name in zip(
                CHANNEL_MARKS, by_channel, verdicts, names, strict=False
            ):
                files |= _suspects(judging, circuit, mark, own, verdict, name, self.begin)
        write_folder(upload, files, force=True)
        kept = self.folder.unit(asked.stated.serial) / folder_name
        kept.parent.mkdir(parents=True, exist_ok=True)
        upload.rename(kept)
        relative = [path.relative_to(upload) for path in (*paths, *others)]
        entries = [
            NewVerdict(
                verdict_json(verdict, record), asked.stated.serial, name, judging.measured,
                self.network / "design.json", tuple(kept / path for path in relative),
                tuple(
                    kept / file
                    for file in (report_name(mark), f"diagnosis{mark}.html")
                    if file in files
                ),
            )
            for verdict, name, mark in zip(verdicts, names, CHANNEL_MARKS, strict=False)
        ]  # fmt: skip
        return record_verdicts(open_log(self.folder.path, make=True), entries)

    def _judging(self) -> UnitJudging:
        """What the unit is judged with."""
        asked, values = self.asked, self.network / "values.csv"
        made = read_made(self.network)
        throw = made.throw(asked.position)
        design = asked.curve.set_unit(made.designs[throw - 1])
        if asked.source_ohm is not None:
            loading = replace(design.job.loading, source_resistance=asked.source_ohm)
            design = replace(design, job=replace(design.job, loading=loading))
        references = [
            read_capture(self.upload / REFERENCE / file, self.reading) for file in asked.references
        ]
        limits = self.upload / LIMITS
        return UnitJudging(
            design,
            made.values_at(throw, read_measured(values, made.parts)) if values.is_file() else None,
            asked.texts.request(references),
            asked.texts.figures(
                design.job.target.level_v, read_limits(limits) if limits.is_file() else ()
            ),
            asked.curve.is_guess,
        )

    def _particulars(self, design: Design) -> Particulars:
        stated = self.asked.stated
        return Particulars(
            design.job.title, stated.serial, stated.date, stated.operator, stated.network_serial,
            generator_setting(design),
        )  # fmt: skip


def _suspects(
    judging: UnitJudging, circuit: Path, mark: str, captures: tuple[Capture, ...],
    verdict: Verdict, channel: str, begin: Callable[[str], None],
) -> dict[str, bytes]:  # fmt: skip
    """What may be wrong with a channel of the unit, by its circuit; nothing where it is unfit."""
    if not verdict.fitted:
        return {}
    begin(f"which part may be wrong, {channel}" if channel else "which part may be wrong")
    unit = read_unit(circuit)
    diagnosis = diagnose_unit(
        captures, with_unit_curve(judging.design, unit.curve), unit, measured=judging.measured,
        request=judging.request, progress=begin,
    )  # fmt: skip
    title = ", ".join(filter(None, (judging.design.job.title, channel)))
    return {
        f"diagnosis{mark}.html": diagnosis_page(diagnosis, verdict, title=title),
        f"diagnosis{mark}.json": json_text(diagnosis).encode(),
    }
