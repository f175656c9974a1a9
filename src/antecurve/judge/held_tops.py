"""Tops of a square wave that are held and then let go: what clips does so, and no linear unit.

The top of a linear unit is a sum of exponentials, smooth from edge to edge.  A clipped one stands
at its limit until the droop of the unit takes it below, and bends there.  Both are fitted to the
mean of all tops of one sign by least squares: a polynomial, and a level with a cubic beyond some
moment.  A top that is held to its end has no such moment.  It is that of a unit without a low
corner as well; `antecurve.judge.broken_edges` tells them apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Tops", "fit_by_columns"]

Floats = NDArray[np.float64]

_BINS = 100  # of a half period: errors of a converter's steps in neighbours differ
_LEAST_PER_BIN = 2.0  # samples: a mean of fewer is a sample
_SETTLED_S = 4e-4  # five treble time constants behind an edge
_MOST_SETTLING, _TO = 0.2, 0.97  # of a half period: of what settles longer the rest counts
_LEAST_HELD, _LEAST_REST = 0.05, 0.1  # of a half period: a bend needs either side
_MOMENTS = 40  # tried, at which a top may be let go
_ORDER = 7  # eight coefficients, three more than of a held top with its moment
_BETTER = 1.8  # times the variance; of 4,000 linear records, hum and drift beside, 1.42 at most
_NOISE = 30.0  # times that of a mean: what more is left, such as hum, may look held
_LEAST_DROP = 0.005  # of the swing, of what is let go: less is no droop
_LEAST_STEPS = 1.5  # of a converter, likewise: one step of a stair looks held
_LEVEL = 0.1  # of that drop: what a straight line over the held part may rise or fall
_PARTS = 200  # of a half period: over so many an edge rises most
_STEEP = 0.5  # of the steepest
_FLAT = 0.002  # of the swing: a low corner of 0.13 Hz lets a top of 200 Hz droop so far
_SURE = 3.0  # standard deviations, of a droop that is told from none


@dataclass(frozen=True, slots=True, eq=False)
class Tops:
    """The tops of a square wave.

    Attributes
    ----------
    time_s : numpy.ndarray of float, shape (samples,)
        Times [s].
    volts : numpy.ndarray of float, shape (samples,)
        Record [V].
    frequency_hz : float
        Frequency of the square wave [Hz].
    step_v : float
        Step of the converter [V]; 0 for none.
    """

    time_s: Floats
    volts: Floats
    frequency_hz: float
    step_v: float

    def held_level(self) -> float | None:
        """Find the level at which tops are held and let go.

        Returns
        -------
        float or None
            The level of the upper or lower ones [V]; ``None`` where neither are.
        """
        least = max(_LEAST_DROP * float(np.ptp(self.volts)), _LEAST_STEPS * self.step_v)
        for sign in (1.0, -1.0):
            level = _held(*self._course(sign), least)
            if level is not None:
                return sign * level
        return None

    def are_flat(self) -> bool:
        """Tell whether tops are flat from edge to edge.

        Returns
        -------
        bool
            Whether no droop is seen on either, and one of 0.2 % would be.
        """
        most = _FLAT * float(np.ptp(self.volts))
        for x, y, noise in map(self._course, (1.0, -1.0)):
            if x.size < _BINS // 2:
                return False
            droop = abs(float(np.polyfit(x, y, 1)[0]))
            if droop + _SURE * float(np.sqrt(noise / np.sum((x - x.mean()) ** 2))) > most:
                return False
        return True

    def _course(self, sign: float) -> tuple[Floats, Floats, float]:
        """Mean course of the upper or lower tops: places, volts by the sign, noise of a mean."""
        settled = min(_MOST_SETTLING, 2.0 * _SETTLED_S * self.frequency_hz)
        turn = self.time_s * self.frequency_hz
        lag = max(1, int(turn.size / (2.0 * _PARTS * float(np.ptp(turn)))))
        rise = sign * (self.volts[lag:] - self.volts[:-lag])
        steep = rise > _STEEP * float(rise.max())
        middle = (turn[lag:] + turn[:-lag])[steep] / 2.0
        edge = np.angle(np.sum(np.exp(2j * np.pi * middle))) / (2.0 * np.pi)
        along = 2.0 * np.mod(turn - edge, 1.0)
        top = (along > settled) & (along < _TO)
        return _means(along[top], sign * self.volts[top], self.step_v)


def _means(along: Floats, volts: Floats, step_v: float) -> tuple[Floats, Floats, float]:
    """Means over parts of a half period, and their variance by noise."""
    bins = np.floor(along * _BINS).astype(int)
    count = np.bincount(bins)
    told = count >= _LEAST_PER_BIN
    if not np.any(told):
        return np.zeros(0), np.zeros(0), 0.0
    number = count[told]
    x = np.bincount(bins, along)[told] / number
    y = np.bincount(bins, volts)[told] / number
    spread = np.bincount(bins, volts**2)[told] / number - y**2
    noise = float(np.median(spread / (number - 1.0)))
    return x, y, max(noise, step_v**2 / 12.0 / _BINS)


def _held(x: Floats, y: Floats, noise: float, least_drop: float) -> float | None:
    """The level of one kind of top by its mean course; ``None`` where it is not held."""
    if x.size < _BINS // 2:
        return None
    smooth = fit_by_columns(np.vander(x - 0.5, _ORDER + 1), y)[0]
    fits = []
    for moment in np.linspace(x[0] + _LEAST_HELD, x[-1] - _LEAST_REST, _MOMENTS):
        columns = np.maximum(x - moment, 0.0)[:, None] ** np.arange(4)
        fits.append((*fit_by_columns(columns, y), moment))
    missed, coefficients, moment = min(fits, key=lambda fit: fit[0])
    level, slope = coefficients[:2]
    drop = level - float((x[-1] - moment) ** np.arange(4) @ coefficients)
    held = x < moment
    tilt = np.polyfit(x[held], y[held], 1)[0] * (moment - x[0])
    if smooth < _BETTER * missed or drop < least_drop or slope >= 0.0:
        return None
    if missed > _NOISE * noise * (x.size - _ORDER):
        return None
    return float(level) if abs(tilt) < _LEVEL * drop else None


def fit_by_columns(columns: Floats, values: Floats) -> tuple[float, Floats]:
    """Fit values by columns.

    Parameters
    ----------
    columns : numpy.ndarray of float, shape (values, columns)
        What the values are a sum of.
    values : numpy.ndarray of float, shape (values,)
        The values.

    Returns
    -------
    missed : float
        Sum of the squares that the fit leaves.
    coefficients : numpy.ndarray of float, shape (columns,)
        Of the columns.
    """
    coefficients = np.linalg.lstsq(columns, values, rcond=None)[0]
    residual = values - columns @ coefficients
    return float(residual @ residual), np.asarray(coefficients, dtype=np.float64)
