"""What came of the verdicts: shares of pass and fail over time, and the most frequent findings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from antecurve.analysis.intervals import Proportion, clopper_pearson
from antecurve.errors import InputError
from antecurve.log.bench_log import BenchLog
from antecurve.log.listing import count_verdicts
from antecurve.log.log_filter import EVERY_VERDICT, LogFilter
from antecurve.results import Result

__all__ = [
    "FindingCount",
    "FindingCounts",
    "OutcomeShare",
    "OutcomeShares",
    "finding_counts",
    "outcome_shares",
]

_LENGTHS = {"day": 10, "month": 7, "year": 4}  # characters of an ISO 8601 date
_OUTCOMES = """
SELECT substr(verdicts.taken, 1, ?) AS period, count(*) AS verdicts,
    sum(verdicts.decision = 'pass') AS passed, sum(verdicts.decision = 'fail') AS failed
FROM verdicts JOIN units ON units.id = verdicts.unit
WHERE {} GROUP BY period ORDER BY period
"""
_FINDINGS = """
SELECT findings.kind, count(DISTINCT verdicts.id) AS verdicts,
    count(DISTINCT verdicts.unit) AS units, max(verdicts.taken || '/' || verdicts.date) AS last,
    max(printf('%012d', verdicts.id) || findings.text) AS example
FROM findings JOIN verdicts ON verdicts.id = findings.verdict
    JOIN units ON units.id = verdicts.unit
WHERE {} GROUP BY findings.kind ORDER BY verdicts DESC, findings.kind LIMIT ?
"""
_DIGITS = 12  # of a verdict's number in front of the example; as in the query


@dataclass(frozen=True, slots=True)
class OutcomeShare(Result):
    """The verdicts of a period.

    Attributes
    ----------
    period : str
        Day, month or year, ISO 8601.
    verdicts, passed, failed : int
        How many there are, and how many of them pass and fail; the others are undecided.
    """

    _keys: ClassVar = (
        "period",
        "verdicts",
        "passed",
        "failed",
        "undecided",
        "pass_share.fraction:pass_share.fraction",
        "pass_share.low:pass_share.low",
        "pass_share.high:pass_share.high",
        "fail_share.fraction:fail_share.fraction",
        "fail_share.low:fail_share.low",
        "fail_share.high:fail_share.high",
    )

    period: str
    verdicts: int
    passed: int
    failed: int

    @property
    def undecided(self) -> int:
        """How many are undecided."""
        return self.verdicts - self.passed - self.failed

    @property
    def pass_share(self) -> Proportion:
        """The share that pass, with its 95 % interval."""
        return clopper_pearson(self.passed, trials=self.verdicts)

    @property
    def fail_share(self) -> Proportion:
        """The share that fail, with its 95 % interval."""
        return clopper_pearson(self.failed, trials=self.verdicts)


@dataclass(frozen=True, slots=True)
class OutcomeShares(Result):
    """The verdicts period by period.

    Attributes
    ----------
    periods : tuple of OutcomeShare
        The earliest first; periods without a verdict are left out.
    """

    _rows: ClassVar = "periods"

    periods: tuple[OutcomeShare, ...]


@dataclass(frozen=True, slots=True)
class FindingCount(Result):
    """How often a kind of finding was made.

    Attributes
    ----------
    kind : str
        What it says, without numbers.
    verdicts, units : int
        In how many verdicts, and on how many units.
    last_date : str
        Date of the last of them.
    example : str
        The finding of the one logged last, with its numbers.
    """

    kind: str
    verdicts: int
    units: int
    last_date: str
    example: str


@dataclass(frozen=True, slots=True)
class FindingCounts(Result):
    """Kinds of findings.

    Attributes
    ----------
    findings : tuple of FindingCount
        The most frequent first.
    verdicts : int
        Verdicts that were asked for, with findings or without.
    """

    _rows: ClassVar = "findings"

    findings: tuple[FindingCount, ...]
    verdicts: int


def outcome_shares(
    log: BenchLog, wanted: LogFilter = EVERY_VERDICT, *, period: str = "month"
) -> OutcomeShares:
    """Count verdicts by their outcome, period by period.

    Parameters
    ----------
    log : BenchLog
        The log.
    wanted : LogFilter, optional
        Which verdicts.
    period : str, optional
        ``day``, ``month`` or ``year``.

    Returns
    -------
    OutcomeShares
        The counts.

    Raises
    ------
    InputError
        When the period is none of the three, or the log can't be read.
    """
    if period not in _LENGTHS:
        raise InputError("period", period, f"it must be {', '.join(_LENGTHS)}")
    condition, values = wanted.condition()
    with log.reading() as connection:
        rows = connection.execute(_OUTCOMES.format(condition), (_LENGTHS[period], *values))
        return OutcomeShares(tuple(OutcomeShare(*row) for row in rows))


def finding_counts(
    log: BenchLog, wanted: LogFilter = EVERY_VERDICT, *, limit: int | None = None
) -> FindingCounts:
    """Count findings by their kind, the most frequent first.

    Parameters
    ----------
    log : BenchLog
        The log.
    wanted : LogFilter, optional
        Which verdicts.
    limit : int, optional
        The most kinds to list.

    Returns
    -------
    FindingCounts
        The counts.

    Raises
    ------
    InputError
        When the log can't be read.
    """
    condition, values = wanted.condition()
    with log.reading() as connection:
        rows = connection.execute(
            _FINDINGS.format(condition), (*values, -1 if limit is None else limit)
        ).fetchall()
        verdicts = count_verdicts(connection, wanted)
    counts = tuple(
        FindingCount(
            row["kind"], row["verdicts"], row["units"], row["last"].partition("/")[2],
            row["example"][_DIGITS:],
        )
        for row in rows
    )  # fmt: skip
    return FindingCounts(counts, verdicts)
