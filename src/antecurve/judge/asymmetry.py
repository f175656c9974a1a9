"""Halves of a square wave that are treated unlike: what no linear unit does.

A linear unit answers the second half period of a square wave by the negative of its answer to the
first, whatever its response: even harmonics come from the generator's duty alone, and falling
edges look like rising ones turned over.  Two tests follow, neither of which rests on the model
of the unit.

- The lowest even harmonics less those of the duty, against their covariance.  It holds the noise
  at low frequencies as the record shows it between the harmonics, and the converter: the steps of
  a converter with normal noise s before it add a line of at most (q / pi) exp(-2 (pi s / q)^2)
  (Widrow and Kollar, Quantization Noise, 2008, on dithered quantisers).
- Residuals about the edges, rising ones against falling ones turned over, by an F test.  Splines
  over the time since the edge describe what is common to both, and what is not.  The duty, and
  rise and fall times of the generator that differ, are taken out as derivatives of the edge, and
  what moves slowly as a parabola.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["EdgeSamples", "EvenOrders", "converter_line", "edge_asymmetry", "even_orders"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_CHANCE = 1e-5  # that noise is taken for asymmetry, per test and record
_STEPS = 0.25  # of a converter's step: tops that pass a few codes see their unlike widths
_LEAST_SHARE = 0.001  # of the half swing: -60 dB, what a good generator does
_LEAST_SQUARE = 0.02  # of what the square of the waveform holds: 1 % second harmonic of a sine
_LEAST_EDGE = 0.005  # of the half swing, mean over some 50 us about an edge, by judgement
_KNOTS = 8  # over the logarithm of the time since an edge
_FINEST_S = 2e-6  # below which they are evenly spaced: edges of audio units are no faster
_SLOW_ORDER = 2  # polynomial of hum, drift and low even orders over an edge
_LEAST_FREE = 20  # degrees of freedom that tell the noise about the edges


@dataclass(frozen=True, slots=True, eq=False)
class EvenOrders:
    """Even harmonics of a record off those of a linear unit.

    Attributes
    ----------
    orders : numpy.ndarray of float, shape (even,)
        Orders.
    recorded : numpy.ndarray of complex, shape (even,)
        Amplitudes in the record [V].
    error : numpy.ndarray of complex, shape (even,)
        Those less the fit's [V].
    by_duty : numpy.ndarray of complex, shape (even,)
        Derivative of the fit by the duty [V].
    by_square : numpy.ndarray of complex, shape (even,)
        Those of the square of the fitted waveform over its half swing [V].
    covariance : numpy.ndarray of float, shape (2 even, 2 even)
        Of real, then imaginary parts [V^2].
    """

    orders: Floats
    recorded: Complex
    error: Complex
    by_duty: Complex
    by_square: Complex
    covariance: Floats


@dataclass(frozen=True, slots=True, eq=False)
class EdgeSamples:
    """Residuals about the edges.

    Attributes
    ----------
    since_s : numpy.ndarray of float, shape (samples,)
        Time since the edge [s].
    sign : numpy.ndarray of float, shape (samples,)
        1 for a rising edge, -1 for a falling one.
    residual : numpy.ndarray of float, shape (samples,)
        Record less fit [V].
    slope, bend : numpy.ndarray of float, shape (samples,)
        First and second derivative of the fitted waveform by time [V/s, V/s^2].
    """

    since_s: Floats
    sign: Floats
    residual: Floats
    slope: Floats
    bend: Floats


def converter_line(*, step_v: float, noise_v: float) -> float:
    """Bound the lines that a converter's steps add to a record.

    Parameters
    ----------
    step_v : float
        The step [V]; 0 for none.
    noise_v : float
        Standard deviation of a sample, the step's own included [V].

    Returns
    -------
    float
        Its amplitude [V].

    Examples
    --------
    >>> round(converter_line(step_v=1.0, noise_v=12**-0.5), 3)  # no noise but the step's own: 1/pi
    0.318
    """
    if step_v <= 0.0:
        return 0.0
    before = max(0.0, noise_v**2 - step_v**2 / 12.0) / step_v**2
    return step_v / math.pi * math.exp(-2.0 * math.pi**2 * before)


def even_orders(even: EvenOrders, *, step_v: float, noise_v: float, half_swing_v: float) -> float:
    """Measure even harmonics that only a nonlinear unit explains.

    Parameters
    ----------
    even : EvenOrders
        The harmonics.
    step_v : float
        Step of the converter [V].
    noise_v : float
        Standard deviation of a sample [V].
    half_swing_v : float
        Half the swing of the square wave [V].

    Returns
    -------
    float
        Their quadratic mean over time [V]; 0 where a linear unit explains them.
    """
    from scipy.special import chdtri

    error = np.concatenate([even.error.real, even.error.imag])
    duty = np.concatenate([even.by_duty.real, even.by_duty.imag])
    line = converter_line(step_v=step_v, noise_v=noise_v)
    covariance = even.covariance + 0.5 * line**2 * np.eye(error.size)
    weighted = np.linalg.solve(covariance, np.stack([error, duty], axis=1))
    share = float(duty @ weighted[:, 0]) / max(float(duty @ weighted[:, 1]), 1e-300)
    excess = error - share * duty
    chi_square = float(excess @ (weighted[:, 0] - share * weighted[:, 1]))
    # A fit that misses by far may have even harmonics that the record lacks.
    size = min(math.sqrt(float(excess @ excess)), float(np.linalg.norm(even.recorded)))
    size /= math.sqrt(2.0)
    square = float(np.linalg.norm(even.by_square)) / math.sqrt(2.0)
    if size < max(_STEPS * step_v, _LEAST_SHARE * half_swing_v, _LEAST_SQUARE * square):
        return 0.0
    return size if chi_square > float(chdtri(error.size - 1, _CHANCE)) else 0.0


def edge_asymmetry(
    edges: EdgeSamples, *, noise_v: float, timing_s: float, half_swing_v: float
) -> float:
    """Measure by how much falling edges differ from rising ones turned over.

    Parameters
    ----------
    edges : EdgeSamples
        Residuals about the edges.
    noise_v : float
        Standard deviation of a sample [V].
    timing_s : float
        How well an edge of the fitted waveform is resolved [s].
    half_swing_v : float
        Half the swing of the square wave [V].

    Returns
    -------
    float
        Quadratic mean of the difference about the edges [V]; 0 where noise explains it.
    """
    from scipy.special import fdtri

    if edges.residual.size < _LEAST_FREE:
        return 0.0
    behind = np.maximum(edges.since_s, 0.0)
    position = np.log1p(behind / _FINEST_S) / math.log1p(float(behind.max()) / _FINEST_S)
    position = position * (_KNOTS - 1)
    hats = np.maximum(0.0, 1.0 - np.abs(position[:, None] - np.arange(_KNOTS)))
    sign = edges.sign
    alike = np.column_stack([sign[:, None] * hats, sign * edges.slope, sign * edges.bend])
    slow = np.vander(behind / behind.max(), _SLOW_ORDER + 1)
    alike = np.column_stack([alike, edges.slope, edges.bend, slow])
    both = np.column_stack([alike, hats])
    weight = 1.0 / np.hypot(1.0, edges.slope * timing_s / noise_v)
    before, _ = _misfit(alike * weight[:, None], edges.residual * weight)
    after, rank = _misfit(both * weight[:, None], edges.residual * weight)
    free = edges.residual.size - rank
    if free < _LEAST_FREE:
        return 0.0
    variance = max(after / free, noise_v**2)
    ratio = (before - after) / (_KNOTS * variance)
    size = math.sqrt(max(0.0, before - after) / edges.residual.size)
    if size < _LEAST_EDGE * half_swing_v or ratio < float(fdtri(_KNOTS, free, 1.0 - _CHANCE)):
        return 0.0
    return size


def _misfit(columns: Floats, values: Floats) -> tuple[float, int]:
    """Sum of squares that a least-squares fit leaves, and the rank of its columns."""
    scale = np.linalg.norm(columns, axis=0)
    solution, _, rank, _ = np.linalg.lstsq(columns / np.where(scale > 0, scale, 1.0), values, 1e-9)
    missed = values - columns / np.where(scale > 0, scale, 1.0) @ solution
    return float(missed @ missed), int(rank)
