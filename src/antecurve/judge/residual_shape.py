"""Noise and shape in residuals over frequency."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.observation import ResidualFinding, ResidualKind

__all__ = ["has_shape", "noise_variance", "shape_findings"]

Floats = NDArray[np.float64]

_NORMAL_MAD = 1.4826  # standard deviation over median magnitude of normal noise
_LEAST_FOR_SHAPE = 8  # below, the normal approximation of von Neumann's ratio does not hold
_ALIKE = 2.33  # standard deviations of von Neumann's ratio: noise alone is that alike once in 100
_NOTABLE_DB = 0.005  # rms; a hundredth of the usual limit of 0.5 dB
_COVERAGE_FACTOR = 2.0  # 95 % of a normal distribution
_STANDS_OUT = 6.0  # chosen, not measured: far above what noise alone makes of a sweep


def noise_variance(residual: Floats) -> float:
    """Compute the variance of residuals, without their shape where they surely have one.

    Parameters
    ----------
    residual : numpy.ndarray of float, shape (frequencies,)
        Residuals of a fit over frequency.

    Returns
    -------
    float
        Mean square, or what remains of it without the shape.
    """
    whole = float(np.mean(residual**2))
    return _shapeless_variance(residual) if has_shape(residual) else whole


def _shapeless_variance(residual: Floats) -> float:
    """Variance of what neighbours do not share, or of the bulk, if that is less.

    Half the mean square difference of neighbours (von Neumann), or the square of 1.4826 times
    the median magnitude.
    """
    steps = float(np.mean(np.diff(residual) ** 2)) / 2.0
    return min(steps, (_NORMAL_MAD * float(np.median(np.abs(residual)))) ** 2)


def has_shape(residual: Floats) -> bool:
    """Tell whether residuals over frequency are more than noise.

    Parameters
    ----------
    residual : numpy.ndarray of float, shape (frequencies,)
        Residuals of a fit over frequency.

    Returns
    -------
    bool
        Whether neighbours are alike (von Neumann's ratio, 2.33 standard deviations below 2,
        Annals of Mathematical Statistics 12 (1941) 367) or a few points stand out by far.
    """
    count = residual.size
    whole = float(np.mean(residual**2))
    if count < _LEAST_FOR_SHAPE or whole == 0:
        return False
    ratio = float(np.mean(np.diff(residual) ** 2)) / whole
    spread = math.sqrt(4.0 * (count - 2) / (count**2 - 1.0))
    bulk = (_NORMAL_MAD * float(np.median(np.abs(residual)))) ** 2
    return 2.0 - ratio > _ALIKE * spread or whole > _STANDS_OUT * bulk


def shape_findings(
    name: str,
    frequency_hz: Floats,
    missed_db: Floats,
    *,
    shaped: bool,
    noise_db: Floats | float = 0.0,
) -> list[ResidualFinding]:
    """Describe a shape of the response that the model lacks: it is the unit's own.

    Parameters
    ----------
    name : str
        The capture.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    missed_db : numpy.ndarray of float, shape (frequencies,)
        What the model leaves of the level [dB].
    shaped : bool
        Whether that is more than noise.
    noise_db : numpy.ndarray of float, shape (frequencies,), or float, optional
        Standard deviation of the noise that is in it [dB].

    Returns
    -------
    list of ResidualFinding
        One, or none where it is noise or less than 0.005 dB rms.
    """
    if not shaped or float(np.sqrt(np.mean(missed_db**2))) < _NOTABLE_DB:
        return []
    worst = int(np.argmax(np.abs(missed_db)))
    frequency = float(frequency_hz[worst])
    text = (
        f"{name}: the response has a shape that the model lacks, {missed_db[worst]:+.2f} dB at "
        f"{frequency:.0f} Hz. It is counted as the unit's own"
    )
    # Both a level and that at 1 kHz, which it is taken against.
    reach = np.full_like(missed_db, _COVERAGE_FACTOR * math.sqrt(2.0) * noise_db)
    kind = ResidualKind.MISFIT
    return [ResidualFinding(kind, name, text, frequency, frequency_hz, missed_db, reach)]
