"""Which dead zone the edges of a record leave unseen, and which further capture shows it.

Samples on the edges tell of a pause, the more the better, and best at many heights.  Where each
half period begins elsewhere between two samples, further periods do as well as a higher rate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.edge_pause import EDGE_REACH, EDGE_SHOWN, EdgeHeights, least_pause

__all__ = ["WANTED_PAUSE", "RecordedEdges", "unseen_pause"]

Floats = NDArray[np.float64]

WANTED_PAUSE = 0.1
"""Half width of a dead zone over the half swing that a pass is to exclude, by judgement."""
_OFF = 0.38  # of a sample, by which each half period is to begin elsewhere: the golden section
_STARTS = (0.0, 0.2, 0.4, 0.6, 0.8)  # of a sample: where a record begins is chance
_PERIODS = (3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100)
"""Tried; beyond, another level tells sooner."""
_ALL_OF_IT = 0.5  # of the half swing; beyond, nothing of an edge is left


@dataclass(frozen=True, slots=True, eq=False)
class RecordedEdges:
    """Edges of a record of a square wave, and the fitted one.

    Attributes
    ----------
    frequency_hz, periods, rate_hz : float
        Frequency of the square wave [Hz], length of the record and sampling rate [Hz].
    seen : EdgeHeights
        Samples on the edges.
    edge_s : numpy.ndarray of float, shape (points,)
        Times about a rising edge of the fit, ascending [s].
    edge_height : numpy.ndarray of float, shape (points,)
        The edge there, over its half height.
    """

    frequency_hz: float
    periods: float
    rate_hz: float
    seen: EdgeHeights
    edge_s: Floats
    edge_height: Floats

    @property
    def least(self) -> float:
        """The least dead zone that the record shows with 95 %, over the half swing."""
        return least_pause(self.seen, wanted=WANTED_PAUSE)

    def captured(self, *, periods: int, half_period: float, start: float) -> EdgeHeights:
        """Predict the samples on the edges of another record at the same rate.

        Parameters
        ----------
        periods : int
            Its length.
        half_period : float
            Half a period in samples.
        start : float
            Where the first edge lies between two samples, 0 to 1.

        Returns
        -------
        EdgeHeights
            With the noise of this record.
        """
        number = np.arange(2 * periods)[:, None]
        reach = math.floor(EDGE_REACH * half_period)
        since = np.arange(-reach, reach) + np.mod(start + half_period * number, 1.0)
        sign = np.broadcast_to(1.0 - 2.0 * (number % 2), since.shape).ravel()
        since = since.ravel() / self.rate_hz
        slope = np.gradient(self.edge_height, self.edge_s)
        height, slope = (np.interp(since, self.edge_s, v) for v in (self.edge_height, slope))
        edges = EdgeHeights(height, 0.0 * height, slope, sign, self.seen.noise)
        return edges.chosen((np.abs(height) < EDGE_SHOWN) & (slope > 0.0))


def unseen_pause(records: Sequence[RecordedEdges]) -> str:
    """Say which dead zone the edges of captures leave unseen.

    Parameters
    ----------
    records : sequence of RecordedEdges
        Those that were looked at.

    Returns
    -------
    str
        With the capture that would show it; empty where one record shows it, or there is none.
    """
    if not records or min(edges.least for edges in records) <= WANTED_PAUSE:
        return ""
    best = min(records, key=lambda edges: (edges.least, -edges.seen.height.size))
    unseen = (
        f"The pass leaves open a dead zone of up to {100.0 * best.least:.2g} % of the half swing. "
        "The edges captured need not show it"
        if best.least < _ALL_OF_IT
        else "The pass leaves open a dead zone. Too few samples lie on the edges captured"
    )
    return f"{unseen}. {_advice(best)}"


def _advice(edges: RecordedEdges) -> str:
    """The capture that shows it, in words."""
    half_period = math.floor(0.5 * edges.rate_hz / edges.frequency_hz) + _OFF

    def least(periods: int) -> float:
        drawn = (edges.captured(periods=periods, half_period=half_period, start=s) for s in _STARTS)
        return max(least_pause(samples, wanted=WANTED_PAUSE) for samples in drawn)

    periods = next((n for n in _PERIODS if n > edges.periods and least(n) <= WANTED_PAUSE), None)
    wanted = f"{100.0 * WANTED_PAUSE:.0f} %"
    if periods is None:
        return f"Capture again at a level 10 dB lower too: one of {wanted} then shows"
    square_hz = 0.5 * edges.rate_hz / half_period
    return (
        f"Capture {square_hz:.5g} Hz over {periods} periods at {edges.rate_hz:,.0f} samples a "
        f"second: one of {wanted} then shows"
    )
