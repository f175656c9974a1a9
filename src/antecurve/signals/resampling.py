"""A record at times between its samples."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["resampled"]

Floats = NDArray[np.float64]

_OVERSAMPLING, _ORDER = 4, 5  # of the spline: at 45 % of the rate its level errs by 5e-5 dB


def resampled(samples: Floats, positions: Floats) -> Floats:
    """Interpolate a record, up to near half its sampling rate.

    Parameters
    ----------
    samples : numpy.ndarray of float, shape (samples,)
        The record.
    positions : numpy.ndarray of float, shape (positions,)
        Where, in samples from the first one; beyond the ends the values there.

    Returns
    -------
    numpy.ndarray of float, shape (positions,)
        Its values.
    """
    from scipy.ndimage import map_coordinates
    from scipy.signal import resample

    fine = resample(samples, _OVERSAMPLING * samples.size)
    known = np.clip(_OVERSAMPLING * positions, 0.0, float(fine.size - 1))
    return np.asarray(map_coordinates(fine, known[None], order=_ORDER, mode="nearest"))
