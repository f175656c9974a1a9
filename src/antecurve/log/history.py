"""The history of a unit, before and after each repair."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import ClassVar

from antecurve.judge.verdict import FittedValue
from antecurve.log.bench_log import BenchLog, unit_number
from antecurve.log.listing import LoggedVerdict, list_verdicts
from antecurve.log.log_filter import EVERY_VERDICT, LogFilter
from antecurve.results import Result

__all__ = [
    "BeforeAfter",
    "ConstantChange",
    "LogContent",
    "LoggedRepair",
    "LoggedUnit",
    "UnitHistory",
    "log_content",
    "unit_history",
]


@dataclass(frozen=True, slots=True)
class LoggedRepair(Result):
    """A repair as the log holds it.

    Attributes
    ----------
    date : str
        As stated; otherwise the day it was recorded.
    text : str
        What was done.
    operator : str
        By whom, as stated.
    recorded, who : str
        When it was written into the log, UTC, and by whom.
    """

    date: str
    text: str
    operator: str
    recorded: str
    who: str


@dataclass(frozen=True, slots=True)
class ConstantChange(Result):
    """A constant before and after a repair.

    Attributes
    ----------
    before, after : FittedValue
        The constant in both verdicts.
    """

    before: FittedValue
    after: FittedValue


@dataclass(frozen=True, slots=True)
class BeforeAfter(Result):
    """The last verdict before a repair and the first one after it, on one channel.

    Verdicts through a box are compared position by position: each is on another curve.

    Attributes
    ----------
    repair : LoggedRepair
        What was done between them.
    before, after : LoggedVerdict or None
        The verdicts; ``None`` where there is none.
    """

    _keys: ClassVar = ("repair", "before:before.number", "after:after.number", "constants")

    repair: LoggedRepair
    before: LoggedVerdict | None
    after: LoggedVerdict | None

    @property
    def constants(self) -> tuple[ConstantChange, ...]:
        """The constants that both verdicts have."""
        if self.before is None or self.after is None:
            return ()
        before = {constant.name: constant for constant in self.before.fitted}
        return tuple(
            ConstantChange(before[c.name], c) for c in self.after.fitted if c.name in before
        )


@dataclass(frozen=True, slots=True)
class UnitHistory(Result):
    """What the log has on a unit.

    Attributes
    ----------
    serial : str
        Its serial number.
    verdicts : tuple of LoggedVerdict
        The latest first.
    repairs : tuple of LoggedRepair
        The latest first.
    comparisons : tuple of BeforeAfter
        The verdicts before and after each repair, channel by channel, the latest repair first.
    """

    _rows: ClassVar = "verdicts"

    serial: str
    verdicts: tuple[LoggedVerdict, ...]
    repairs: tuple[LoggedRepair, ...]
    comparisons: tuple[BeforeAfter, ...]


@dataclass(frozen=True, slots=True)
class LoggedUnit(Result):
    """A unit with those of its verdicts that meet a filter.

    Attributes
    ----------
    serial : str
        Its serial number.
    verdicts : tuple of LoggedVerdict
        The latest first.
    """

    serial: str
    verdicts: tuple[LoggedVerdict, ...]


@dataclass(frozen=True, slots=True)
class LogContent(Result):
    """Units with their verdicts, as ``antecurve log --json`` prints them.

    Attributes
    ----------
    units : tuple of LoggedUnit
        The one judged last first.
    """

    FORMAT: ClassVar = "antecurve-log-1"
    _keys: ClassVar = ("format:FORMAT", "units")
    _rows: ClassVar = "units"

    units: tuple[LoggedUnit, ...]


def unit_history(log: BenchLog, serial: str) -> UnitHistory:
    """Look up what the log has on a unit.

    Parameters
    ----------
    log : BenchLog
        The log.
    serial : str
        Serial number of the unit.

    Returns
    -------
    UnitHistory
        Verdicts, repairs, and both put together.

    Raises
    ------
    InputError
        When the log has no such unit, or can't be read.
    """
    with log.reading() as connection:
        rows = connection.execute(
            "SELECT * FROM repairs WHERE unit = ? ORDER BY taken DESC, id DESC",
            (unit_number(connection, serial),),
        ).fetchall()
    verdicts = list_verdicts(log, LogFilter(serial=serial)).verdicts
    ways = sorted({(v.channel, v.position) for v in verdicts}) or [("", "")]
    repairs, comparisons = [], []
    for row in rows:
        repair = LoggedRepair(
            row["date"], row["text"], row["operator"], row["recorded"], row["who"]
        )
        repairs.append(repair)
        # Within a day the order is that in which things were logged.
        moment = (row["taken"][:10], row["behind"])
        for way in ways:
            of_way = [v for v in verdicts if (v.channel, v.position) == way]
            earlier = [v for v in of_way if (v.taken[:10], v.number) <= moment]
            later = [v for v in of_way if (v.taken[:10], v.number) > moment]
            before, after = earlier[0] if earlier else None, later[-1] if later else None
            if before is not None or after is not None:
                comparisons.append(BeforeAfter(repair, before, after))
    return UnitHistory(serial, verdicts, tuple(repairs), tuple(comparisons))


def log_content(log: BenchLog, wanted: LogFilter = EVERY_VERDICT) -> LogContent:
    """Collect units with their verdicts.

    Parameters
    ----------
    log : BenchLog
        The log.
    wanted : LogFilter, optional
        Which verdicts.

    Returns
    -------
    LogContent
        All that meet the filter.

    Raises
    ------
    InputError
        When the log can't be read.
    """
    verdicts: defaultdict[str, list[LoggedVerdict]] = defaultdict(list)
    for verdict in list_verdicts(log, wanted).verdicts:
        verdicts[verdict.serial].append(verdict)
    return LogContent(tuple(LoggedUnit(serial, tuple(of)) for serial, of in verdicts.items()))
