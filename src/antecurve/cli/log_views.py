"""What ``antecurve log`` does once its options are read."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from antecurve.cli.terminal import announce, say
from antecurve.errors import InputError

if TYPE_CHECKING:
    from antecurve.log.bench_log import BenchLog
    from antecurve.log.log_filter import LogFilter
    from antecurve.log.run_chart import RunChart

__all__ = ["LogQuestion", "change", "view"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogQuestion:
    """What is asked of a log.

    Attributes
    ----------
    wanted : LogFilter
        Which verdicts.
    most : int or None
        The most units to list.
    show, chart, outcomes, findings, builds, deleted
        What is shown in place of a list: a verdict by its number, a constant, pass and fail by
        period, findings, builds of networks, tombstones.
    repaired, date, operator
        A repair, its date, and who.
    delete, reason, yes
        Numbers of verdicts to delete, why, and whether without asking.
    backup : Path or None
        File for a copy.
    output, force, as_json
        File for what is shown, whether it may be replaced, and whether to print JSON.
    """

    wanted: LogFilter
    most: int | None
    show: int | None
    chart: str | None
    outcomes: str | None
    findings: bool
    builds: bool
    deleted: bool
    repaired: str | None
    date: str
    operator: str
    delete: tuple[int, ...]
    reason: str
    yes: bool
    backup: Path | None
    output: Path | None
    force: bool
    as_json: bool

    @property
    def changes(self) -> bool:
        """Whether something is written in place of being shown."""
        return self.repaired is not None or bool(self.delete) or self.backup is not None

    def check(self) -> None:
        """Refuse what does not go together.

        Raises
        ------
        InputError
            When more than one thing is asked for, or a repair is of no unit.
        OutputExistsError
            When the file to be written exists.
        """
        from antecurve.cli.options import refuse_existing

        names = (
            "show", "chart", "outcomes", "findings", "builds", "deleted", "repaired", "delete",
            "backup",
        )  # fmt: skip
        # The number 0 is asked for, too, and is refused later.
        asked = [n for n in names if getattr(self, n) not in (None, False, ())]
        if len(asked) > 1:
            given = " and ".join(f"--{name}" for name in asked)
            raise InputError("options", given, "ask for one of these at a time")
        if self.repaired is not None and not self.wanted.serial:
            raise InputError("--repaired", self.repaired, "name the unit with --unit")
        refuse_existing(self.output, force=self.force)


def view(log: BenchLog, question: LogQuestion) -> None:
    """Show what is asked for, and write it where a file is named.

    Parameters
    ----------
    log : BenchLog
        The log.
    question : LogQuestion
        What is asked for.
    """
    if question.show is not None:
        _view_verdict(log, question.show, question)
    elif question.chart is not None:
        _view_chart(log, question.chart, question)
    elif question.outcomes is not None:
        _view_outcomes(log, question.outcomes, question)
    elif question.findings:
        _view_findings(log, question)
    elif question.builds:
        _view_builds(log, question)
    elif question.deleted:
        _view_deleted(log, question)
    elif question.wanted.serial:
        _view_history(log, question)
    else:
        _view_units(log, question)


def change(log: BenchLog, question: LogQuestion) -> None:
    """Log a repair, delete verdicts, or copy the log.

    Parameters
    ----------
    log : BenchLog
        The log.
    question : LogQuestion
        What is asked for.
    """
    from antecurve.files.output_folder import being_written
    from antecurve.log.backup import back_up
    from antecurve.log.recording import record_repair

    if question.delete:
        _delete(log, question)
        return
    with being_written(log.path):
        if question.backup is not None:
            back_up(log, question.backup, force=question.force)
            say(f"Wrote {question.backup}")
        else:
            serial = question.wanted.serial
            record_repair(
                log, serial, question.repaired or "", date=question.date,
                operator=question.operator,
            )  # fmt: skip
            say(f"Logged a repair of unit {serial}.")


def _delete(log: BenchLog, question: LogQuestion) -> None:
    import typer

    from antecurve.cli.show import show_json
    from antecurve.files.output_folder import being_written
    from antecurve.log.deletion import delete_verdicts
    from antecurve.log.listing import logged_verdict
    from antecurve.report.log_tables import verdict_line

    doomed = [logged_verdict(log, number) for number in question.delete]
    if not question.yes:
        for verdict in doomed:
            print(f"{verdict.decision.upper()}: {verdict_line(verdict)}", file=sys.stderr)
        if not _confirmed("Delete? A note of the deletion stays. Type yes and press Enter: "):
            say("Nothing was deleted.")
            raise typer.Exit(1)
    with being_written(log.path):
        stones = delete_verdicts(
            log, question.delete, reason=question.reason, who=question.operator
        )
    if question.as_json:
        show_json(stones)
    else:
        for stone in stones.deleted:
            say(f"Deleted verdict {stone.number} on unit {stone.serial}.")


def _confirmed(sentence: str) -> bool:
    print(sentence, end="", file=sys.stderr, flush=True)
    answer = sys.stdin.readline()
    if not answer:
        print(file=sys.stderr)
        raise InputError("standard input", "its end", "delete without asking by --yes")
    return answer.strip().lower() in ("y", "yes")


def _deliver(
    question: LogQuestion,
    content: Callable[[], object],
    show: Callable[[], None],
    **writers: Callable[[], bytes],
) -> None:
    """Write a file by the writer of its ending, or print."""
    from antecurve.cli.show import show_json
    from antecurve.files.output_folder import write_file
    from antecurve.files.workbook import suffix_of

    if question.output is not None:
        endings = [f".{ending}" for ending in writers]
        ending = suffix_of(question.output, allowed=endings)
        write_file(question.output, writers[ending[1:]](), force=question.force)
    if question.as_json:
        show_json(content())
    elif question.output is not None:
        say(f"Wrote {question.output}")
    else:
        show()


def _frame_writers(title: str, frame: Callable[[], Any]) -> dict[str, Callable[[], bytes]]:
    """Writers of a data frame."""
    from antecurve.files.bench_content import frame_csv, frame_workbook

    return {"csv": lambda: frame_csv(frame()), "xlsx": lambda: frame_workbook(title, frame())}


def _verdict_writers(log: BenchLog, wanted: LogFilter) -> dict[str, Callable[[], bytes]]:
    """Writers of verdicts."""
    from antecurve.log.export import verdicts_csv, verdicts_workbook
    from antecurve.log.listing import list_verdicts

    return {
        "csv": lambda: verdicts_csv(list_verdicts(log, wanted).verdicts),
        "xlsx": lambda: verdicts_workbook(list_verdicts(log, wanted).verdicts),
    }


def _view_units(log: BenchLog, question: LogQuestion) -> None:
    from antecurve.cli.show import show_table
    from antecurve.log.history import log_content
    from antecurve.log.listing import list_units
    from antecurve.report.log_tables import unit_rows

    def show() -> None:
        listed = list_units(log, question.wanted, limit=question.most)
        if not listed.units:
            say("No unit in the log matches.")
            return
        show_table(unit_rows(listed))
        shown = len(listed.units)
        if shown < listed.total:
            say(f"{shown} of {listed.total} units; --most 0 lists all.")

    _deliver(
        question, lambda: log_content(log, question.wanted), show,
        **_verdict_writers(log, question.wanted),
    )  # fmt: skip


def _view_history(log: BenchLog, question: LogQuestion) -> None:
    from antecurve.cli.show import show_table
    from antecurve.log.history import log_content, unit_history
    from antecurve.report.log_tables import (
        comparison_rows,
        comparison_text,
        history_rows,
        history_text,
    )

    history = unit_history(log, question.wanted.serial)

    def show() -> None:
        say(history_text(history))
        show_table(history_rows(history))
        for pair in history.comparisons:
            say(comparison_text(pair))
            if pair.constants:
                show_table(comparison_rows(pair))

    def content() -> dict[str, object]:
        kept = log_content(log, question.wanted).to_dict()
        return kept | {"repairs": history.repairs, "comparisons": history.comparisons}

    _deliver(question, content, show, **_verdict_writers(log, question.wanted))


def _view_verdict(log: BenchLog, number: int, question: LogQuestion) -> None:
    from antecurve.cli.show import show_table
    from antecurve.log.listing import logged_verdict, verdict_text
    from antecurve.report.constant_texts import fitted_rows
    from antecurve.report.log_tables import logged_file_rows, verdict_line
    from antecurve.report.unit_report import VERDICT_WORDS
    from antecurve.texts import as_sentence

    verdict = logged_verdict(log, number)

    def show() -> None:
        say(verdict_line(verdict))
        announce(verdict.decision, VERDICT_WORDS[verdict.decision])
        if verdict.fitted:
            show_table(fitted_rows(verdict.fitted))
        for line in verdict.findings:
            say(f"- {as_sentence(line)}")
        show_table(logged_file_rows(verdict))

    text = verdict_text(log, number)
    _deliver(question, lambda: json.loads(text), show, json=lambda: text)


def _view_chart(log: BenchLog, constant: str, question: LogQuestion) -> None:
    from antecurve.cli.show import show_table
    from antecurve.log.run_chart import run_chart
    from antecurve.report.log_tables import run_chart_rows, run_chart_text

    chart = run_chart(log, constant, question.wanted)

    def show() -> None:
        say(run_chart_text(chart))
        show_table(run_chart_rows(chart))

    _deliver(
        question, chart.to_dict, show, svg=lambda: _svg(chart),
        **_frame_writers("run chart", chart.to_frame),
    )  # fmt: skip


def _svg(chart: RunChart) -> bytes:
    from antecurve.report.chart_svg import chart_svg
    from antecurve.report.log_charts import run_chart_drawing
    from antecurve.report.log_tables import run_chart_text

    drawing = run_chart_drawing(chart)
    return chart_svg(drawing, title="Run chart", description=run_chart_text(chart)).encode()


def _view_outcomes(log: BenchLog, period: str, question: LogQuestion) -> None:
    from antecurve.cli.show import show_table
    from antecurve.log.outcomes import outcome_shares
    from antecurve.report.log_tables import outcome_rows

    shares = outcome_shares(log, question.wanted, period=period)
    _deliver(
        question, shares.to_dict, lambda: show_table(outcome_rows(shares)),
        **_frame_writers("outcomes", shares.to_frame),
    )  # fmt: skip


def _view_findings(log: BenchLog, question: LogQuestion) -> None:
    from antecurve.cli.show import show_table
    from antecurve.log.outcomes import finding_counts
    from antecurve.report.log_tables import finding_count_rows

    counts = finding_counts(log, question.wanted, limit=question.most)
    _deliver(
        question, counts.to_dict, lambda: show_table(finding_count_rows(counts)),
        **_frame_writers("findings", counts.to_frame),
    )  # fmt: skip


def _view_builds(log: BenchLog, question: LogQuestion) -> None:
    from antecurve.cli.show import show_table
    from antecurve.log.builds import list_builds
    from antecurve.report.log_tables import build_rows

    builds = list_builds(log)
    _deliver(
        question, builds.to_dict, lambda: show_table(build_rows(builds)),
        **_frame_writers("builds", builds.to_frame),
    )  # fmt: skip


def _view_deleted(log: BenchLog, question: LogQuestion) -> None:
    from antecurve.cli.show import show_table
    from antecurve.log.deletion import list_tombstones
    from antecurve.report.log_tables import tombstone_rows

    stones = list_tombstones(log)
    _deliver(
        question, stones.to_dict, lambda: show_table(tombstone_rows(stones)),
        **_frame_writers("deleted", stones.to_frame),
    )  # fmt: skip
