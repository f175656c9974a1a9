"""How the parts of a build are drawn.

Every distribution is its quantile function, applied to one uniform number per part and build.
The numbers come in blocks of fixed size, each from a stream of its own that is keyed by seed,
purpose and block number, so that a build has the same parts whatever the chunk size, the
number of workers or the number of builds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.errors import InputError
from antecurve.parts.scatter import PartTable

__all__ = [
    "BLOCK",
    "DISTRIBUTIONS",
    "PartSource",
    "deviation_quantile",
    "draw_block",
    "part_source",
    "standard_deviation",
    "standard_deviations",
]

Floats = NDArray[np.float64]

BLOCK = 8192
"""Builds per stream of random numbers."""
DISTRIBUTIONS = ("uniform", "normal", "empirical")
"""``normal``: tolerance = 3 sigma, cut there; ``empirical``: drawn from measured values."""
_CUT_SIGMA = 3.0
"""What is sold by its tolerance has been sorted: the tolerance is 3 sigma, none lies beyond."""


@dataclass(frozen=True, slots=True, eq=False)
class PartSource:
    """Where the parts of a network come from.

    Attributes
    ----------
    table : PartTable
        The parts.
    distribution : str
        One of `DISTRIBUTIONS`.
    measured : tuple of numpy.ndarray or None
        For each part the sorted values [ohm or F] it is drawn from; ``None`` for a part that
        scatters uniformly within its tolerance.
    reels : tuple of int
        For each part the number of its reel: parts of one kind and one nominal value.
    reel_correlation : float
        Correlation of the parts of one reel, 0 or greater, below 1.
    """

    table: PartTable
    distribution: str
    measured: tuple[Floats | None, ...] = field(repr=False)
    reels: tuple[int, ...]
    reel_correlation: float


def part_source(
    table: PartTable,
    *,
    distribution: str,
    measured: Mapping[str, ArrayLike] | None = None,
    reel_correlation: float = 0.0,
) -> PartSource:
    """Check how parts are to be drawn.

    Parameters
    ----------
    table : PartTable
        The parts.
    distribution : str
        ``uniform`` within the tolerance; ``normal``, the tolerance being 3 sigma, cut there;
        ``empirical``, from lists of measured values, and uniform for parts without a list.
    measured : mapping of str to array_like, optional
        For ``empirical``: measured values [ohm or F] of parts off the same reel by reference
        (``C1a``; ``C1`` where the position is one part); each build draws one of them with
        replacement.
    reel_correlation : float, optional
        Correlation between parts of the same kind and nominal value, since they come off one
        reel; 0 or greater, below 1.

    Returns
    -------
    PartSource
        Ready to draw from.

    Raises
    ------
    InputError
        When the distribution is not known, lists don't fit the parts or hold values that are
        not finite and above 0, or the correlation is out of range.
    """
    if distribution not in DISTRIBUTIONS:
        rule = "use " + ", ".join(f'"{name}"' for name in DISTRIBUTIONS)
        raise InputError("spread.distribution", distribution, rule)
    if not 0 <= reel_correlation < 1:
        raise InputError(
            "spread.reel_correlation", reel_correlation, "it must be 0 or greater and below 1"
        )
    lists = dict(measured or {})
    if bool(lists) != (distribution == "empirical"):
        raise InputError(
            "spread.distribution",
            distribution,
            'measured values belong to "empirical", which needs at least one list of them',
        )
    unknown = sorted(set(lists) - set(table.refs))
    if unknown:
        raise InputError(
            "measured values", unknown[0], f"the parts of the design are {', '.join(table.refs)}"
        )
    samples = tuple(_sample(ref, lists[ref]) if ref in lists else None for ref in table.refs)
    keys = list(zip(table.kinds, table.nominal.tolist(), strict=True))
    order = {key: number for number, key in enumerate(dict.fromkeys(keys))}
    return PartSource(
        table, distribution, samples, tuple(order[k] for k in keys), float(reel_correlation)
    )


def _sample(ref: str, values: ArrayLike) -> Floats:
    array = np.sort(np.atleast_1d(np.asarray(values, dtype=float)))
    if array.ndim != 1 or not array.size or not np.all(np.isfinite(array) & (array > 0)):
        raise InputError(ref, values, "measured values must be one or more numbers above 0")
    array.setflags(write=False)
    return array


def draw_block(source: PartSource, *, seed: int, block: int, channel: int = 0) -> Floats:
    """Draw the parts of one block of builds.

    Parameters
    ----------
    source : PartSource
        Where the parts come from.
    seed : int
        Seed, 0 or greater.
    block : int
        Number of the block, 0 or greater.
    channel : int, optional
        0 for the build itself, 1 for the second channel built beside it.

    Returns
    -------
    numpy.ndarray of float, shape (parts, BLOCK)
        Values [ohm or F].

    Notes
    -----
    Parts of one reel are joined by a Gaussian copula, z = sqrt(r) z_reel + sqrt(1 - r) z_part,
    u = Phi(z): the scatter of each part by itself is unchanged, and the reel is the same for
    both channels.  r is the correlation of z; that of uniform parts is (6/pi) asin(r/2).
    """
    parts = len(source.table.refs)
    uniform = _stream(seed, 1 + channel, block).random((parts, BLOCK))
    if source.reel_correlation:
        from scipy.special import ndtr, ndtri

        reels = _stream(seed, 0, block).standard_normal((max(source.reels) + 1, BLOCK))
        own = ndtri(uniform)
        own *= math.sqrt(1.0 - source.reel_correlation)
        own += math.sqrt(source.reel_correlation) * reels[list(source.reels)]
        uniform = ndtr(own)
    return _quantiles(source, uniform)


def _stream(seed: int, purpose: int, block: int) -> np.random.Generator:
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(purpose, block)))


def _quantiles(source: PartSource, uniform: Floats) -> Floats:
    """Apply the quantile function of each part; overwrites `uniform`."""
    nominal, tolerance = source.table.nominal[:, None], source.table.tolerance[:, None]
    if source.distribution == "normal":
        return np.asarray(nominal * (1.0 + tolerance / _CUT_SIGMA * _cut_normal(uniform)))
    drawn = {
        part: sample[np.minimum((uniform[part] * len(sample)).astype(int), len(sample) - 1)]
        for part, sample in enumerate(source.measured)
        if sample is not None
    }
    uniform *= 2.0 * nominal * tolerance
    uniform += nominal * (1.0 - tolerance)
    for part, values in drawn.items():
        uniform[part] = values
    return uniform


def _cut_normal(probability: Floats) -> Floats:
    """Quantiles of the standard normal distribution cut at 3 sigma; overwrites `probability`."""
    from scipy.special import ndtr, ndtri

    inside = 1.0 - 2.0 * float(ndtr(-_CUT_SIGMA))
    probability *= inside
    probability += (1.0 - inside) / 2.0
    return np.asarray(ndtri(probability))


def deviation_quantile(probability: Floats, distribution: str) -> Floats:
    """Compute quantiles of the deviation of a part, as a fraction of its tolerance.

    Parameters
    ----------
    probability : numpy.ndarray of float, shape (...)
        0 to 1.
    distribution : str
        ``uniform`` or ``normal``.

    Returns
    -------
    numpy.ndarray of float, shape (...)
        -1 to 1.
    """
    if distribution == "normal":
        return _cut_normal(np.array(probability, dtype=float)) / _CUT_SIGMA
    return 2.0 * np.asarray(probability) - 1.0


def standard_deviation(tolerance: float | Floats, distribution: str) -> Floats:
    """Compute the relative standard deviation of parts within a tolerance.

    Parameters
    ----------
    tolerance : float or numpy.ndarray of float, shape (...)
        Tolerance, a fraction, 0 or greater.
    distribution : str
        ``uniform`` or ``normal``.

    Returns
    -------
    numpy.ndarray of float, shape (...)
        tolerance/sqrt(3) if uniform (JCGM 100:2008, 4.3.7).  If normal, tolerance = 3 sigma and
        cut there, 0.98658 tolerance/3: the variance of a truncated normal distribution.

    Raises
    ------
    InputError
        When the distribution is neither.
    """
    if distribution not in ("uniform", "normal"):
        raise InputError("distribution", distribution, 'use "uniform" or "normal"')
    if distribution == "uniform":
        return np.asarray(tolerance / math.sqrt(3.0))
    density = math.exp(-(_CUT_SIGMA**2) / 2.0) / math.sqrt(2.0 * math.pi)
    inside = math.erf(_CUT_SIGMA / math.sqrt(2.0))
    return np.asarray(tolerance / _CUT_SIGMA * math.sqrt(1.0 - 2.0 * _CUT_SIGMA * density / inside))


def standard_deviations(source: PartSource) -> Floats:
    """Compute the relative standard deviation of each part.

    Parameters
    ----------
    source : PartSource
        Where the parts come from.

    Returns
    -------
    numpy.ndarray of float, shape (parts,)
        Standard deviation / nominal value: that of the distribution within the tolerance
        (`standard_deviation`), or of the measured values.
    """
    within = "normal" if source.distribution == "normal" else "uniform"
    result = standard_deviation(source.table.tolerance, within)
    for part, sample in enumerate(source.measured):
        if sample is not None:
            result[part] = float(np.std(sample)) / source.table.nominal[part]
    return result
