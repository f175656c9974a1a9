"""A good joint pick quickly: shared positions rounded one at a time, then improved step by step.

What comes out is an upper bound for the search, not a proof.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.rounding import neighbours_of
from antecurve.switched.joint_space import JointPick, JointSpace

__all__ = ["picks_near", "rounded_picks"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_AGAIN = 4  # rounds of least squares after a position is rounded: they start near
_IMPROVEMENTS = 8  # rounds of neighbours at most; most end after three
_KEPT = 5  # picks whose neighbours are tried
_STARTS = 40  # solutions over level and impedance that are rounded
_SCALES = np.linspace(-4.0, 4.0, 33)  # ln of the impedance, against the solution


def rounded_picks(space: JointSpace, solution: Floats) -> list[JointPick]:
    """Round solutions to parts.

    Parameters
    ----------
    space : JointSpace
        The combinations.
    solution : numpy.ndarray of float, shape (variables,)
        Exact values of all positions.

    Returns
    -------
    list of JointPick
        Smallest error first; none where no pick meets the limits.
    """
    joint = space.joint
    kinds = {e.ref: e.kind.unit for e in joint.topology.elements}
    direction = np.array([1.0 if kinds[ref] == "ohm" else -1.0 for ref, _ in joint.keys])
    solved = joint.solve(solution + _SCALES[:, None] * direction)
    near = (solved.error_db < 10.0 * max(solved.error_db[0], 1e-3)) & (solved.level_db == 0.0)
    logs = solved.logs[near][:_STARTS]
    shared = np.zeros((len(logs), len(joint.shared)), dtype=np.int64)
    free = list(range(len(joint.keys)))
    density = [len(g) / max(float(np.ptp(g)), 1e-9) for g in space.grids.grids]
    for column in (int(i) for i in np.argsort(density, kind="stable")):
        grid = space.grids.grids[column]
        shared[:, column] = _nearest(grid, logs[:, column])
        logs[:, column] = grid[shared[:, column]]
        free.remove(column)
        if free:
            logs = joint.solve(logs, free=np.array(free), rounds=_AGAIN, ordered=False).logs
    return _improved(space, space.best(shared, logs, most=_KEPT), logs, shared)


def picks_near(space: JointSpace, pick: JointPick, solution: Floats) -> list[JointPick]:
    """Improve a pick step by step where the candidates of its switched positions are others.

    Parameters
    ----------
    space : JointSpace
        The combinations.
    pick : JointPick
        Where to begin: its shared parts.
    solution : numpy.ndarray of float, shape (variables,)
        Exact values of all positions.

    Returns
    -------
    list of JointPick
        Smallest error first; none where no pick meets the limits.
    """
    shared, logs = pick.shared[None], solution[None]
    return _improved(space, space.best(shared, logs, most=_KEPT), logs, shared)


def _improved(
    space: JointSpace, picks: list[JointPick], logs: Floats, shared: Indices
) -> list[JointPick]:
    """The picks and better ones among their neighbours, until there are none."""
    seen = {row.tobytes() for row in shared}
    if not picks and len(shared):
        picks = space.best(*_around(space, shared, logs, shared, seen), most=_KEPT)
    for _ in range(_IMPROVEMENTS):
        if not picks:
            return []
        before = picks[0].error_db
        seeds = np.array([p.shared for p in picks[:_KEPT]])
        near = space.best(*_around(space, seeds, logs, shared, seen), most=_KEPT)
        picks = _merged(picks, near)
        if not picks[0].error_db < before:
            break
    return picks


def _around(
    space: JointSpace, seeds: Indices, logs: Floats, shared: Indices, seen: set[bytes]
) -> tuple[Indices, Floats]:
    """Neighbours of shared parts not seen yet, each with the values of the nearest solution."""
    sizes = np.array([len(g) for g in space.grids.grids])
    around = neighbours_of(seeds, sizes)
    around = around[[row.tobytes() not in seen for row in around]]
    seen.update(row.tobytes() for row in around)
    values = space.grids.logs(around)
    known = space.grids.logs(shared)
    nearest = ((values[:, None] - known[None]) ** 2).sum(axis=2).argmin(axis=1)
    return around, logs[nearest]


def _merged(*lists: list[JointPick]) -> list[JointPick]:
    """Picks of several lists, smallest error first, each shared choice once."""
    by_shared: dict[bytes, JointPick] = {}
    for pick in (p for picks in lists for p in picks):
        known = by_shared.get(pick.shared.tobytes())
        if known is None or pick.error_db < known.error_db:
            by_shared[pick.shared.tobytes()] = pick
    return sorted(by_shared.values(), key=lambda p: p.error_db)


def _nearest(grid: Floats, values: Floats) -> Indices:
    middle = (grid[1:] + grid[:-1]) / 2.0
    return np.searchsorted(middle, values).astype(np.int64)
