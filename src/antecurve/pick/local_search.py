"""A good pick where no exact network guides the search: descents over combinations.

Networks of the user's own that cannot make the curve have their best combinations anywhere, many
with some values at the ends of their range.  Starts near the curve take turns with the outcomes of
differential evolution (R. Storn and K. Price, Journal of Global Optimization 11 (1997) 341-359).
From each start all pairs of positions are changed at once, by few and by many candidates, then all
triples by few, as long as that helps.  What comes out is an upper bound, not a proof.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterator
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.branch_and_bound import Space
from antecurve.pick.limits import limit_values
from antecurve.pick.model import NEPER_DB

__all__ = ["descended"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_REACHES = (1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 144)  # candidates to either side, some decades
_NEAR_REACHES = (1, 2, 4)  # for triples, whose number grows with the third power
_MISS = 10.0  # by judgement: a limit missed by 1 dB weighs as much as an error of 10 dB
_GAIN = 1e-9  # Np: smaller gains are rounding
_WORST = 1e3  # Np: no error reaches it
_AGREED = 5  # descents that end at the best of all: the next ones would as well
_POPULATION, _GENERATIONS = 12, 150  # a position; by trial: 0.2 to 0.4 s for six or seven


def descended(space: Space, starts: Indices, *, deadline: float) -> Indices:
    """Descend from combinations to ones that no change of two or three positions betters.

    Parameters
    ----------
    space : Space
        The candidates.
    starts : numpy.ndarray of int, shape (starts, elements)
        Combinations, the most promising first; evolved ones take turns, while there is time.
    deadline : float
        Value of `time.perf_counter` at which to stop.

    Returns
    -------
    numpy.ndarray of int, shape (descents, elements)
        Where the descents end, smallest error first; none where there is no time.
    """
    ends: dict[tuple[int, ...], float] = {}
    met: list[float] = []
    for start in _starts(space, starts, deadline):
        end, score = _descent(space, start, deadline)
        ends[tuple(end.tolist())] = score
        met.append(score)
        agreed = np.count_nonzero(np.array(met) <= min(met) + _GAIN)
        if time.perf_counter() > deadline or agreed >= _AGREED:
            break
    ordered = sorted(ends, key=lambda end: (ends[end], end))
    return np.array(ordered, dtype=np.int64).reshape(len(ordered), len(space.candidates))


def _starts(space: Space, starts: Indices, deadline: float) -> Iterator[Indices]:
    """The given combinations by promise, in turn with evolved ones, then evolved ones alone."""
    ordered = iter(starts[np.argsort(_score(space, starts), kind="stable")])
    for seed in itertools.count(1):
        start = next(ordered, None)
        if start is not None:
            yield start
        yield _evolved(space, seed, deadline)


def _evolved(space: Space, seed: int, deadline: float) -> Indices:
    """The combination that differential evolution over all candidates ends at."""
    from scipy.optimize import differential_evolution

    last = np.array([len(p.values) - 1 for p in space.candidates])

    def combinations_of(numbers: Floats) -> Indices:
        return np.asarray(np.minimum(numbers.T.astype(np.int64), last))

    def is_over(*_: object, **__: object) -> bool:
        return time.perf_counter() > deadline

    def cost(numbers: Floats) -> Floats:
        indices = combinations_of(numbers)
        scores = np.minimum(_score(space, indices), _WORST)
        return np.where(space.available(indices), scores, _WORST)

    evolved = differential_evolution(
        cost, [(0, end + 1) for end in last], rng=seed, maxiter=_GENERATIONS, popsize=_POPULATION,
        polish=False, vectorized=True, updating="deferred", callback=is_over,
    )  # fmt: skip
    return np.asarray(combinations_of(evolved.x))


def _descent(space: Space, start: Indices, deadline: float) -> tuple[Indices, float]:
    """Where a descent ends, and its score."""
    now, score = start, float(_score(space, start[None])[0])
    neighbourhoods = ((2, _REACHES), (3, _NEAR_REACHES))
    stage = 0
    while stage < len(neighbourhoods) and time.perf_counter() < deadline:
        around = _around(space, now, *neighbourhoods[stage])
        around = around[space.available(around)]
        scores = _score(space, around)
        best = int(np.argmin(scores)) if len(scores) else 0
        if len(scores) and scores[best] < score - _GAIN:
            now, score, stage = around[best], float(scores[best]), 0
        else:
            stage += 1
    return now, score


def _around(space: Space, now: Indices, moved: int, reaches: tuple[int, ...]) -> Indices:
    """Combinations with some positions changed."""
    count = len(now)
    offsets = [0, *reaches, *(-r for r in reaches)]
    shifts = np.array(list(product(offsets, repeat=min(moved, count))), dtype=np.int64)
    steps = []
    for positions in combinations(range(count), shifts.shape[1]):
        step = np.zeros((len(shifts), count), dtype=np.int64)
        step[:, positions] = shifts
        steps.append(step)
    around = now + np.concatenate(steps)
    last = np.array([len(p.values) - 1 for p in space.candidates])
    return around[np.all((around >= 0) & (around <= last), axis=1)]


def _score(space: Space, indices: Indices) -> Floats:
    """Centred error over some frequencies, and what the limits are missed by, weighted [Np]."""
    if not len(indices):
        return np.zeros(0)
    job = space.model.job
    values = space.values(indices)
    rows = space.model.rows(values)
    score = np.ptp(rows[:, :-1], axis=1) / 2.0
    level = job.target.level_tolerance_db / NEPER_DB
    score += _MISS * np.maximum(np.abs(rows[:, -1]) - level, 0.0)
    # Limits of the impedances are looked at where the rest is among the best.
    near = np.argsort(score, kind="stable")[: max(64, len(score) // 16)]
    limits = limit_values(space.model.topology, job, values[near])
    miss = np.zeros(len(near))
    if job.network.output_resistance_max is not None:
        miss += np.maximum(np.log(limits.output_ohm / job.network.output_resistance_max), 0.0)
    if job.network.input_impedance_min is not None:
        miss += np.maximum(np.log(job.network.input_impedance_min / limits.input_ohm), 0.0)
    unlooked = np.ones(len(score), dtype=bool)
    unlooked[near] = False
    score[near] += _MISS * miss
    score[unlooked] = np.inf
    return np.asarray(score)
