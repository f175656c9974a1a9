"""Where the search for the best combination of a network begins that cannot make the curve."""

from __future__ import annotations

import math
import time

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.branch_and_bound import Space
from antecurve.pick.model import NEPER_DB
from antecurve.synthesis.minimax import minimax

__all__ = ["minimax_starts"]

Floats = NDArray[np.float64]

_POLISHED = 4  # starts: a few tenths of a second each
_LEAST_GAIN = 1e-3  # of the error in a step: candidates are further apart than what follows
_ROUNDS = 3  # in which the weight of the level follows the error


def minimax_starts(space: Space, starts: Floats, *, until: float = math.inf) -> Floats:
    """Move networks to the smallest centred errors within the range of the candidates.

    Parameters
    ----------
    space : Space
        The network.
    starts : numpy.ndarray of float, shape (starts, elements)
        Logarithms of element values within the range, the most promising first.
    until : float, optional
        Value of `time.perf_counter` from which no further step is taken.

    Returns
    -------
    numpy.ndarray of float, shape (polished, elements)
        Logarithms of element values of the first few, smallest error first.
    """
    polished = np.array(
        [
            _polished(space, start, until)
            for number, start in enumerate(starts[:_POLISHED])
            if number == 0 or time.perf_counter() < until
        ]
    )
    errors = np.ptp(space.model.rows(np.exp(polished))[:, :-1], axis=1)
    return np.asarray(polished[np.argsort(errors, kind="stable")])


def _polished(space: Space, start: Floats, until: float) -> Floats:
    """The smallest largest error near a start; the last unknown is the middle of the errors."""
    low = np.array([*(g[0] for g in space.grids.grids), -np.inf])
    high = np.array([*(g[-1] for g in space.grids.grids), np.inf])
    tolerance = max(space.model.job.target.level_tolerance_db / NEPER_DB, 1e-6)
    rows = space.model.rows(np.exp(start)[None])[0]
    point = np.append(start, (rows[:-1].max() + rows[:-1].min()) / 2.0)
    for _ in range(_ROUNDS):
        rows = space.model.rows(np.exp(point[None, :-1]))[0]
        # With this weight the level is within its tolerance where the error is no larger.
        weight = float(np.ptp(rows[:-1])) / 2.0 / tolerance

        def error(at: Floats, weight: float = weight) -> tuple[Floats, Floats]:
            linear = space.model.linearise(np.exp(at[None, :-1]))
            errors = np.append(linear.rows[0, :-1] - at[-1], weight * linear.rows[0, -1])
            slopes = np.zeros((len(errors), len(at)))
            slopes[:, :-1] = linear.slopes[0]
            slopes[:-1, -1] = -1.0
            slopes[-1] *= weight
            return errors, slopes

        point = minimax(error, point, within=(low, high), least_gain=_LEAST_GAIN, until=until)
    return point[:-1]
