"""A peak or a dip of a unit's response that is narrower than a third of an octave.

Networks of resistors and capacitors bend a response over an octave or more.  A notch filter, an
inductor or a feedback loop that nearly oscillates makes a peak or a dip: to a response H it adds
H a / (1 + jQ (f/f_0 - f_0/f)) with a real.  Means over third octaves hide it.  So it is looked for
in what stands out of these means, of all records at once: f_0, Q and a are fitted by least squares
from the best of a grid.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from antecurve.quantities import DB_PER_NEPER

if TYPE_CHECKING:
    from antecurve.judge.level_dependence import RelativeHarmonics

__all__ = ["NarrowShape", "narrow_shape", "third_octave_number"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_BANDS_PER_OCTAVE = 3  # no shape of a network of resistors and capacitors is sharper
_QUALITIES = (4.0, 8.0, 16.0, 32.0)  # of the grid: 4 is as wide as a third octave
_STEPS_PER_QUALITY = 2  # of the grid, an octave over Q: 6 % of a peak halfway between two
_FINER = 1.5  # times the evidence of the grid's best: more than a fit from there adds
_QUALITY_RANGE = (2.0, 64.0)  # narrower ones lie between harmonics
_LEAST_QUALITY = 3.0  # wider ones the means over third octaves show
_RANGE = (-0.95, 9.0)  # of a: -26 dB to +20 dB, beyond which the rest of the fit does not hold
_CHANCE = 1e-6  # that noise is taken for a peak, per verdict
_CHANCE_WITHOUT_ONE = 1e-3  # the same without the harmonic that shows it best
_NEAR = 0.25  # of the peak: within two widths of its middle
_NOTABLE = 0.0058  # of the response, 0.05 dB: a tenth of the usual limit
_UNKNOWNS = 3  # f_0, Q and a


@dataclass(frozen=True, slots=True, eq=False)
class NarrowShape:
    """A peak or a dip.

    Attributes
    ----------
    frequency_hz : float
        Its middle [Hz].
    quality : float
        Its Q: its middle over its width.
    size : float
        By how much the response is larger there, over itself; negative for a dip.
    spread : numpy.ndarray of float, shape (3, 3)
        Root of the covariance of ln of the frequency, ln of Q, and the size, by columns.
    """

    frequency_hz: float
    quality: float
    size: float
    spread: Floats

    @property
    def level_db(self) -> float:
        """Level in the middle, over that beside it [dB]."""
        return DB_PER_NEPER * math.log1p(self.size)

    def ratio(self, frequency_hz: Floats) -> Complex:
        """Evaluate what it adds to the response, over that.

        Parameters
        ----------
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz].

        Returns
        -------
        numpy.ndarray of complex, shape (frequencies,)
            0 far away.
        """
        return self.size * _bell(frequency_hz, self.frequency_hz, self.quality)

    def levels_db(self, frequency_hz: Floats, *, held_octaves: float) -> Floats:
        """Evaluate the level, the middle held so far to both sides that a grid meets it.

        Parameters
        ----------
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz].
        held_octaves : float
            How far.

        Returns
        -------
        numpy.ndarray of float, shape (frequencies,)
            Level [dB].
        """
        return _levels_db(frequency_hz, self.frequency_hz, self.quality, self.size, held_octaves)

    def deviations_db(self, frequency_hz: Floats, *, held_octaves: float) -> Floats:
        """Evaluate the standard deviation of that level.

        Parameters
        ----------
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz].
        held_octaves : float
            As for `levels_db`.

        Returns
        -------
        numpy.ndarray of float, shape (frequencies,)
            Standard deviation [dB].
        """
        best = self.levels_db(frequency_hz, held_octaves=held_octaves)
        total = np.zeros(frequency_hz.size)
        for by_frequency, by_quality, by_size in self.spread.T:
            moved = _levels_db(
                frequency_hz,
                self.frequency_hz * math.exp(by_frequency),
                self.quality * math.exp(by_quality),
                max(self.size + by_size, _RANGE[0]),
                held_octaves,
            )
            total = np.hypot(total, moved - best)
        return total


@dataclass(frozen=True, slots=True, eq=False)
class _Harmonics:
    """Harmonics of several records, in the order of their third octaves."""

    frequency_hz: Floats
    error: Complex
    weight: Floats
    begins: NDArray[np.intp]  # of each third octave

    @property
    def free(self) -> int:
        """Degrees of freedom beside a mean for each third octave and a peak."""
        return 2 * (self.frequency_hz.size - self.begins.size) - _UNKNOWNS

    def beside_means(self, values: Complex) -> Complex:
        """What stands out of the means over third octaves, by the root of the weight.

        Values have shape (..., harmonics).
        """
        lengths = np.diff(np.append(self.begins, self.weight.size))
        total = np.add.reduceat(self.weight, self.begins)
        means = np.add.reduceat(values * self.weight, self.begins, axis=-1) / total
        return np.asarray((values - np.repeat(means, lengths, axis=-1)) * np.sqrt(self.weight))


def third_octave_number(frequency_hz: Floats | float) -> NDArray[np.int_]:
    """Number the third octave that a frequency lies in.

    Parameters
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].

    Returns
    -------
    numpy.ndarray of int, shape (frequencies,)
        0 about 1 Hz.
    """
    return np.asarray(np.round(_BANDS_PER_OCTAVE * np.log2(frequency_hz)).astype(int))


def narrow_shape(
    harmonics: Sequence[RelativeHarmonics], *, highest_hz: float
) -> NarrowShape | None:
    """Find the peak or the dip that square waves show.

    Parameters
    ----------
    harmonics : sequence of RelativeHarmonics
        One a square-wave record.
    highest_hz : float
        End of the band looked at [Hz].

    Returns
    -------
    NarrowShape or None
        ``None`` where noise explains what stands out of third octaves, or one harmonic alone does.
    """
    from scipy.optimize import least_squares
    from scipy.special import chdtri

    own = _together(harmonics, highest_hz)
    if own is None or own.free < 1:
        return None
    standing_out = own.beside_means(own.error)
    start, evidence, trials = _best_of_grid(own, standing_out)
    least = float(chdtri(_UNKNOWNS, _CHANCE / trials))
    if _FINER * evidence < least:
        return None
    lowest = np.array([math.log(own.frequency_hz.min()), math.log(_QUALITY_RANGE[0]), _RANGE[0]])
    highest = np.array([math.log(own.frequency_hz.max()), math.log(_QUALITY_RANGE[1]), _RANGE[1]])

    def missed(unknowns: Floats) -> Floats:
        bell = _bell(own.frequency_hz, math.exp(unknowns[0]), math.exp(unknowns[1]))
        remaining = standing_out - own.beside_means(unknowns[2] * bell)
        return np.concatenate([remaining.real, remaining.imag])

    inside = np.clip(start, lowest + 1e-9, highest - 1e-9)
    fitted = least_squares(missed, inside, bounds=(lowest, highest), x_scale=(0.01, 0.1, 0.01))
    raised = max(1.0, 2.0 * fitted.cost / own.free)
    half = standing_out.size
    told = np.abs(standing_out) ** 2 - fitted.fun[:half] ** 2 - fitted.fun[half:] ** 2
    evidence = float(told.sum()) / raised
    near = np.abs(_bell(own.frequency_hz, *np.exp(fitted.x[:2]))) > _NEAR
    without_one = float(np.sort(told[near])[:-1].sum()) / raised
    if (
        evidence < least
        or without_one < float(chdtri(_UNKNOWNS, _CHANCE_WITHOUT_ONE))
        or abs(fitted.x[2]) < _NOTABLE
        or fitted.x[1] < math.log(_LEAST_QUALITY)
    ):
        return None
    # Root of the inverse of the normal matrix; what is not told stops at an e-fold.
    _, told_by, axes = np.linalg.svd(fitted.jac, full_matrices=False)
    spread = axes.T * np.minimum(math.sqrt(raised) / np.maximum(told_by, 1e-300), 1.0)
    return NarrowShape(
        float(np.exp(fitted.x[0])), float(np.exp(fitted.x[1])), float(fitted.x[2]), spread
    )


def _together(harmonics: Sequence[RelativeHarmonics], highest_hz: float) -> _Harmonics | None:
    """The harmonics of all records up to a frequency."""
    if not harmonics:
        return None
    frequency = np.concatenate([h.orders * h.fundamental_hz for h in harmonics])
    error = np.concatenate([h.error for h in harmonics])
    weight = 1.0 / np.concatenate([h.variance for h in harmonics])
    order = np.argsort(frequency, kind="stable")
    order = order[frequency[order] <= highest_hz]
    if not order.size:
        return None
    number = third_octave_number(frequency[order])
    begins = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    return _Harmonics(frequency[order], error[order], weight[order], begins)


def _best_of_grid(own: _Harmonics, standing_out: Complex) -> tuple[Floats, float, int]:
    """The best peak of a grid (ln of frequency, ln of Q, size), its evidence, and the trials."""
    low, high = np.log2(own.frequency_hz[[0, -1]])
    best, told, trials = np.zeros(3), -1.0, 0
    for quality in _QUALITIES:
        count = max(2, math.ceil((high - low) * quality * _STEPS_PER_QUALITY) + 1)
        middle = np.exp2(np.linspace(low, high, count))
        shape = own.beside_means(_bell(own.frequency_hz, middle[:, None], quality))
        square = np.maximum(np.sum(shape.real**2 + shape.imag**2, axis=1), 1e-300)
        along = shape.real @ standing_out.real + shape.imag @ standing_out.imag
        at = int(np.argmax(along**2 / square))
        trials += count
        if along[at] ** 2 / square[at] > told:
            told = float(along[at] ** 2 / square[at])
            best = np.array([math.log(middle[at]), math.log(quality), along[at] / square[at]])
    return best, told, trials


def _bell(frequency_hz: Floats, middle_hz: Floats | float, quality: float) -> Complex:
    off = frequency_hz / middle_hz - middle_hz / frequency_hz
    return np.asarray(1.0 / (1.0 + 1j * quality * off))


def _levels_db(
    frequency_hz: Floats, middle_hz: float, quality: float, size: float, held_octaves: float
) -> Floats:
    octaves = np.log2(frequency_hz / middle_hz)
    beside = np.sign(octaves) * np.maximum(np.abs(octaves) - held_octaves, 0.0)
    shape = 1.0 + size * _bell(np.exp2(beside), 1.0, quality)
    return np.asarray(DB_PER_NEPER * np.log(np.abs(shape)))
