"""The deviation as the harmonics of square waves show it by themselves, whatever the unit's shape.

The level of each odd harmonic over that of the same square wave behind the network alone is the
unit's response there.  Only what is beside the unit enters: noise of the harmonic, and all sources
of error of network and chain at the ends of their ranges at once.  Between two harmonics the level
is taken to lie between theirs.  That is much wider than a fit where the fit describes the unit, and
all there is where no shape of the model does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve, inverse_response
from antecurve.judge.deviation import Deviation
from antecurve.judge.problem import FitProblem
from antecurve.quantities import DB_PER_NEPER

__all__ = ["measured_deviation", "says_nothing"]

Floats = NDArray[np.float64]

_SAYS_NOTHING_DB = 3.0  # of a misfit, or of uncertainty beside one: twice or half the power
_LIMITS = math.sqrt(3.0)  # ends of a uniform distribution over its standard uncertainty
_WEAK_DB = 3.0  # of noise: a weaker harmonic is left out


@dataclass(frozen=True, slots=True, eq=False)
class _Levels:
    """Levels over frequency, and how far they may be off."""

    frequency_hz: Floats
    level_db: Floats
    reach_db: Floats


def says_nothing(deviation: Deviation, misfit_db: Floats, range_hz: tuple[float, float]) -> bool:
    """Tell whether a fit that misses leaves the response open where captures show it.

    Parameters
    ----------
    deviation : Deviation
        By the fit, what it misses included.
    misfit_db : numpy.ndarray of float, shape (points,)
        What it misses [dB].
    range_hz : tuple of float
        The frequencies that captures show [Hz].

    Returns
    -------
    bool
        Whether either is beyond 3 dB.
    """
    low, high = range_hz
    seen = (deviation.frequency_hz >= low) & (deviation.frequency_hz <= high)
    reach = deviation.expanded_uncertainty_db[seen]
    return max(float(np.abs(misfit_db).max()), float(reach.max(initial=0.0))) > _SAYS_NOTHING_DB


def measured_deviation(
    problem: FitProblem, fitted: Deviation, *, curve: Curve, published: bool
) -> Deviation | None:
    """Read the deviation off the harmonics, without a model of the unit.

    Parameters
    ----------
    problem : FitProblem
        Captures and what is beside the unit.
    fitted : Deviation
        The deviation that stays where no harmonic tells.
    curve : Curve
        The emphasis curve.
    published : bool
        Whether ideal playback is the inverse of the published curve.

    Returns
    -------
    Deviation or None
        At the same frequencies; ``None`` where no record tells.
    """
    band_hz = float(fitted.frequency_hz[0]), float(fitted.frequency_hz[-1])
    each = [_levels(problem, k, band_hz) for k in range(len(problem.observations))]
    told = [levels for levels in each if levels is not None]
    if not told:
        return None
    frequency, level, reach = np.hstack([[t.frequency_hz, t.level_db, t.reach_db] for t in told])
    order = np.argsort(frequency)
    at = np.append(frequency[order], REFERENCE_FREQUENCY_HZ)
    ideal = DB_PER_NEPER * np.log(np.abs(inverse_response(curve, at, published=published)))
    joined = _Levels(at[:-1], level[order] - (ideal[:-1] - ideal[-1]), reach[order])
    octaves = np.log(fitted.frequency_hz)
    value, off = _between(joined, octaves)
    seen = (fitted.frequency_hz >= at[0]) & (fitted.frequency_hz <= at[-2])
    # Beyond, the level may be that of the end, that of the fit, or neither.
    reach = fitted.expanded_uncertainty_db + np.abs(value - fitted.deviation_db)
    off = np.where(seen, off, off + reach)
    return replace(
        fitted,
        deviation_db=value,
        expanded_uncertainty_db=off,
        model_part_db=np.where(seen, 0.0, fitted.model_part_db),
        capture_part_db=off,
    )


def _levels(problem: FitProblem, index: int, band_hz: tuple[float, float]) -> _Levels | None:
    """Levels of one record re 1 kHz; none where 1 kHz is not among its harmonics."""
    harmonics = problem.observations[index].harmonic_levels()
    if harmonics is None:
        return None
    hertz, reach = harmonics.frequency_hz, DB_PER_NEPER * harmonics.reach
    strong = (reach < _WEAK_DB) & (hertz >= band_hz[0]) & (hertz <= band_hz[1])
    hertz, reach = hertz[strong], reach[strong]
    if hertz.size < 2 or not hertz[0] <= REFERENCE_FREQUENCY_HZ <= hertz[-1]:
        return None
    at = np.append(hertz, REFERENCE_FREQUENCY_HZ)
    nothing = np.zeros(problem.bench.sources)
    path = DB_PER_NEPER * problem.beside_unit(nothing, at, index).real
    slopes = problem.shared_slopes(np.zeros(problem.size), at, index)[:, problem.unit_count :].real
    beside = DB_PER_NEPER * _LIMITS * np.abs(slopes - slopes[-1]).sum(axis=1)[:-1]
    own = _Levels(hertz, DB_PER_NEPER * harmonics.level[strong] - (path[:-1] - path[-1]), reach)
    reference, off = _between(own, np.log(np.array([REFERENCE_FREQUENCY_HZ])))
    return _Levels(hertz, own.level_db - reference, reach + off + beside)


def _between(levels: _Levels, octaves: Floats) -> tuple[Floats, Floats]:
    """Levels at other frequencies, and how far off: midway between two by half their difference."""
    known = np.log(levels.frequency_hz)
    value = np.interp(octaves, known, levels.level_db)
    reach = np.interp(octaves, known, levels.reach_db)
    after = np.clip(np.searchsorted(known, octaves), 1, known.size - 1)
    share = (octaves - known[after - 1]) / np.maximum(known[after] - known[after - 1], 1e-12)
    share = np.clip(share, 0.0, 1.0)
    apart = np.abs(np.diff(levels.level_db))[after - 1]
    return value, reach + 2.0 * share * (1.0 - share) * apart
