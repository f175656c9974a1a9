"""What builds of a design will do: Monte Carlo within the tolerances."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any, ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.analysis.intervals import Proportion, clopper_pearson
from antecurve.analysis.sensitivity import PositionSensitivity, sensitivities
from antecurve.analysis.subject import WithParts, builds_request, error_limit_of, picked_of
from antecurve.analysis.worst_case import WorstCase, worst_case_or_none
from antecurve.arrays import hold_read_only
from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.job import MOST_BUILDS
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.networks.topology import Network
from antecurve.parts.builds import BAND_POINTS, Builds, MeasuredBuilds, builds_of
from antecurve.parts.distributions import BLOCK
from antecurve.parts.log_histogram import LogHistogram, Percentiles
from antecurve.parts.position import PickedNetwork
from antecurve.quantities import DB_PER_NEPER, check_count, check_number
from antecurve.results import Later, Result
from antecurve.threads import single_threaded_linear_algebra

__all__ = ["Mismatch", "PercentileCurves", "SpreadResult", "Yield", "spread"]

_MOST_WORKERS = 1000  # more than any machine has processors
_MOST_POINTS = 100_000  # closer together than any response of a network changes
Floats = NDArray[np.float64]

_MOST_BOXES = 100  # enough for the tolerances that are bought; beyond, the bound is a little wide
# Builds behind the response percentiles: 163 of them lie beyond each outermost one.
_CURVE_BUILDS = 4 * BLOCK
# Median, and the bands that hold 95 % and 99 % of the builds.
_CURVE_PERCENTILES = (0.5, 2.5, 50.0, 97.5, 99.5)


@dataclass(frozen=True, slots=True)
class Yield(Result):
    """The fraction of builds within a limit.

    Attributes
    ----------
    limit_db : float
        Largest centred error accepted [dB].
    proportion : Proportion
        Builds within the limit, with the exact (Clopper-Pearson) interval.
    """

    _keys: ClassVar = (
        "limit_db",
        "fraction:proportion.fraction",
        "low:proportion.low",
        "high:proportion.high",
        "confidence:proportion.confidence",
    )

    limit_db: float
    proportion: Proportion


@dataclass(frozen=True, slots=True, eq=False)
class PercentileCurves(Result):
    """Percentiles of the error over frequency.

    Attributes
    ----------
    builds : int
        Builds behind the curves: the first ones of the run.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz]; read-only.
    percent : tuple of float
        The percentiles.
    error_db : numpy.ndarray of float, shape (percentiles, frequencies)
        Error with 0 dB at 1 kHz [dB]; read-only.
    """

    builds: int
    frequency_hz: Floats
    percent: tuple[float, ...]
    error_db: Floats

    def __post_init__(self) -> None:
        hold_read_only(self, "frequency_hz", "error_db")

    @property
    def interval_db(self) -> tuple[Floats, Floats]:
        """Ends of the band that holds 95 % of builds at each frequency [dB]."""
        low, high = (self.error_db[self.percent.index(p)] for p in (2.5, 97.5))
        return low, high


@dataclass(frozen=True, slots=True)
class Mismatch(Result):
    """How two channels built side by side differ.

    Attributes
    ----------
    pairs : int
        Pairs that were compared.
    level_db : Percentiles
        Magnitude of the difference of level at 1 kHz [dB].
    largest_db : Percentiles
        Largest magnitude of the difference over the band, level included [dB].
    """

    pairs: int
    level_db: Percentiles
    largest_db: Percentiles


@dataclass(frozen=True, slots=True, eq=False)
class SpreadResult(Result):
    """What builds of a design will do.

    Attributes
    ----------
    builds : int
        Builds that were examined.
    wanted_builds : int
        Builds that were asked for; more than `builds` after an interruption.
    seed : int
        Seed of the random numbers.
    distribution : str
        How parts were drawn.
    reel_correlation : float
        Correlation of parts off one reel.
    band_hz : tuple of float
        Band in which the error counts [Hz].
    centred_db : Percentiles
        Of the centred error [dB].
    within : Yield or None
        Fraction of builds within a limit; ``None`` without a limit.
    sensitivity : tuple of PositionSensitivity
        What each position does.
    level_low_db, level_high_db : float
        Level at 1 kHz that 2.5 % of the builds lie below and above, re nominal [dB].

    Notes
    -----
    `curves`, `mismatch` and `worst` are worked out when first looked at: many results are read
    without them.
    """

    _keys: ClassVar = (
        "builds",
        "wanted_builds",
        "seed",
        "distribution",
        "reel_correlation",
        "centred_db",
        "worst_corner_db",
        "worst_case:worst",
        "yield:within",
        "sensitivity",
        "level_db",
        "mismatch",
        "curves",
    )

    builds: int
    wanted_builds: int
    seed: int
    distribution: str
    reel_correlation: float
    band_hz: tuple[float, float]
    centred_db: Percentiles
    within: Yield | None
    sensitivity: tuple[PositionSensitivity, ...]
    level_low_db: float
    level_high_db: float
    _looked_at: Later[Any] = field(repr=False)

    @property
    def curves(self) -> PercentileCurves:
        """Percentiles of the error over frequency."""
        curves: PercentileCurves = self._looked_at[0]
        return curves

    @property
    def mismatch(self) -> Mismatch:
        """How two channels differ."""
        mismatch: Mismatch = self._looked_at[1]
        return mismatch

    @property
    def worst(self) -> WorstCase | None:
        """The true worst case over the tolerance box beside the worst of its corners.

        ``None`` when more positions scatter than it can take.
        """
        worst: WorstCase | None = self._looked_at[2]
        return worst

    @property
    def level_db(self) -> dict[str, float]:
        """Level at 1 kHz that 2.5 % and 97.5 % of the builds lie below, re nominal [dB]."""
        return {"p2_5": self.level_low_db, "p97_5": self.level_high_db}

    @property
    def worst_corner_db(self) -> float | None:
        """Largest centred error over the corners of the tolerance box [dB].

        At a corner every position is wholly at its low or its high end.
        """
        return None if self.worst is None else self.worst.corner_db


@checked
@single_threaded_linear_algebra(of_scipy=False)
def spread(
    design: WithParts,
    conditions: Conditions | None = None,
    *,
    builds: int | None = None,
    seed: int | None = None,
    distribution: str | None = None,
    limit_db: float | None = None,
    measured: Mapping[str, ArrayLike] | None = None,
    reel_correlation: float = 0.0,
    points: int = BAND_POINTS,
    pairs: int | None = None,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> SpreadResult:
    """Simulate builds within tolerance.

    Parameters
    ----------
    design : Design or PickedNetwork
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    builds : int, optional
        Number of builds, 1 or more; memory does not grow with it.  Those of the job, or
        100,000, by default.
    seed : int, optional
        Seed, 0 or greater; that of the job, or 1, by default.
    distribution : str, optional
        ``uniform``, ``normal`` (tolerance = 3 sigma, cut there) or ``empirical``; that of the job,
        or uniform, by default.
    limit_db : float or None, optional
        Limit of the centred error for the yield [dB], above 0; that of the job by default.
    measured : mapping of str to array_like, optional
        For ``empirical``: measured values by reference of the part, see `part_source`.
    reel_correlation : float, optional
        Correlation of parts off one reel, 0 or greater, below 1.
    points : int, optional
        Frequencies over the band, 2 or more.
    pairs : int, optional
        Pairs of channels that are compared, 1 or more; one for each build, but 32,768 at most,
        by default.
    workers : int, optional
        Threads, 1 or more; the result does not depend on it.
    progress : callable, optional
        Called with builds done and builds wanted.

    Returns
    -------
    SpreadResult
        Percentiles, yield, worst corner, sensitivities, curves over frequency.

    Raises
    ------
    InputError
        When a number is out of range or the distribution does not fit.

    Notes
    -----
    Interrupted from the keyboard, the builds that are done make the result; `builds` says how
    many they are.
    """
    picked = picked_of(design)
    conditions = conditions_of(design, conditions)
    low_hz, high_hz = conditions.band_hz
    builds, seed, usual = builds_request(design, builds=builds, seed=seed)
    distribution = distribution or usual
    limit_db = error_limit_of(design, limit_db)
    _check_request(builds, seed, points, workers, limit_db)
    if pairs is not None:
        check_count(pairs, field="spread.pairs", least=1, most=MOST_BUILDS)
    drawn = builds_of(
        picked,
        curve=conditions.curve,
        loading=conditions.loading,
        band_hz=conditions.band_hz,
        seed=seed,
        distribution=distribution,
        measured=measured,
        reel_correlation=reel_correlation,
        points=points,
    )
    counted = _Counted(_nominal_level_db(drawn, picked.network), limit_db)
    counted.add_all(drawn.measured(builds, workers=workers), builds, progress)
    few = min(counted.centred.count, _CURVE_BUILDS)
    compare = partial(_mismatch, drawn, pairs or few, workers)
    shares = sensitivities(picked, conditions, source=drawn.source)
    return SpreadResult(
        builds=counted.centred.count,
        wanted_builds=builds,
        seed=seed,
        distribution=distribution,
        reel_correlation=reel_correlation,
        band_hz=(float(low_hz), float(high_hz)),
        centred_db=counted.centred.percentiles(),
        within=counted.share(),
        sensitivity=shares.positions,
        level_low_db=_db(counted.level.quantile(0.025)),
        level_high_db=_db(counted.level.quantile(0.975)),
        _looked_at=Later(partial(_when_looked_at, drawn, few, compare, picked, conditions)),
    )


def _nominal_level_db(drawn: Builds, network: Network) -> float:
    """Level of the nominal values at 1 kHz."""
    power = drawn.evaluator.power_coefficients(network.values[:, None])
    return float(drawn.evaluator.level_db(power)[0])


def _check_request(
    builds: int, seed: int, points: int, workers: int, limit_db: float | None
) -> None:
    for name, count, least, most in (
        ("builds", builds, 1, MOST_BUILDS),
        ("points", points, 2, _MOST_POINTS),
        ("workers", workers, 1, _MOST_WORKERS),
    ):
        check_count(count, field=f"spread.{name}", least=least, most=most)
    if seed < 0:
        raise InputError("spread.seed", seed, "it must be a whole number, 0 or more")
    if limit_db is not None:
        check_number(limit_db, field="spread.limit", unit="dB")


class _Counted:
    """What is kept of the builds: counts, whatever their number."""

    def __init__(self, nominal_level_db: float, limit_db: float | None) -> None:
        self.centred = LogHistogram()
        self.level = LogHistogram(low=1e-2, high=1e2, width=1e-5)
        self._nominal, self._limit = nominal_level_db, limit_db
        self._within = 0

    def add_all(
        self,
        blocks: Iterable[MeasuredBuilds],
        wanted: int,
        progress: Callable[[int, int], None] | None,
    ) -> None:
        """Count blocks until they end, or the user interrupts them."""
        try:
            for block in blocks:
                self.add(block)
                if progress is not None:
                    progress(self.centred.count, wanted)
        except KeyboardInterrupt:
            if not self.centred.count:
                raise

    def add(self, block: MeasuredBuilds) -> None:
        self.centred.add(block.centred_db)
        self.level.add_logarithms((block.level_db - self._nominal) / DB_PER_NEPER)
        if self._limit is not None:
            self._within += int(np.count_nonzero(block.centred_db <= self._limit))

    def share(self) -> Yield | None:
        if self._limit is None:
            return None
        return Yield(self._limit, clopper_pearson(self._within, trials=self.centred.count))


def _db(ratio: float) -> float:
    return float(20.0 * np.log10(ratio))


@single_threaded_linear_algebra(of_scipy=False)
def _when_looked_at(
    drawn: Builds,
    builds: int,
    compare: Callable[[], Mismatch],
    picked: PickedNetwork,
    conditions: Conditions,
) -> tuple[PercentileCurves, Mismatch, WorstCase | None]:
    """What takes the most time of a result, and is read on request."""
    return (
        _curves(drawn, builds),
        compare(),
        worst_case_or_none(picked, conditions, most_boxes=_MOST_BOXES),
    )


def _curves(drawn: Builds, builds: int) -> PercentileCurves:
    frequency = drawn.evaluator.frequency_hz
    power = np.empty((len(frequency), builds))
    for number in range(-(-builds // BLOCK)):
        block = drawn.block(number)
        part = slice(number * BLOCK, min((number + 1) * BLOCK, builds))
        ratio = drawn.evaluator.ratio(block) / 10.0 ** (drawn.evaluator.level_db(block) / 10.0)
        power[:, part] = ratio[:, : part.stop - part.start]
    # Decibels of the order statistics alone: as of all, as the logarithm keeps their order.
    rank = np.array(_CURVE_PERCENTILES) / 100.0 * (builds - 1)
    below = np.floor(rank).astype(np.int64)
    above = np.minimum(below + 1, builds - 1)
    power.partition(sorted({*below.tolist(), *above.tolist()}), axis=1)
    low, high = (10.0 * np.log10(power[:, ranks].T) for ranks in (below, above))
    error = low + (high - low) * (rank - below)[:, None]
    return PercentileCurves(builds, frequency, _CURVE_PERCENTILES, error)


def _mismatch(drawn: Builds, pairs: int, workers: int) -> Mismatch:
    """Compare builds with a second channel; parts off one reel are alike in both."""
    level, largest = LogHistogram(), LogHistogram()
    for block in drawn.mismatches(pairs, workers=workers):
        level.add(block.level_db)
        largest.add(block.largest_db)
    return Mismatch(pairs, level.percentiles(), largest.percentiles())
