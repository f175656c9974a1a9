"""What a log holds, as tables and sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from antecurve.report.constant_texts import (
    constant_name,
    constant_text,
    limits_text,
    nominal_text,
)
from antecurve.report.text_table import (
    Declared,
    TextTable,
    declared,
    percent,
    signed_cells,
    table_from,
)
from antecurve.texts import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from antecurve.analysis.intervals import Proportion
    from antecurve.log.builds import BuildList
    from antecurve.log.deletion import Tombstones
    from antecurve.log.history import BeforeAfter, UnitHistory
    from antecurve.log.listing import LoggedVerdict, UnitList
    from antecurve.log.outcomes import FindingCounts, OutcomeShares
    from antecurve.log.run_chart import RunChart

__all__ = [
    "build_rows",
    "comparison_rows",
    "comparison_text",
    "finding_count_rows",
    "history_rows",
    "history_text",
    "logged_file_rows",
    "outcome_rows",
    "run_chart_rows",
    "run_chart_text",
    "tombstone_rows",
    "unit_rows",
    "verdict_line",
]

_SIGNED = signed_cells(3)
_UNSIGNED = "{:.3f}".format
_WHOLE = percent(0)


def _at(
    positions: Iterable[str],
    value: Callable[[Any], str | None] = lambda item: item.position or None,
) -> tuple[Declared, ...]:
    """The column of switch positions, where any item has one."""
    return (declared("position", value, right=False),) if any(positions) else ()


def unit_rows(listed: UnitList) -> TextTable:
    """Tabulate units by their last verdict.

    Parameters
    ----------
    listed : UnitList
        From `antecurve.log.listing.list_units`.

    Returns
    -------
    TextTable
        One row a unit.
    """
    return table_from(
        listed.units,
        declared("unit", "serial", right=False),
        declared("last verdict", "decision", right=False),
        declared("date", "date", right=False),
        declared("deviation in dB", "deviation_db", _SIGNED),
        declared("± in dB", "expanded_uncertainty_db", _UNSIGNED, attached=True),
        declared("verdicts", "verdicts"),
        declared("last number", "number"),
    )


def history_rows(history: UnitHistory) -> TextTable:
    """Tabulate the verdicts on a unit.

    Parameters
    ----------
    history : UnitHistory
        From `antecurve.log.history.unit_history`.

    Returns
    -------
    TextTable
        One row a verdict, the latest first.
    """
    return table_from(
        history.verdicts,
        declared("number", "number"),
        declared("date", "date", right=False),
        declared("channel", lambda v: v.channel or None, right=False),
        declared("verdict", "decision", right=False),
        declared("deviation in dB", "deviation_db", _SIGNED),
        declared("± in dB", "expanded_uncertainty_db", _UNSIGNED, attached=True),
        declared("curve", "unit_curve", right=False),
        *_at(v.position for v in history.verdicts),
        declared("by", lambda v: v.operator or None, right=False),
    )


def history_text(history: UnitHistory) -> str:
    """Say how much the log has on a unit.

    Parameters
    ----------
    history : UnitHistory
        From `antecurve.log.history.unit_history`.

    Returns
    -------
    str
        Numbers of verdicts and repairs.
    """
    verdicts, repairs = len(history.verdicts), len(history.repairs)
    return f"Unit {history.serial}: {counted(verdicts, 'verdict')}, {counted(repairs, 'repair')}."


def comparison_text(pair: BeforeAfter) -> str:
    """Say what a repair did to the verdict.

    Parameters
    ----------
    pair : BeforeAfter
        Of a history.

    Returns
    -------
    str
        Date, what was done, and the verdicts before and after.
    """
    one = pair.before or pair.after
    channel = f", channel {one.channel}" if one is not None and one.channel else ""
    channel += f", position {one.position}" if one is not None and one.position else ""
    before, after = (
        "no verdict" if v is None else f"{v.decision} (verdict {v.number})"
        for v in (pair.before, pair.after)
    )
    done = f"Repair of {pair.repair.date}{channel}: {pair.repair.text.rstrip('.')}."
    return f"{done} Before: {before}. After: {after}."


def comparison_rows(pair: BeforeAfter) -> TextTable:
    """Tabulate the constants of a unit before and after a repair.

    Parameters
    ----------
    pair : BeforeAfter
        Of a history.

    Returns
    -------
    TextTable
        One row a constant.
    """
    return table_from(
        pair.constants,
        declared("constant", lambda c: constant_name(c.after), right=False),
        declared("nominal", lambda c: nominal_text(c.after)),
        declared("before", lambda c: constant_text(c.before)),
        declared("after", lambda c: constant_text(c.after)),
    )


def verdict_line(verdict: LoggedVerdict) -> str:
    """Say which verdict it is.

    Parameters
    ----------
    verdict : LoggedVerdict
        A verdict.

    Returns
    -------
    str
        Number, unit, date, network and operator.
    """
    channel = f", channel {verdict.channel}" if verdict.channel else ""
    network = f" {verdict.network_serial}" if verdict.network_serial else ""
    by = f" by {verdict.operator}" if verdict.operator else ""
    return (
        f"Verdict {verdict.number} on unit {verdict.serial}{channel}, {verdict.date}{by}, "
        f"through network{network} ({verdict.title}, {verdict.form})."
    )


def logged_file_rows(verdict: LoggedVerdict) -> TextTable:
    """Tabulate the files of a verdict.

    Parameters
    ----------
    verdict : LoggedVerdict
        A verdict.

    Returns
    -------
    TextTable
        One row a capture or report.
    """
    return table_from(
        [*(("capture", f) for f in verdict.captures), *(("report", f) for f in verdict.reports)],
        declared("file", lambda item: item[1].path or item[1].name, right=False),
        declared("what", lambda item: item[0], right=False),
        declared("SHA-256", lambda item: item[1].sha256, right=False),
    )


def build_rows(listed: BuildList) -> TextTable:
    """Tabulate builds of networks.

    Parameters
    ----------
    listed : BuildList
        From `antecurve.log.builds.list_builds`.

    Returns
    -------
    TextTable
        One row a build, the latest first.
    """
    return table_from(
        listed.builds,
        declared("network", "title", right=False),
        *_at(b.position for b in listed.builds),
        declared("serial number", lambda b: b.serial or None, right=False),
        declared("parts measured", lambda b: len(b.measured)),
        declared("verdicts through it", "verdicts"),
        declared("built", lambda b: b.recorded[:10], right=False),
        declared("by", "who", right=False),
    )


def finding_count_rows(counts: FindingCounts) -> TextTable:
    """Tabulate kinds of findings.

    Parameters
    ----------
    counts : FindingCounts
        From `antecurve.log.outcomes.finding_counts`.

    Returns
    -------
    TextTable
        One row a kind, the most frequent first.
    """
    return table_from(
        counts.findings,
        declared("finding", "kind", right=False),
        declared("verdicts", "verdicts"),
        declared("of all", lambda f: f.verdicts / counts.verdicts, _WHOLE),
        declared("units", "units"),
        declared("last", "last_date", right=False),
    )


def outcome_rows(shares: OutcomeShares) -> TextTable:
    """Tabulate how many verdicts pass and fail.

    Parameters
    ----------
    shares : OutcomeShares
        From `antecurve.log.outcomes.outcome_shares`.

    Returns
    -------
    TextTable
        One row a period, the earliest first.
    """
    return table_from(
        shares.periods,
        declared("period", "period", right=False),
        declared("verdicts", "verdicts"),
        declared("pass", "passed"),
        declared("fail", "failed"),
        declared("undecided", "undecided"),
        declared("share of pass", "pass_share.fraction", _WHOLE),
        declared("95 % interval", lambda p: _interval(p.pass_share), attached=True),
        declared("share of fail", "fail_share.fraction", _WHOLE),
        declared("95 % interval", lambda p: _interval(p.fail_share), attached=True),
    )


def _interval(share: Proportion) -> str:
    return f"{_WHOLE(share.low)} to {_WHOLE(share.high)}"


def run_chart_rows(chart: RunChart) -> TextTable:
    """Tabulate a constant from verdict to verdict.

    Parameters
    ----------
    chart : RunChart
        From `antecurve.log.run_chart.run_chart`.

    Returns
    -------
    TextTable
        One row a verdict, the earliest first.
    """
    points = zip(
        chart.numbers, chart.serials, chart.channels, chart.dates, chart.decisions,
        chart.constants, chart.outside.tolist(), chart.positions, strict=True,
    )  # fmt: skip
    return table_from(
        points,
        declared("number", lambda p: p[0]),
        declared("unit", lambda p: p[1], right=False),
        declared("channel", lambda p: p[2] or None, right=False),
        declared("date", lambda p: p[3], right=False),
        declared("verdict", lambda p: p[4], right=False),
        declared("value", lambda p: constant_text(p[5])),
        declared("limits", lambda p: "outside" if p[6] else "inside", right=False),
        *_at(chart.positions, lambda p: p[7] or None),
    )


def run_chart_text(chart: RunChart) -> str:
    """Put a run chart into words.

    Parameters
    ----------
    chart : RunChart
        From `antecurve.log.run_chart.run_chart`.

    Returns
    -------
    str
        Mean, control limits, and how many values lie outside.
    """
    constant = chart.constants[-1]
    mean, low, high = limits_text((chart.centre, chart.lower_limit, chart.upper_limit), chart.unit)
    name = constant_name(constant)
    unseen = f" {counted(chart.not_seen, 'verdict')} without a value." if chart.not_seen else ""
    if chart.earlier:
        unseen += f" {counted(chart.earlier, 'value')} before these."
    if len(set(chart.nominals)) > 1:
        unseen += " They are on several curves; search for one position or curve."
    if len(chart.values) < 2:
        return f"{name.capitalize()}: {mean} in one verdict; limits need two.{unseen}"
    outside = int(chart.outside.sum())
    return (
        f"{name.capitalize()}: mean {mean}, control limits {low} and {high}. "
        f"{counted(outside, 'value')} of {len(chart.values)} outside.{unseen}"
    )


def tombstone_rows(stones: Tombstones) -> TextTable:
    """Tabulate what was deleted.

    Parameters
    ----------
    stones : Tombstones
        From `antecurve.log.deletion.list_tombstones`.

    Returns
    -------
    TextTable
        One row a verdict.
    """
    return table_from(
        stones.deleted,
        declared("number", "number"),
        declared("unit", "serial", right=False),
        declared("date", "date", right=False),
        declared("verdict", "decision", right=False),
        declared("deleted", lambda s: s.deleted[:10], right=False),
        declared("by", lambda s: s.who or None, right=False),
        declared("reason", lambda s: s.reason or None, right=False),
    )
