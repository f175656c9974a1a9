"""``antecurve log``: what the log of a bench holds, and changes to it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from antecurve.cli.options import AsJson, Force, OutputFile

__all__ = ["log"]

_Text = Optional[str]  # noqa: UP045
_Number = Optional[int]  # noqa: UP045


def log(
    file: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder of the bench, or its log.sqlite.")
    ],
    search: Annotated[
        str, typer.Option(metavar="WORDS", help="Show only verdicts that hold all these words.")
    ] = "",
    unit: Annotated[
        _Text, typer.Option(metavar="SERIAL", help="Show the history of a unit, with its repairs.")
    ] = None,
    verdict: Annotated[
        str, typer.Option(metavar="DECISION", help="Show only pass, fail or undecided.")
    ] = "",
    position: Annotated[
        str, typer.Option(metavar="NAME", help="Show only verdicts at this switch position.")
    ] = "",
    since: Annotated[
        str, typer.Option(metavar="DATE", help="First day, such as 2026-05-04 or 2026-05.")
    ] = "",
    until: Annotated[str, typer.Option(metavar="DATE", help="Last day, in that form.")] = "",
    show: Annotated[
        _Number,
        typer.Option(metavar="NUMBER", help="Show one verdict; with --json its verdict.json."),
    ] = None,
    chart: Annotated[
        _Text,
        typer.Option(
            metavar="CONSTANT",
            help="Follow a constant, such as treble, over the verdicts, with control limits.",
        ),
    ] = None,
    outcomes: Annotated[
        _Text, typer.Option(metavar="PERIOD", help="Count pass and fail by day, month or year.")
    ] = None,
    findings: Annotated[
        bool, typer.Option("--findings", help="List the most frequent findings.")
    ] = False,
    builds: Annotated[bool, typer.Option("--builds", help="List networks as built.")] = False,
    deleted: Annotated[bool, typer.Option("--deleted", help="List deleted verdicts.")] = False,
    most: Annotated[
        int,
        typer.Option(metavar="COUNT", help="Largest number of units to list; 0 lists all.", min=0),
    ] = 50,
    repaired: Annotated[
        _Text, typer.Option(metavar="TEXT", help="Log a repair of the --unit: say what was done.")
    ] = None,
    date: Annotated[
        str, typer.Option(metavar="TEXT", help="Date of the repair; by default today.")
    ] = "",
    operator: Annotated[
        str, typer.Option(metavar="TEXT", help="Who repaired it, or deletes.")
    ] = "",
    delete: Annotated[
        Optional[list[int]],  # noqa: UP045
        typer.Option(metavar="NUMBER", help="Delete a verdict; may be repeated."),
    ] = None,
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why the verdict is deleted.")] = "",
    yes: Annotated[bool, typer.Option("--yes", help="Delete without asking.")] = False,
    backup: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="Copy the log, also while it is in use."),
    ] = None,
    output: OutputFile = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Search the log of a bench: units, run charts, findings.

    With -o the command writes what you ask for as .csv or .xlsx, a run chart also as .svg.
    Before it deletes a verdict it asks; a note of the deletion stays.

    \b
    Example: antecurve log bench --unit B --since 2026-05
    """
    from antecurve.cli.log_views import LogQuestion, change, view
    from antecurve.log.bench_log import open_log
    from antecurve.log.log_filter import LogFilter

    question = LogQuestion(
        wanted=LogFilter(search, unit or "", verdict, position=position, since=since, until=until),
        most=most or None,
        show=show,
        chart=chart,
        outcomes=outcomes,
        findings=findings,
        builds=builds,
        deleted=deleted,
        repaired=repaired,
        date=date,
        operator=operator,
        delete=tuple(delete or ()),
        reason=reason,
        yes=yes,
        backup=backup,
        output=output,
        force=force,
        as_json=as_json,
    )
    question.check()
    opened = open_log(file)
    if question.changes:
        change(opened, question)
    else:
        view(opened, question)
