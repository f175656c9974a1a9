"""Tops of a square wave that are held and then let go: what clips does so, and no linear unit.

The top of a linear unit is a sum of exponentials, smooth from edge to edge.  A clipped one stands
at its limit until the droop of the unit takes it below, and bends there.  Both are fitted to the
mean of all tops of one sign by least squares: a polynomial, and a level with a quadratic beyond
some moment.  A top that is held to its end has no such moment: it is that of a unit without a low
corner.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["held_level"]

Floats = NDArray[np.float64]

_BINS = 100  # of a half period: errors of a converter's steps in neighbours differ
_LEAST_PER_BIN = 2.0  # samples: a mean of fewer is a sample
_SETTLED_S = 4e-4  # five treble time constants behind an edge
_MOST_SETTLING, _TO = 0.2, 0.97  # of a half period: of what settles longer the rest counts
_LEAST_HELD, _LEAST_REST = 0.06, 0.12  # of a half period: a bend needs either side
_MOMENTS = 40  # tried, at which a top may be let go
_ORDER = 4  # five coefficients, one more than of a held top with its moment
_BETTER = 2.5  # times the variance; of 1,000 linear records none reaches 2
_NOISE = 10.0  # times that of a mean: what more is left, such as hum, may look held
_LEAST_DROP = 0.02  # of the swing, of what is let go: less is no droop
_LEAST_STEPS = 8.0  # of a converter, likewise: a stair of fewer looks held
_LEVEL = 0.1  # of that drop: what a straight line over the held part may rise or fall


def held_level(
    time_s: Floats, volts: Floats, *, frequency_hz: float, step_v: float
) -> float | None:
    """Find the level at which the tops of a square wave are held.

    Parameters
    ----------
    time_s : numpy.ndarray of float, shape (samples,)
        Times [s].
    volts : numpy.ndarray of float, shape (samples,)
        Record [V].
    frequency_hz : float
        Frequency of the square wave [Hz].
    step_v : float
        Step of the converter [V]; 0 for none.

    Returns
    -------
    float or None
        The level of the upper or lower tops [V]; ``None`` where neither are held.
    """
    settled = min(_MOST_SETTLING, 2.0 * _SETTLED_S * frequency_hz)
    phase = np.mod(time_s * frequency_hz, 1.0)
    middle = (volts.max() + volts.min()) / 2.0
    upper = volts > middle
    # The mean direction of the phases of upper samples is the middle of a top.
    centre = np.angle(np.sum(np.exp(2j * np.pi * phase[upper]))) / (2.0 * np.pi)
    for sign, start in ((1.0, centre - 0.25), (-1.0, centre + 0.25)):
        along = 2.0 * np.mod(phase - start, 1.0)
        top = (along > settled) & (along < _TO)
        least = max(_LEAST_DROP * float(np.ptp(volts)), _LEAST_STEPS * step_v)
        level = _held(along[top], sign * volts[top], least, step_v)
        if level is not None:
            return sign * level
    return None


def _held(along: Floats, volts: Floats, least_drop: float, step_v: float) -> float | None:
    """The level of one kind of top, by shares of its half period; ``None`` where it is not held."""
    bins = np.floor(along * _BINS).astype(int)
    count = np.bincount(bins)
    told = count >= _LEAST_PER_BIN
    if np.count_nonzero(told) < _BINS // 2:
        return None
    x = np.bincount(bins, along)[told] / count[told]
    y = np.bincount(bins, volts)[told] / count[told]
    spread = np.bincount(bins, volts**2)[told] / count[told] - y**2
    noise = max(float(np.median(spread / (count[told] - 1.0))), step_v**2 / 12.0 / _BINS)
    smooth = _missed(np.vander(x, _ORDER + 1), y)[0]
    fits = []
    for moment in np.linspace(x[0] + _LEAST_HELD, x[-1] - _LEAST_REST, _MOMENTS):
        beyond = np.maximum(x - moment, 0.0)
        fits.append((*_missed(np.column_stack([np.ones(x.size), beyond, beyond**2]), y), moment))
    missed, (level, slope, bend), moment = min(fits, key=lambda fit: fit[0])
    left_over = x[-1] - moment
    drop = -(slope * left_over + bend * left_over**2)
    held = x < moment
    tilt = np.polyfit(x[held], y[held], 1)[0] * (moment - x[0])
    if smooth < _BETTER * missed or drop < least_drop or slope >= 0.0:
        return None
    if missed > _NOISE * noise * (x.size - _ORDER):
        return None
    return float(level) if abs(tilt) < _LEVEL * drop else None


def _missed(columns: Floats, values: Floats) -> tuple[float, Floats]:
    """Sum of squares that columns leave, and their coefficients."""
    fitted = np.linalg.lstsq(columns, values, rcond=None)[0]
    residual = values - columns @ fitted
    return float(residual @ residual), np.asarray(fitted, dtype=np.float64)
