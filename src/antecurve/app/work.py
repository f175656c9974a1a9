"""What computations do, each in a process of its own: read files, one call, write files."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from antecurve.alternative import with_alternative
from antecurve.analysis.trim import trim
from antecurve.app.computations import Report
from antecurve.files.design_file import read_design
from antecurve.files.design_folder import write_design
from antecurve.files.job_drawer import read_job_drawer
from antecurve.files.job_file import read_job
from antecurve.pick.search import PickProgress
from antecurve.pipeline import Design, analyse, design
from antecurve.report.board_drawing import board_files
from antecurve.report.build_tables import trim_lines, trim_rows
from antecurve.report.page import report_page

__all__ = ["choose_alternative", "find_parts", "trim_build"]


def find_parts(report: Report, folder: Path) -> Design:
    """Do the main job for the job file of a network, and write the design beside it.

    Parameters
    ----------
    report : callable
        Takes a sentence on how far it is.
    folder : Path
        Folder of the network.

    Returns
    -------
    Design
        With its analyses.
    """
    job = read_job(folder / "job.toml")
    made = design(
        job,
        drawer=read_job_drawer(job),
        progress=lambda state: report(_searched(state)),
        builds_progress=lambda done, wanted: report(_built(done, wanted)),
    )
    return _write(made, folder)


def choose_alternative(report: Report, folder: Path, number: int) -> Design:
    """Make an alternative of the shortlist the pick, and write the design anew.

    Parameters
    ----------
    report : callable
        Takes a sentence on how far it is.
    folder : Path
        Folder of the network.
    number : int
        Line of the shortlist, from 0.

    Returns
    -------
    Design
        With its analyses.

    Raises
    ------
    InputError
        When there is no such line.
    """
    chosen = with_alternative(read_design(folder / "design.json"), number=number)
    analyse(chosen, progress=lambda done, wanted: report(_built(done, wanted)))
    return _write(chosen, folder)


def _write(made: Design, folder: Path) -> Design:
    pages = {"report.html": report_page(made, date=date.today().isoformat())}
    write_design(made, folder, force=True, more=pages | board_files(made))
    return made


def _searched(state: PickProgress) -> str:
    best = "none yet" if state.best_db is None else f"±{state.best_db:.3f} dB"
    return f"Picking parts, {state.form}: {state.evaluated:,} tried, best {best}."


def _built(done: int, wanted: int) -> str:
    return f"Builds: {done:,} of {wanted:,}."


def trim_build(report: Report, folder: Path, measured: dict[str, float]) -> dict[str, Any]:
    """Suggest the fewest changes that correct a build.

    Parameters
    ----------
    report : callable
        Takes a sentence on how far it is.
    folder : Path
        Folder of the network.
    measured : dict of str to float
        Values of the parts already fitted [ohm or F].

    Returns
    -------
    dict of str to object
        ``table`` of the proposals and ``lines`` about them.
    """
    made = read_design(folder / "design.json")
    result = trim(
        made.picked,
        made.job,
        measured=measured,
        drawer=read_job_drawer(made.job),
        progress=lambda done, wanted: report(f"Changes: {done:,} of {wanted:,}."),
    )
    return {"table": trim_rows(result), "lines": trim_lines(result)}
