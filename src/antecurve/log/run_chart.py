"""Run charts: a constant from verdict to verdict, with control limits."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import hold_read_only
from antecurve.errors import InputError
from antecurve.judge.verdict import FittedValue
from antecurve.log.bench_log import BenchLog
from antecurve.log.log_filter import EVERY_VERDICT, LogFilter
from antecurve.results import Result, column_rows

if TYPE_CHECKING:
    import pandas

__all__ = ["RunChart", "control_limits", "run_chart"]

Floats = NDArray[np.float64]

_D2 = 1.128  # mean range of two normal values over their standard deviation, ISO 7870-2, table 1
_SIGMAS = 3.0  # Shewhart's limits, as in ISO 7870-2
_LEAST_HZ = 0.1  # below what any record shows: a period of 10 s
_QUERY = """
SELECT verdicts.id, units.serial, verdicts.channel, verdicts.date, verdicts.taken,
    verdicts.decision, networks.position, constants.nominal, constants.value, constants.low,
    constants.high, constants.unit
FROM constants JOIN verdicts ON verdicts.id = constants.verdict
    JOIN units ON units.id = verdicts.unit
    JOIN builds ON builds.id = verdicts.build JOIN networks ON networks.id = builds.network
WHERE constants.name = ? AND {} ORDER BY verdicts.taken, verdicts.id
"""


@dataclass(frozen=True, slots=True, eq=False)
class RunChart(Result):
    """A constant of the units judged, one after the other.

    Attributes
    ----------
    name, unit : str
        The constant, and ``s`` or ``Hz``.
    nominal : float or None
        Its nominal value in the last verdict [s or Hz]; ``None`` where there is none.
    numbers : tuple of int
        Numbers of the verdicts, in the order of their dates.
    serials, channels, dates, decisions, positions : tuple of str
        Of each verdict; a position is that of the network's switch, empty where it has none.
    nominals : tuple of float or None
        Nominal value of each verdict [s or Hz]: that of the curve its unit was set to.
    values, lows, highs : numpy.ndarray of float, shape (verdicts,)
        Fitted values and their 95 % intervals [s or Hz].
    centre : float
        Mean of the values [s or Hz].
    lower_limit, upper_limit : float
        Control limits [s or Hz]; infinite with fewer than two values.
    not_seen : int
        Verdicts that meet the filter and tell no value of the constant.
    earlier : int
        Values that come before those charted.
    """

    _keys: ClassVar = (
        "name",
        "unit",
        "nominal",
        "centre",
        "lower_limit",
        "upper_limit",
        "not_seen",
        "earlier",
        "verdicts:rows",
    )

    name: str
    unit: str
    nominal: float | None
    numbers: tuple[int, ...]
    serials: tuple[str, ...]
    channels: tuple[str, ...]
    dates: tuple[str, ...]
    decisions: tuple[str, ...]
    positions: tuple[str, ...]
    nominals: tuple[float | None, ...]
    values: Floats
    lows: Floats
    highs: Floats
    centre: float
    lower_limit: float
    upper_limit: float
    not_seen: int
    earlier: int = 0

    def __post_init__(self) -> None:
        hold_read_only(self, "values", "lows", "highs")

    @property
    def outside(self) -> NDArray[np.bool_]:
        """Whether each value lies outside the control limits, shape (verdicts,)."""
        return (self.values < self.lower_limit) | (self.values > self.upper_limit)

    @property
    def constants(self) -> tuple[FittedValue, ...]:
        """The constant of each verdict."""
        ends = zip(
            self.nominals, self.values.tolist(), self.lows.tolist(), self.highs.tolist(),
            strict=True,
        )  # fmt: skip
        return tuple(FittedValue(self.name, *end, self.unit) for end in ends)

    @property
    def rows(self) -> list[dict[str, object]]:
        """The values as plain data, one entry a verdict."""
        return column_rows(
            number=self.numbers, serial=self.serials, channel=self.channels, date=self.dates,
            position=self.positions, verdict=self.decisions, value=self.values,
            low=self.lows, high=self.highs, outside=self.outside,
        )  # fmt: skip

    def to_frame(self) -> pandas.DataFrame:
        """Tabulate the values.

        Returns
        -------
        pandas.DataFrame
            One row a verdict.
        """
        import pandas

        return pandas.DataFrame(self.rows)


def control_limits(values: Floats) -> tuple[float, float, float]:
    """Work out mean and control limits of single values.

    The limits are three standard deviations from the mean, the deviation estimated from the mean
    moving range of two values: s = mean|x[i] - x[i-1]| / d2, d2 = 1.128 (ISO 7870-2, control
    charts for individuals).  They tell a change of the process from what it does by itself; they
    are no limits that a unit has to keep.

    Parameters
    ----------
    values : numpy.ndarray of float, shape (values,)
        In the order in which they were taken, at least one.

    Returns
    -------
    centre, lower_limit, upper_limit : float
        In the unit of the values; infinite limits of a single value.

    Examples
    --------
    >>> centre, low, high = control_limits(np.array([49.6, 47.6, 49.9, 51.3, 47.8]))
    >>> round(centre, 2), round(low, 2), round(high, 2)
    (49.24, 43.12, 55.36)
    """
    centre = float(values.mean())
    if len(values) < 2:
        return centre, -np.inf, np.inf
    reach = _SIGMAS * float(np.abs(np.diff(values)).mean()) / _D2
    return centre, centre - reach, centre + reach


def run_chart(
    log: BenchLog,
    constant: str,
    wanted: LogFilter = EVERY_VERDICT,
    *,
    limit: int | None = None,
) -> RunChart:
    """Follow a constant from verdict to verdict.

    Parameters
    ----------
    log : BenchLog
        The log.
    constant : str
        Name of the constant, such as ``treble_s``; its unit may be left out.
    wanted : LogFilter, optional
        Which verdicts.
    limit : int, optional
        The most values to chart, the latest ones.

    Returns
    -------
    RunChart
        Values and control limits.

    Raises
    ------
    InputError
        When no verdict tells a value of such a constant, or the log can't be read.
    """
    condition, values = wanted.condition()
    with log.reading() as connection:
        known = [
            str(row[0])
            for row in connection.execute("SELECT DISTINCT name FROM constants ORDER BY name")
        ]
        asked = constant.strip().replace(" ", "_")
        name = next((n for n in known if asked in (n, n.rpartition("_")[0])), "")
        rows = connection.execute(_QUERY.format(condition), (name, *values)).fetchall()
    seen = [row for row in rows if _is_seen(row["value"], row["unit"])]
    if not name:
        raise InputError("constant", constant, f"the log has: {', '.join(known) or 'none yet'}")
    if not seen:
        raise InputError("constant", constant, "no verdict that you ask for tells its value")
    earlier = 0 if limit is None else max(0, len(seen) - limit)
    not_seen, seen = len(rows) - len(seen), seen[earlier:]
    numbers = np.array([row["value"] for row in seen])
    centre, lower, upper = control_limits(numbers)
    return RunChart(
        name=name,
        unit=seen[-1]["unit"],
        nominal=seen[-1]["nominal"],
        numbers=tuple(row["id"] for row in seen),
        serials=tuple(row["serial"] for row in seen),
        channels=tuple(row["channel"] for row in seen),
        dates=tuple(row["date"] for row in seen),
        decisions=tuple(row["decision"] for row in seen),
        positions=tuple(row["position"] for row in seen),
        nominals=tuple(row["nominal"] for row in seen),
        values=numbers,
        lows=_ends(seen, "low"),
        highs=_ends(seen, "high"),
        centre=centre,
        lower_limit=lower,
        upper_limit=upper,
        not_seen=not_seen,
        earlier=earlier,
    )


def _is_seen(value: float | None, unit: str) -> bool:
    """Whether a verdict tells a value: no corner beyond what its captures reach."""
    return value is not None and value > (_LEAST_HZ if unit == "Hz" else 0.0)


def _ends(rows: Sequence[sqlite3.Row], name: str) -> Floats:
    return np.array([np.inf if row[name] is None else row[name] for row in rows])
