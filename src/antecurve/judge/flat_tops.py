"""Tops of an output that stay flat where the stimulus goes on: clipped within the range."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["flat_top_level"]

Floats = NDArray[np.float64]

_SHARES = (0.001, 0.01, 0.1)  # of the samples, from rare peaks to the crest of a sine
_LEAST_SAMPLES = 50  # that tell a spread
_FLAT = 0.35  # of the spread of what explains it; about a gap 0.58, of a linear output 1 or more
_FOLLOWS = 0.8  # of the slope: the rest of the record follows the stimulus
_LEAST_SPREAD = 0.005  # of the peak: less bend of a top than that is not told from an estimate's

_LEAST_EXTENT = 0.05  # of the record; about a gap a hundredth


def flat_top_level(output: Floats, explained: Floats) -> float | None:
    """Find the level at which an output is clipped.

    Where what the stimulus explains is largest, a linear output follows it; a clipped one stays.

    Parameters
    ----------
    output : numpy.ndarray of float, shape (samples,)
        The output.
    explained : numpy.ndarray of float, shape (samples,)
        What of it the stimulus explains.

    Returns
    -------
    float or None
        The level, in the output's unit; ``None`` where no top is flat.
    """
    middle = np.abs(explained) < np.quantile(np.abs(explained), 0.5)
    away = explained[middle] - explained[middle].mean()
    if float(away @ output[middle]) < _FOLLOWS * float(away @ away):
        return None
    peak = float(np.abs(explained).max())
    for one, other in ((output, explained), (-output, -explained)):
        for share in _SHARES:
            top = other >= np.quantile(other, 1.0 - share)
            if np.count_nonzero(top) < _LEAST_SAMPLES:
                continue
            spread = float(np.std(other[top]))
            stays = float(np.std(one[top])) < _FLAT * spread
            if stays and spread > _LEAST_SPREAD * peak and _lasts(top):
                return float(np.median(one[top]))
    return None


def _lasts(top: NDArray[np.bool_]) -> bool:
    """Whether tops are spread over a record: about a gap an estimate has tops of its own."""
    first, last = np.quantile(np.flatnonzero(top), (0.1, 0.9))
    return bool(last - first > _LEAST_EXTENT * top.size)
