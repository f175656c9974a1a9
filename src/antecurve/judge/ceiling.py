"""Samples that crowd below one level for long runs: what clips makes them, and no linear unit.

A crest of a smooth signal is a parabola: 2.4 times as many of its samples lie within w of its top
as between w and 2 w.  A top that falls from an edge has as many, and of rare crests hardly two are
as high.  What is clipped stands at its limit, and the signal passes soon through what is below.  At
a frequency that divides the sampling rate a crest has few levels; runs of six samples that a
parabola makes reach below w again.  Of the stimulus behind the measured response likewise: what it
crowds at by itself is no limit.  A square wave is crowded at its tops anyway; only tops count that
fall on before the next edge.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.flat_tops import FlatTops

__all__ = ["ceiling"]

Floats = NDArray[np.float64]

_WIDTHS = np.geomspace(2e-4, 0.03, 14)  # of the peak: noise 85 to 40 dB below it
_STEPS = 4.0  # of a converter: a crest stands on one of them, and on two
_OUTLIERS = 3  # samples that a click may put above
_RUN = 6  # samples: of a parabola, so sampled, a quarter and more lies between w and 2 w
_USUAL = 3.0  # samples that may be missing between by chance: three rare crests of a run each
_CROWDED = 4.0  # times; of 420 sound records 2.4 at most
_OWN = 0.5  # of it, what the stimulus shows as well
_LEFT = 0.7  # of the highest: what falls below ends a top of a square wave
_PARTS = 100  # of a top: a first-order corner of 20 Hz lets it droop by 2 % in one, at 23 Hz
_EDGE = 4  # samples, in which a top that is smooth falls below


def ceiling(
    output: Floats, explained: Floats, *, square: bool, step: float = 0.0
) -> FlatTops | None:
    """Find a level that tops of an output stand at, and those of the stimulus do not.

    Parameters
    ----------
    output : numpy.ndarray of float, shape (samples,)
        The output as sampled.
    explained : numpy.ndarray of float, shape (samples,)
        What of it the stimulus explains.
    square : bool
        Whether the stimulus is a square wave: what explains an output then takes on its shape, and
        tops are judged by themselves.
    step : float, optional
        Step of the converter, in the output's unit; 0 for none.

    Returns
    -------
    FlatTops or None
        Level and share of the samples; ``None`` where no top stands at a limit.
    """
    crossings = np.count_nonzero(np.diff(np.signbit(output)))
    part = output.size // (_PARTS * max(1, int(crossings)))
    if square:
        smoothed = _smoothed(output, part)
        return _ceiling(output, None, _EDGE, step) or _ceiling(smoothed, None, _EDGE + part, step)
    return _ceiling(output, explained, None, step)


def _ceiling(
    output: Floats, explained: Floats | None, edge: int | None, step: float
) -> FlatTops | None:
    """The limit, by tops beside those explained, or before edges of so many samples."""
    for sign in (1.0, -1.0):
        own, width, number = _crowding(sign * output, edge)
        if explained is not None:
            others = _crowding(sign * explained, None)[0]
            own = np.where(others < _OWN * own, own, 0.0)
        own = np.where(width < _STEPS * step, 0.0, own)
        best = int(np.argmax(own))
        if own[best] > _CROWDED:
            end = _end(sign * output)
            return FlatTops(sign * (end - float(width[best]) / 2.0), number[best] / output.size)
    return None


def _smoothed(samples: Floats, count: int) -> Floats:
    """Means of so many samples, whose noise is less."""
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(samples, max(1, count)))


def _end(samples: Floats) -> float:
    """The highest sample but what a click may be."""
    return float(np.partition(samples, -1 - _OUTLIERS)[-1 - _OUTLIERS])


def _crowding(samples: Floats, edge: int | None) -> tuple[Floats, Floats, NDArray[np.intp]]:
    """Samples of runs within each width over those in the next one; widths and numbers."""
    end, width = _end(samples), _WIDTHS * float(np.abs(samples).max())
    near = np.flatnonzero(samples > end - 2.0 * float(width[-1]))
    values = samples[near]
    number = np.zeros(width.size, dtype=np.intp)
    ratio = np.zeros(width.size)
    for index, w in enumerate(width):
        at = near[values > end - w]
        breaks = np.flatnonzero(np.diff(at) > 1)
        last = at[np.append(breaks, at.size - 1)]
        length = np.diff(breaks, prepend=-1, append=at.size - 1)
        counts = length >= _RUN
        if edge is not None:
            counts &= _before_edge(samples, last, least=_LEFT * end, edge=edge) < end - 2.0 * w
        number[index] = length[counts].sum()
        ratio[index] = number[index] / (np.count_nonzero(values > end - 2.0 * w) - at.size + _USUAL)
    return ratio, width, number


def _before_edge(samples: Floats, last: NDArray[np.intp], *, least: float, edge: int) -> Floats:
    """The level that each run's top has at its end; infinite where the record ends before."""
    high = samples > least
    ends = np.append(np.flatnonzero(high[:-1] & ~high[1:]), samples.size)
    end = ends[np.searchsorted(ends, last)]
    level = samples[np.maximum(np.minimum(end, samples.size - 1) - edge, last)]
    return np.where(end < samples.size, level, np.inf)
