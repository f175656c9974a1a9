"""What computations do, each in a process of its own: read files, one call, write files."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from antecurve.alternative import with_alternative
from antecurve.analysis.meter import MeterAccuracy
from antecurve.analysis.trim import trim
from antecurve.app.computations import Report
from antecurve.app.designs import Analysed, Made, design_key
from antecurve.errors import InputError
from antecurve.files.box_file import read_design_and_box
from antecurve.files.box_folder import box_files
from antecurve.files.box_job_file import read_job_or_box
from antecurve.files.design_folder import write_design
from antecurve.files.job_drawer import read_job_drawer
from antecurve.files.output_folder import write_folder
from antecurve.job import Job
from antecurve.log.bench_log import open_log
from antecurve.log.export import verdicts_csv, verdicts_workbook
from antecurve.log.listing import list_verdicts
from antecurve.log.log_filter import LogFilter
from antecurve.pick.search import PickProgress
from antecurve.pipeline import Design, analyse, design
from antecurve.report.board_drawing import board_files
from antecurve.report.box_board import box_board_files
from antecurve.report.box_build_tables import trimmed_lines, trimmed_rows
from antecurve.report.box_page import box_page
from antecurve.report.build_tables import trim_lines, trim_rows
from antecurve.report.page import report_page
from antecurve.switched.box import Box, design_box, with_box_alternative
from antecurve.switched.box_analysis import analyse_box
from antecurve.switched.box_build import trim_box
from antecurve.switched.request import BoxJob
from antecurve.texts import counted

__all__ = ["choose_alternative", "export_log", "find_parts", "trim_build"]


def find_parts(report: Report, folder: Path) -> Analysed:
    """Do the main job for the job file of a network, and write the design beside it.

    Parameters
    ----------
    report : callable
        Takes a sentence on how far it is.
    folder : Path
        Folder of the network.

    Returns
    -------
    tuple
        As `antecurve.app.designs.analyse_made` gives it.
    """
    job = read_job_or_box(folder / "job.toml")
    if isinstance(job, BoxJob):
        return _design_several(report, folder, job)
    return _design_one(report, folder, job)


def _design_one(report: Report, folder: Path, job: Job) -> Analysed:
    made = design(
        job,
        drawer=read_job_drawer(job),
        progress=lambda state: report(_searched(state)),
        builds_progress=lambda done, wanted: report(_built(done, wanted)),
    )
    return _write(made, folder)


def _design_several(report: Report, folder: Path, job: BoxJob) -> Analysed:
    box = design_box(
        job,
        drawer=read_job_drawer(job.common),
        progress=lambda state: report(_searched(state)),
    )
    return _write_box(report, box, folder)


def choose_alternative(report: Report, folder: Path, number: int) -> Analysed:
    """Make an alternative the pick, and write the design anew.

    Parameters
    ----------
    report : callable
        Takes a sentence on how far it is.
    folder : Path
        Folder of the network.
    number : int
        Its line below the pick, from 1; 0 is the pick.

    Returns
    -------
    tuple
        As `antecurve.app.designs.analyse_made` gives it.

    Raises
    ------
    InputError
        When there is no such line.
    """
    made, box = read_design_and_box(folder / "design.json")
    if box is not None:
        return _choose_switch(report, folder, box, number)
    chosen = with_alternative(made, number=number)
    analyse(chosen, progress=lambda done, wanted: report(_built(done, wanted)))
    return _write(chosen, folder)


def _choose_switch(report: Report, folder: Path, box: Box, number: int) -> Analysed:
    """Make another switch of a box the pick: its job is searched again, which holds the parts."""
    job = read_job_or_box(folder / "job.toml")
    if not 1 <= number <= len(box.alternatives) or not isinstance(job, BoxJob):
        rule = "there is no such alternative of this box; find parts again"
        raise InputError("alternative", number, rule)
    chosen = with_box_alternative(
        job, box.alternatives[number - 1], drawer=read_job_drawer(job.common),
        progress=lambda state: report(_searched(state)),
    )  # fmt: skip
    return _write_box(report, chosen, folder)


def _write_box(report: Report, box: Box, folder: Path) -> Analysed:
    report("Contacts, and builds of every position.")
    analysis = analyse_box(box)
    page = {"report.html": box_page(box, analysis, date=_today())}
    write_folder(folder, box_files(box, analysis) | page | box_board_files(box), force=True)
    return design_key(folder), Made(box.designs, box)


def _write(made: Design, folder: Path) -> Analysed:
    pages = {"report.html": report_page(made, date=_today())}
    write_design(made, folder, force=True, more=pages | board_files(made))
    return design_key(folder), Made((made,), None)


def _today() -> str:
    return date.today().isoformat()


def _searched(state: PickProgress) -> str:
    best = "none yet" if state.best_db is None else f"±{state.best_db:.3f} dB"
    tried = f"{state.evaluated:,} tried, " if state.evaluated else ""
    return f"Picking parts, {state.form}: {tried}best {best}."


def _built(done: int, wanted: int) -> str:
    return f"Builds: {done:,} of {wanted:,}."


def trim_build(
    report: Report, folder: Path, measured: dict[str, float], soldered: tuple[str, ...]
) -> dict[str, Any]:
    """Suggest the fewest changes that correct a build.

    Parameters
    ----------
    report : callable
        Takes a sentence on how far it is.
    folder : Path
        Folder of the network.
    measured : dict of str to float
        Values of the parts already fitted [ohm or F].
    soldered : tuple of str
        References of the parts that are soldered in, measured or not.

    Returns
    -------
    dict of str to object
        ``table`` of the proposals and ``lines`` about them.
    """
    made, box = read_design_and_box(folder / "design.json")

    def tried(done: int, wanted: int) -> None:
        report(f"Changes: {done:,} of {wanted:,}.")

    if box is not None:
        whole = trim_box(
            box, measured, meter=MeterAccuracy(), drawer=read_job_drawer(made.job),
            soldered=soldered, progress=tried,
        )  # fmt: skip
        return {"table": trimmed_rows(whole), "lines": trimmed_lines(whole)}
    result = trim(
        made.picked, made.job, measured=measured, drawer=read_job_drawer(made.job),
        soldered=soldered, progress=tried,
    )  # fmt: skip
    return {"table": trim_rows(result), "lines": trim_lines(result)}


def export_log(report: Report, log: Path, folder: Path, kind: str, wanted: LogFilter) -> Path:
    """Write verdicts of the log as a table for other programs.

    Parameters
    ----------
    report : callable
        Takes a sentence on how far it is.
    log : Path
        File of the log.
    folder : Path
        Folder that the table is written into.
    kind : str
        ``csv`` or ``xlsx``.
    wanted : LogFilter
        Which verdicts.

    Returns
    -------
    Path
        The table.
    """
    report("Reading the log.")
    verdicts = list_verdicts(open_log(log), wanted).verdicts
    report(f"{counted(len(verdicts), 'verdict')}.")
    content = verdicts_csv(verdicts) if kind == "csv" else verdicts_workbook(verdicts)
    path = folder / f"log.{kind}"
    path.write_bytes(content)
    return path
