"""Ringing of edges: a damped sine behind each edge that the fitted response does not hold.

A loop that is short of oscillation by few degrees has a pair of poles of high Q far above the
band: the response within the band stays flat, and each edge rings.  Residuals behind edges are
fitted by A exp(-pi f t / Q) cos(2 pi f t + phi) beside what an edge that is a little off leaves
(delay, slope and exponentials) and what moves slowly (a parabola), over a grid of f and Q; rising
and falling edges count together.  For a loop whose closed response is of second order a phase
margin of m has Q near 1/(2 sin(m/2)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.asymmetry import EdgeSamples

__all__ = ["RINGS", "Ringing", "edge_ringing", "phase_margin_deg", "ringing_of_poles"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

RINGS = 3.5
"""Q of a phase margin below 17 degrees; sound units with long cables have more margin."""
_QUANTILE = 0.01  # of the draws of a fit: the least Q that captures allow
_LOWEST_HZ, _HIGHEST_HZ = 30e3, 2e6  # above the audio band; beyond, edges no longer excite it
_OF_RATE = 0.8  # of the sampling rate: edges at any phase of the samples show more than half
_RATIO = 1.06  # of neighbouring frequencies: a third of the width of a resonance of Q 5
# Q, closest where most stages lie: from a step that barely overshoots to one that rings on.
_QUALITIES = (0.7, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.5, 8.0, 12.0, 20.0, 40.0)
_DECAYS_S = (0.5e-6, 1.5e-6, 5e-6, 15e-6, 75e-6)  # of an edge a little off: from 2 kHz to 300 kHz
_CLEAR = 45.0  # fall of chi-square: exp(-22) by chance, in any of 1,000 trials never
_SURE = 10.0  # rise of chi-square at the end of an interval of Q, 99.8 %
_LEAST_AMPLITUDE = 0.01  # of the half swing, at the edge
_NOISE_ALONE = 0.9  # mean square: the noise of the record behind its edges, as on its tops
_INDEPENDENT = 1e-9  # relative: directions below are rounding
_LEAST_FREE = 40  # samples behind edges


@dataclass(frozen=True, slots=True)
class Ringing:
    """A damped sine behind the edges.

    Attributes
    ----------
    frequency_hz : float
        Its frequency [Hz].
    quality : float
        Its Q.
    least_quality : float
        Least Q that the record allows.
    amplitude_v : float
        Amplitude at the edge [V].
    """

    frequency_hz: float
    quality: float
    least_quality: float
    amplitude_v: float


def phase_margin_deg(quality: float) -> float:
    """Compute the phase margin of a second-order loop of a Q.

    Parameters
    ----------
    quality : float
        Q, above 0.5.

    Returns
    -------
    float
        Phase margin [degrees].

    Examples
    --------
    >>> round(phase_margin_deg(5.0), 1)
    11.5
    """
    return math.degrees(2.0 * math.asin(0.5 / quality))


def ringing_of_poles(first_us: Floats, second_us2: Floats) -> Ringing | None:
    """Tell whether the poles of a fitted top ring.

    Parameters
    ----------
    first_us, second_us2 : numpy.ndarray of float, shape (draws,)
        b and c of 1/(1 + b s + c s^2) by draws of the fit [us, us^2].

    Returns
    -------
    Ringing or None
        ``None`` where the captures allow a Q that does not ring; its amplitude is that of a step
        of 1 V.
    """
    if not np.all(second_us2 > 0.0):
        return None
    root = np.sqrt(second_us2)
    quality = root / np.maximum(first_us, 1e-9 * root)
    least = float(np.quantile(quality, _QUANTILE))
    if least < RINGS:
        return None
    frequency = 1e6 / (2.0 * math.pi * float(np.median(root)))
    return Ringing(frequency, float(np.median(quality)), least, 1.0)


def edge_ringing(
    edges: EdgeSamples, *, rate_hz: float, noise_v: float, timing_s: float, half_swing_v: float
) -> Ringing | None:
    """Find ringing behind the edges.

    Parameters
    ----------
    edges : EdgeSamples
        Residuals behind the edges.
    rate_hz : float
        Sampling rate [Hz].
    noise_v : float
        Standard deviation of a sample [V].
    timing_s : float
        How well an edge of the fitted waveform is resolved [s].
    half_swing_v : float
        Half the swing of the square wave [V].

    Returns
    -------
    Ringing or None
        ``None`` where noise, or an edge a little off, explains the residuals.
    """
    behind = edges.since_s >= 0.0
    since, sign = edges.since_s[behind], edges.sign[behind]
    if since.size < _LEAST_FREE:
        return None
    noise = np.hypot(noise_v, edges.slope[behind] * timing_s)
    weight = sign / noise
    residual, basis = _without_smooth(edges, behind, weight)
    if float(residual @ residual) < _NOISE_ALONE * since.size:
        return None
    highest = min(_HIGHEST_HZ, _OF_RATE * rate_hz)
    if highest <= _LOWEST_HZ:
        return None
    count = math.ceil(math.log(highest / _LOWEST_HZ) / math.log(_RATIO)) + 1
    grid = np.geomspace(_LOWEST_HZ, highest, count)
    turns = np.exp(2j * math.pi * grid * since[:, None])
    fits = [
        _damped_waves(turns * np.exp(-math.pi / q * grid * since[:, None]), weight, residual, basis)
        for q in _QUALITIES
    ]
    falls = np.array([fall for fall, _ in fits])
    row, column = np.unravel_index(int(np.argmax(falls)), falls.shape)
    best, amplitude = float(falls[row, column]), float(fits[int(row)][1][column])
    scatter = max(1.0, (float(residual @ residual) - best) / since.size)
    if best / scatter < _CLEAR or not _LEAST_AMPLITUDE < amplitude / half_swing_v < 1.0:
        return None
    allowed = falls.max(axis=1) > best - _SURE * scatter
    least = _QUALITIES[int(np.flatnonzero(allowed)[0])]
    return Ringing(float(grid[column]), _QUALITIES[int(row)], least, amplitude)


def _without_smooth(
    edges: EdgeSamples, behind: NDArray[np.bool_], weight: Floats
) -> tuple[Floats, Floats]:
    """Weighted residuals less what an edge a little off leaves, and a basis of the latter."""
    since, sign = edges.since_s[behind], edges.sign[behind]
    decays = sign[:, None] * np.exp(-since[:, None] / np.array(_DECAYS_S))
    slow = np.vander(since / since.max(), 3)
    smooth = np.column_stack([edges.slope[behind], edges.bend[behind], sign, decays, slow])
    smooth *= np.abs(weight)[:, None]
    smooth /= np.maximum(np.linalg.norm(smooth, axis=0), 1e-300)
    basis, sizes, _ = np.linalg.svd(smooth, full_matrices=False)
    basis = basis[:, sizes > _INDEPENDENT * sizes[0]]
    residual = edges.residual[behind] * np.abs(weight)
    return residual - basis @ (basis.T @ residual), basis


def _damped_waves(
    waves: Complex, weight: Floats, residual: Floats, basis: Floats
) -> tuple[Floats, Floats]:
    """Fall of chi-square and amplitude of each damped wave, cosine and sine fitted to it."""
    waves = waves * weight[:, None]
    cosine, sine = waves.real, waves.imag
    inside, beside = basis.T @ cosine, basis.T @ sine
    a = np.sum(cosine**2, axis=0) - np.sum(inside**2, axis=0)
    b = np.sum(sine**2, axis=0) - np.sum(beside**2, axis=0)
    c = np.sum(cosine * sine, axis=0) - np.sum(inside * beside, axis=0)
    p, q = residual @ cosine, residual @ sine
    determinant = a * b - c**2
    usable = determinant > _INDEPENDENT * (a + b) ** 2
    determinant = np.where(usable, determinant, np.inf)
    x, y = (b * p - c * q) / determinant, (a * q - c * p) / determinant
    return x * p + y * q, np.hypot(x, y)
