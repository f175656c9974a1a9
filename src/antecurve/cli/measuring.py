"""What ``antecurve measure`` does once its options are read: ask, play, record, judge."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from antecurve.files.measured_unit import MeasuredUnit, MeasurementPlan
    from antecurve.files.measurement import MeasurementFolder
    from antecurve.judge.unit_figures import FigureRequest
    from antecurve.judge.verdicts import JudgeRequest
    from antecurve.pipeline import Design
    from antecurve.sound.portaudio import PortAudioInterface

__all__ = ["judged", "play_and_record", "show_devices", "write_dry_run"]


def show_devices(*, as_json: bool) -> None:
    """Print the sound devices.

    Parameters
    ----------
    as_json : bool
        Whether to print JSON.
    """
    from antecurve.cli.show import show_json, show_table
    from antecurve.report.measuring import device_rows
    from antecurve.sound.portaudio import devices

    listed = devices()
    if as_json:
        show_json(list(listed))
    else:
        show_table(device_rows(listed))


def write_dry_run(plan: MeasurementPlan, output: Path, *, force: bool) -> None:
    """Write what a measurement would play, and print it.

    Parameters
    ----------
    plan : MeasurementPlan
        What would be measured.
    output : Path
        Folder to write into.
    force : bool
        Whether to write into an existing one.
    """
    from antecurve.cli.terminal import say
    from antecurve.files.measured_unit import played_files
    from antecurve.files.output_folder import write_folder
    from antecurve.report.signal_lines import signal_lines
    from antecurve.signals.signal import make_signal

    files = played_files(plan)
    write_folder(output, files, force=force)
    say(
        "Nothing was played. A ramp would come first, until something nearly clips. The signal "
        "would follow at the level reached, never above that of the file.",
        *signal_lines(make_signal(plan.request)),
        f"Written to {output}: {' '.join(files)}",
    )


def play_and_record(
    interface: PortAudioInterface, plan: MeasurementPlan, output: Path
) -> MeasuredUnit:
    """Take the records, step by step.

    Parameters
    ----------
    interface : PortAudioInterface
        The interface.
    plan : MeasurementPlan
        What is measured.
    output : Path
        Folder for the records.

    Returns
    -------
    MeasuredUnit
        The record of the unit.
    """
    from antecurve.cli.surroundings import Stopped, asked_to_stop
    from antecurve.errors import AntecurveError
    from antecurve.files.measured_unit import measure_unit
    from antecurve.files.measurement import MeasurementFolder
    from antecurve.report.cautions import MEASURING_CAUTIONS

    interface.check()
    folder = MeasurementFolder(output)
    bench = plan.bench(interface, folder, _ask, _say)
    _say("Before the first sound:")
    for caution in MEASURING_CAUTIONS:
        _say(f"- {caution}")
    try:
        _ask("Do all of these first.")
        unit = measure_unit(bench, plan, folder)
    except (KeyboardInterrupt, Stopped):
        stopped = asked_to_stop() or Stopped(130, "interrupted")
        written = f"what was recorded is in {output}" if folder.written else stopped.written
        raise Stopped(stopped.code, stopped.word, written) from None
    except AntecurveError:
        _say_what_stays(folder)
        raise
    _say(f"The records are in {output}.")
    return unit


def judged(
    unit: MeasuredUnit,
    design: Design,
    values: Mapping[str, float] | None,
    request: JudgeRequest,
    figures: FigureRequest,
    *,
    design_file: Path,
    output: Path,
    serial: str,
    operator: str,
    date: str,
    as_json: bool,
    log: Path | None = None,
) -> bool:
    """Judge the unit by its record, print and write the result beside it.

    Parameters
    ----------
    unit : MeasuredUnit
        The record.
    design : Design
        The network.
    values : mapping of str to float or None
        Measured values of its parts [ohm or F].
    request : JudgeRequest
        Limits.
    figures : FigureRequest
        How figures beside the response are judged.
    design_file, output : Path
        The design's file, and the folder of the records.
    serial, operator, date : str
        For the record.
    as_json : bool
        Whether to print JSON.
    log : Path or None, optional
        Log to write the verdict into.

    Returns
    -------
    bool
        Whether the unit passes.
    """
    from antecurve.cli.judging import Delivery, judge_one
    from antecurve.files.captures import read_capture

    delivery = Delivery(
        title=design.job.title,
        design=design_file,
        serial=serial,
        date=date,
        operator=operator,
        network_serial="",
        output=output,
        force=True,
        as_json=as_json,
        readings=(unit.reading,),
        figures=figures,
        log=log,
    )
    if unit.reference is not None:
        request = replace(request, reference=read_capture(unit.reference, unit.reading))
    as_connected = replace(design, job=unit.job(design.job))
    return judge_one([unit.capture], [], as_connected, values, request, delivery)


def _say_what_stays(folder: MeasurementFolder) -> None:
    """Tell where the records are that were taken before a step failed."""
    if not folder.written:
        return
    again = f" --reference {folder.path} uses its reference again." * folder.has_reference
    _say(f"What was recorded is in {folder.path}.{again}")


def _say(text: str) -> None:
    from antecurve.cli.terminal import say_aside

    say_aside(text, speaker="")


def _ask(text: str) -> None:
    """Tell a step and wait for Enter."""
    from antecurve.errors import InputError

    _say(f"{text} Then press Enter.")
    if not sys.stdin.readline():
        raise InputError(
            "standard input", "its end", "measure at a terminal: each step waits for Enter"
        )
