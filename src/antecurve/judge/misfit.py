"""What the best shape of a unit leaves of its square waves, pooled over the captures.

The odd harmonics of each record over those of the fit are averaged in third octaves, weighted by
their noise, and then over the captures by the variance that each has there.  Harmonics repeat from
period to period, and the noise is what does not; so what stands out of it is the unit's own, as it
is in a sweep, and counts as response.  What records, or harmonics side by side, do not agree upon
raises their variance (a Birge ratio) before it widens anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.judge.level_dependence import RelativeHarmonics
from antecurve.judge.narrow_shape import NarrowShape, narrow_shape, third_octave_number
from antecurve.judge.observation import ResidualFinding, ResidualKind
from antecurve.quantities import DB_PER_NEPER, format_quantity

__all__ = ["LACKED_SHAPES", "is_missed", "misfit_findings", "misfit_sizes", "no_shape_text"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

LACKED_SHAPES = frozenset({ResidualKind.MISFIT, ResidualKind.NARROW_SHAPE})
"""Shapes of a unit's response that the model lacks."""

_CHANCE = 1e-6  # that noise is taken for a misfit, per verdict
_SURE = 9.0  # three standard deviations, squared
_NOTABLE_DB = 0.01  # a fiftieth of the usual limit of 0.5 dB
_COVERAGE_FACTOR = 2.0  # 95 % of a normal distribution
_POINTS = 24  # of the band beyond what is seen: fewer than 0.6 octaves apart from 20 kHz to 20 Hz
_END = 1.001  # of the band: its last harmonic may be its end
_HELD_OCTAVES = 0.06  # the middle of a peak: half a step of the frequencies that a verdict lists
_FARTHEST = 10.0  # half widths from its middle, where 1 % of a peak's level is left
_CLEAN = 3.0  # times the noise of the quietest record: 10 dB
_STEPS = 2.0  # times the largest line of rounding: two of them may lie on one harmonic
_FINER_RECORD = "Use more of the vertical range, or a high-resolution mode, and capture again"


@dataclass(frozen=True, slots=True, eq=False)
class _Bands:
    """Means of what a fit leaves, over third octaves."""

    number: NDArray[np.int_]
    frequency_hz: Floats
    error: Complex  # of ln of the response
    variance: Floats  # of its real and of its imaginary part


def misfit_findings(
    harmonics: Sequence[RelativeHarmonics],
    *,
    band_hz: tuple[float, float],
    disturbed: bool,
) -> list[ResidualFinding]:
    """Describe the shape that the model lacks in square waves.

    Parameters
    ----------
    harmonics : sequence of RelativeHarmonics
        One a square-wave record.
    band_hz : tuple of float
        The band judged [Hz].
    disturbed : bool
        Whether records show what no linear unit does, so that harmonics are not its response.

    Returns
    -------
    list of ResidualFinding
        A narrow peak or dip, and what is left in third octaves; empty where noise explains all
        harmonics.
    """
    if not disturbed:  # by compression, say, of which the gain is a part
        harmonics = _levelled(harmonics, band_hz[1])
    narrow = narrow_shape(harmonics, highest_hz=band_hz[1] * _END)
    if narrow is None:
        return _broad_findings(harmonics, band_hz=band_hz, disturbed=disturbed)
    without_narrow = [
        replace(h, error=h.error - narrow.ratio(h.orders * h.fundamental_hz)) for h in harmonics
    ]
    name = " and ".join(h.name for h in harmonics)
    by_steps = _may_be_steps(narrow, harmonics)
    return [
        _narrow_finding(narrow, name, band_hz, disturbed=disturbed, by_steps=by_steps),
        *_broad_findings(without_narrow, band_hz=band_hz, disturbed=disturbed),
    ]


def is_missed(harmonics: Sequence[RelativeHarmonics], *, band_hz: tuple[float, float]) -> bool:
    """Tell whether third octaves show a shape that the model lacks.

    Parameters
    ----------
    harmonics : sequence of RelativeHarmonics
        One a square-wave record.
    band_hz : tuple of float
        The band judged [Hz].

    Returns
    -------
    bool
        Whether a finding would name it.
    """
    return bool(_broad_findings(harmonics, band_hz=band_hz, disturbed=False))


def _narrow_finding(
    narrow: NarrowShape,
    name: str,
    band_hz: tuple[float, float],
    *,
    disturbed: bool,
    by_steps: bool,
) -> ResidualFinding:
    """Describe a peak or a dip."""
    half_widths = np.linspace(-_FARTHEST, _FARTHEST, 16 * _POINTS + 1)
    beside = np.arcsinh(half_widths / (2.0 * narrow.quality))
    frequency = narrow.frequency_hz * np.exp(beside)
    own = narrow.levels_db(frequency, held_octaves=_HELD_OCTAVES)
    reach = _COVERAGE_FACTOR * narrow.deviations_db(frequency, held_octaves=_HELD_OCTAVES)
    own[[0, -1]], reach[[0, -1]] = 0.0, 0.0  # nothing lies beyond
    counted = "counted as the unit's own"
    if disturbed or by_steps:
        own, reach = 0.0 * own, np.hypot(own, reach)
        counted = "added to the uncertainty"
    text = (
        f"{name}: {'a dip' if narrow.size < 0 else 'a peak'} of {abs(narrow.level_db):.2f} dB at "
        f"{format_quantity(narrow.frequency_hz, 'Hz', digits=2)}, Q {narrow.quality:.2g}, "
    )
    text += (
        f"which the steps of the converter may be. It is {counted}. {_FINER_RECORD}"
        if by_steps
        else f"narrower than resistors and capacitors can make it. It is {counted}. Look for a "
        "notch filter, an inductor, or a stage that nearly oscillates"
    )
    inside = (frequency >= band_hz[0]) & (frequency <= band_hz[1])
    return ResidualFinding(
        ResidualKind.NARROW_SHAPE,
        name,
        text,
        narrow.frequency_hz,
        frequency[inside],
        own[inside],
        reach[inside],
    )


def _broad_findings(
    harmonics: Sequence[RelativeHarmonics], *, band_hz: tuple[float, float], disturbed: bool
) -> list[ResidualFinding]:
    """Describe what third octaves show."""
    from scipy.special import chdtri

    bands = [b for b in (_in_bands(h, band_hz[1]) for h in harmonics) if b.number.size]
    if not bands:
        return []
    pooled, disagreement = _pooled(bands)
    certain = np.abs(pooled.error) ** 2 / pooled.variance
    size = DB_PER_NEPER * np.sqrt(
        np.maximum(0.0, np.abs(pooled.error) ** 2 - _COVERAGE_FACTOR**2 * pooled.variance)
    )
    chance = float(chdtri(2 * pooled.number.size, _CHANCE))
    if certain.sum() < chance or float(np.sqrt(np.mean(size**2))) < _NOTABLE_DB:
        return []
    own = DB_PER_NEPER * pooled.error.real
    noise = DB_PER_NEPER * _COVERAGE_FACTOR * np.sqrt(pooled.variance * disagreement)
    reach = np.hypot(noise, _NOTABLE_DB)  # a shape within a third octave is not told
    sure = np.where(certain > _SURE, np.abs(own), -1.0)
    worst = int(np.argmax(sure if sure.max() > 0.0 else certain))
    name = " and ".join(h.name for h in harmonics)
    counted = "counted as the unit's own"
    if disturbed:
        own, reach = 0.0 * own, np.hypot(own, reach)
        counted = "added to the uncertainty"
    at_hz = float(pooled.frequency_hz[worst])
    missed = f"{DB_PER_NEPER * float(pooled.error.real[worst]):+.2f} dB"
    hertz = format_quantity(at_hz, "Hz", digits=2)
    text = (
        f"{name}: the response has a shape that the model lacks, {missed} at {hertz}. It is "
        f"{counted}. Capture again at a level 10 dB lower: what changes is distortion"
    )
    if abs(pooled.error[worst]) < max(_rounding(h, at_hz) for h in harmonics):
        text = (
            f"{name}: the fit leaves {missed} at {hertz}, which the steps of the converter may "
            f"be. Until a finer record shows, it is {counted}. {_FINER_RECORD}"
        )
    return [
        ResidualFinding(
            ResidualKind.MISFIT,
            name,
            text,
            float(pooled.frequency_hz[worst]),
            pooled.frequency_hz,
            own,
            reach,
        )
    ]


def _may_be_steps(narrow: NarrowShape, harmonics: Sequence[RelativeHarmonics]) -> bool:
    """Whether rounding may add what a peak does to each harmonic of the records that have it."""
    half_width = narrow.frequency_hz / (2.0 * narrow.quality)
    hertz = [h.orders * h.fundamental_hz for h in harmonics]
    each = list(zip(hertz, (h.rounding for h in harmonics), strict=True))
    has = [(f, r) for f, r in each if np.abs(f - narrow.frequency_hz).min() < half_width]
    return all(bool(np.all(np.abs(narrow.ratio(f)) < _STEPS * r)) for f, r in has or each)


def _rounding(harmonics: RelativeHarmonics, frequency_hz: float) -> float:
    """What rounding may add to the harmonics of a record about a frequency."""
    apart = np.abs(harmonics.orders * harmonics.fundamental_hz - frequency_hz)
    return float(harmonics.rounding[int(np.argmin(apart))])


def no_shape_text(finding: ResidualFinding) -> str:
    """Say that no unit of the model comes near what square waves show.

    Parameters
    ----------
    finding : ResidualFinding
        The misfit.

    Returns
    -------
    str
        In place of its own text.
    """
    return (
        f"{finding.capture}: the response has no shape that a playback unit has. The deviation is "
        "read off the harmonics, each over the network's. Look for a part that is open, shorted or "
        "of a wrong decade, in the unit and in the network"
    )


def _in_bands(harmonics: RelativeHarmonics, highest_hz: float) -> _Bands:
    """Means over third octaves, the variance of all raised to the scatter within bands."""
    frequency = harmonics.orders * harmonics.fundamental_hz
    inside = frequency <= highest_hz * _END
    frequency, error = frequency[inside], harmonics.error[inside]
    weight = 1.0 / harmonics.variance[inside]
    which, band = np.unique(third_octave_number(frequency), return_inverse=True)
    total = np.bincount(band, weight)
    mean = np.zeros(which.size, dtype=complex)
    np.add.at(mean, band, weight * error)
    mean /= total
    middle = np.exp(np.bincount(band, weight * np.log(frequency)) / total)
    scatter = float(np.sum(weight * np.abs(error - mean[band]) ** 2))
    free = 2.0 * (frequency.size - which.size)
    raised = max(1.0, scatter / free) if free > 0 else 1.0
    return _Bands(which, middle, mean, raised / total)


def misfit_sizes(
    harmonics: Sequence[RelativeHarmonics], *, band_hz: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Compute how far a fit surely misses square waves, phase included.

    Parameters
    ----------
    harmonics : sequence of RelativeHarmonics
        One a square-wave record.
    band_hz : tuple of float
        The band judged [Hz].

    Returns
    -------
    tuple of numpy.ndarray of float, shape (third octaves,)
        Frequencies [Hz], and what neither noise, nor the steps of a converter, nor a peak of a
        finding of its own explains there [dB].
    """
    harmonics = _levelled(harmonics, band_hz[1])
    narrow = narrow_shape(harmonics, highest_hz=band_hz[1] * _END)
    if narrow is not None:
        harmonics = [
            replace(h, error=h.error - narrow.ratio(h.orders * h.fundamental_hz)) for h in harmonics
        ]
    bands = [b for b in (_in_bands(h, band_hz[1]) for h in harmonics) if b.number.size]
    if not bands:
        return np.zeros(0), np.zeros(0)
    pooled, disagreement = _pooled(bands)
    noise = _COVERAGE_FACTOR * np.sqrt(pooled.variance * disagreement)
    steps = [max(_rounding(h, f) for h in harmonics) for f in pooled.frequency_hz.tolist()]
    surely = np.abs(pooled.error) - noise - np.array(steps)
    return pooled.frequency_hz, DB_PER_NEPER * np.maximum(surely, 0.0)


def _levelled(
    harmonics: Sequence[RelativeHarmonics], highest_hz: float
) -> Sequence[RelativeHarmonics]:
    """Records that a shape the fit lacks has set apart, their gains laid over one another.

    Such a fit sets the gain of a record by its few harmonics of least noise.  Of bands that count
    alike most agree, and what stands out is the shape.
    """
    # Of two records the fit follows the one of less noise; the other shows what was touched.
    noise = [h.level_noise for h in harmonics]
    clean = [k for k, n in enumerate(noise) if n < _CLEAN * min(noise)]
    bands = [_in_bands(harmonics[k], highest_hz) for k in clean]
    pairs = [(b, [o for o in bands if o is not b and o.number.size]) for b in bands]
    if max((_disagreement(b, o) for b, o in pairs if b.number.size), default=1.0) < _SURE:
        return harmonics
    number = np.unique(np.concatenate([b.number for b in bands]))
    record = np.concatenate([np.full(b.number.size, k) for k, b in enumerate(bands)])
    band = np.searchsorted(number, np.concatenate([b.number for b in bands]))
    variance = np.concatenate([b.variance for b in bands])
    weight = 1.0 / np.sqrt(variance + (_NOTABLE_DB / DB_PER_NEPER) ** 2)
    columns = np.hstack(
        [record[:, None] == np.arange(len(bands)), band[:, None] == np.arange(number.size)]
    )
    level = np.concatenate([b.error.real for b in bands])
    solved = np.linalg.lstsq(weight[:, None] * columns, weight * level, rcond=None)[0]
    at_1khz = int(np.argmin(np.abs(number - third_octave_number(REFERENCE_FREQUENCY_HZ))))
    gain = solved[: len(bands)] + solved[len(bands) + at_1khz]
    levelled = list(harmonics)
    for k, own in zip(clean, gain.tolist(), strict=True):
        levelled[k] = replace(levelled[k], error=levelled[k].error - own)
    return levelled


def _pooled(bands: Sequence[_Bands]) -> tuple[_Bands, Floats]:
    """Means over captures by weight, and by how much their variance is to be raised.

    A capture that differs from the others by more than noise has its own variance raised first.
    """
    weighted = [
        replace(b, variance=b.variance * _disagreement(b, [o for o in bands if o is not b]))
        for b in bands
    ]
    pooled = _weighted_mean(weighted)
    apart, count = np.zeros((2, pooled.number.size))
    for band in weighted:
        at = np.searchsorted(pooled.number, band.number)
        apart[at] += np.abs(band.error - pooled.error[at]) ** 2 / band.variance
        count[at] += 1.0
    free = np.maximum(2.0 * (count - 1.0), 1.0)
    return pooled, np.where(count > 1.0, np.maximum(1.0, apart / free), 1.0)


def _disagreement(band: _Bands, others: Sequence[_Bands]) -> float:
    """Mean square by which a capture differs from the others, over its variance; 1 or greater."""
    if not others:
        return 1.0
    pooled = _weighted_mean(others)
    _, own, other = np.intersect1d(band.number, pooled.number, return_indices=True)
    if not own.size:
        return 1.0
    variance = band.variance[own] + pooled.variance[other]
    square = np.abs(band.error[own] - pooled.error[other]) ** 2 / (2.0 * variance)
    return max(1.0, float(np.mean(square)))


def _weighted_mean(bands: Sequence[_Bands]) -> _Bands:
    """Means over captures, each band by the inverse of its variances."""
    number = np.unique(np.concatenate([b.number for b in bands]))
    weight, position = np.zeros((2, number.size))
    error = np.zeros(number.size, dtype=complex)
    for band in bands:
        at = np.searchsorted(number, band.number)
        weight[at] += 1.0 / band.variance
        error[at] += band.error / band.variance
        position[at] += np.log(band.frequency_hz) / band.variance
    mean = np.asarray(error / weight, dtype=complex)
    return _Bands(number, np.exp(position / weight), mean, 1.0 / weight)
