"""What a record holds beside the square wave and noise: hum, and a slow drift.

Both are columns of the reduction beside the harmonics.  The amplitude of a line of hum has a
normal prior, as wide as the hum of the same unit is elsewhere: a line that no one can tell from a
harmonic then widens the covariance of that harmonic, and a line that stands apart is hardly
touched by it.  The drift is a low-order polynomial without a prior.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["NOTHING_ELSE", "Hum", "Interference", "drift_columns", "line_columns"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Hum:
    """The hum of a unit: lines at multiples of the mains frequency.

    Attributes
    ----------
    mains_hz : float
        Nominal mains frequency [Hz], 50 or 60.
    told : bool
        Whether the captures tell 50 from 60 Hz, or the mains frequency was given.
    line_hz : tuple of float
        Frequencies of the lines [Hz].
    spread_v : tuple of float
        Standard deviation of the cosine and of the sine amplitude of each line [V].
    stated_hz : float or None
        Mains frequency as given where the captures contradict it [Hz].
    stands_out : bool
        Whether the lines stand out of what lies between them; noise that rises towards low
        frequencies, as 1/f, has as much there.
    """

    mains_hz: float
    told: bool
    line_hz: tuple[float, ...]
    spread_v: tuple[float, ...]
    stated_hz: float | None = None
    stands_out: bool = True


@dataclass(frozen=True, slots=True)
class Interference:
    """What is taken out of one record.

    Attributes
    ----------
    hum : Hum or None
        Lines of hum; ``None`` for none.
    noise_v : float
        Standard deviation of a sample [V], against which the lines' priors count.
    drift_order : int
        Order of the polynomial beside the offset; 0 for none.
    """

    hum: Hum | None = None
    noise_v: float = 0.0
    drift_order: int = 0

    @property
    def line_hz(self) -> tuple[float, ...]:
        """Frequencies of the lines [Hz]."""
        return () if self.hum is None else self.hum.line_hz

    @property
    def prior_weights(self) -> Floats:
        """Weight of the prior of each column in the normal equations, shape (columns,)."""
        spread = np.repeat([] if self.hum is None else self.hum.spread_v, 2)
        return np.concatenate([np.zeros(self.drift_order), (self.noise_v / spread) ** 2])

    def columns(self, time_s: Floats) -> Floats:
        """Lay out drift, then cosine and sine of each line.

        Parameters
        ----------
        time_s : numpy.ndarray of float, shape (samples,)
            Time from the middle of the record [s].

        Returns
        -------
        numpy.ndarray of float, shape (columns, samples)
            One row a column of the reduction.
        """
        drift = drift_columns(time_s, self.drift_order)
        return np.concatenate([drift, line_columns(time_s, self.line_hz)])


NOTHING_ELSE = Interference()
"""Neither hum nor drift."""


def drift_columns(time_s: Floats, order: int) -> Floats:
    """Lay out a polynomial over a record, the constant left out.

    Parameters
    ----------
    time_s : numpy.ndarray of float, shape (samples,)
        Time from the middle of the record [s].
    order : int
        Its order, 0 or greater.

    Returns
    -------
    numpy.ndarray of float, shape (order, samples)
        Legendre polynomials over the record, of size 1 at its ends.
    """
    position = time_s / np.abs(time_s).max()
    return np.ascontiguousarray(np.polynomial.legendre.legvander(position, order)[:, 1:].T)


def line_columns(time_s: Floats, line_hz: Sequence[float]) -> Floats:
    """Lay out cosine and sine of lines.

    Parameters
    ----------
    time_s : numpy.ndarray of float, shape (samples,)
        Time from the middle of the record [s].
    line_hz : sequence of float
        Frequencies [Hz].

    Returns
    -------
    numpy.ndarray of float, shape (2 lines, samples)
        Two rows a line.
    """
    waves = [w(2.0 * math.pi * line * time_s) for line in line_hz for w in (np.cos, np.sin)]
    return np.reshape(waves, (2 * len(line_hz), time_s.size))
