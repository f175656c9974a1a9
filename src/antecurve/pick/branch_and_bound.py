"""Branch and bound over the combinations of one network."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.balanced import balanced_topology
from antecurve.networks.topology import ElementKind
from antecurve.parts.position import PickedNetwork
from antecurve.pick.bounds import bound_boxes
from antecurve.pick.boxes import Boxes, Grids, combinations_in, joined
from antecurve.pick.candidates import Candidates
from antecurve.pick.limits import meeting_limits
from antecurve.pick.model import NetworkModel
from antecurve.pick.objective import FLOOR, ErrorOverBand, resolution
from antecurve.pick.structure import Exchange

__all__ = ["Exhausted", "Space", "exhaust"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_BATCH = 2000  # boxes at a time: spreads the cost of a call, and stays nearly depth first
_LEAF = 256  # combinations: so few are evaluated faster than bounded and split again
_AT_ONCE = 25_000  # combinations: what is at hand of them fits into a processor's cache
# Of ln of the count: a box that shrank to 1/e is bounded again before it is halved.
_WORTH_ANOTHER_LOOK = 1.0
# Best combinations kept where not all are wanted: far more than a short list takes.
_MOST_KEPT = 4096
_MOST_LISTED = 1_000_000  # combinations: bounds the memory of a complete list


@dataclass(frozen=True, slots=True, eq=False)
class Exhausted:
    """What a search through boxes found.

    Attributes
    ----------
    indices : numpy.ndarray of int, shape (combinations, elements)
        Combinations within the error limit that meet the job's limits.
    errors : numpy.ndarray of float, shape (combinations,)
        Their centred errors [Np].
    limit : float
        No combination that is not listed, or beaten by one listed, is at or below this [Np].
    complete : bool
        Whether all boxes were examined.
    evaluated : int
        Combinations evaluated one by one.
    """

    indices: Indices
    errors: Floats
    limit: float
    complete: bool
    evaluated: int


class Space:
    """The combinations of one network: candidates, rows, and what they have to meet.

    Parameters
    ----------
    model : NetworkModel
        The network and its job.
    candidates : tuple of Candidates
        Candidates of each position.
    exchanges : tuple of Exchange, optional
        Branches that can be exchanged.

    Attributes
    ----------
    forms : tuple of str
        The forms that have this topology.
    """

    def __init__(
        self,
        model: NetworkModel,
        candidates: tuple[Candidates, ...],
        exchanges: tuple[Exchange, ...] = (),
    ) -> None:
        self.model = model
        self.candidates = candidates
        self.forms: tuple[str, ...] = (model.topology.form,)
        logs = {id(p): np.log(p.values) for p in candidates}
        self.grids = Grids(tuple(logs[id(p)] for p in candidates), exchanges)
        self.error = ErrorOverBand(model)

    @property
    def combinations(self) -> float:
        """Number of combinations."""
        return float(np.prod([float(len(p.values)) for p in self.candidates]))

    def values(self, indices: Indices) -> Floats:
        """Look up element values [ohm and F], shape as `indices`.

        Parameters
        ----------
        indices : numpy.ndarray of int, shape (combinations, elements)
            Candidates of each position.

        Returns
        -------
        numpy.ndarray of float, shape (combinations, elements)
            Element values [ohm and F].
        """
        # In memory combinations come last, as whatever is done runs over all of them.
        return np.stack([p.values[indices[:, i]] for i, p in enumerate(self.candidates)]).T

    def available(self, indices: Indices) -> NDArray[np.bool_]:
        """Test which combinations the quantities on hand allow.

        Parameters
        ----------
        indices : numpy.ndarray of int, shape (combinations, elements)
            Candidates of each position.

        Returns
        -------
        numpy.ndarray of bool, shape (combinations,)
            True where no part is used more often than there is of it.
        """
        allowed = np.ones(len(indices), dtype=bool)
        for kind in ElementKind:
            here = [i for i, p in enumerate(self.candidates) if p.kind is kind]
            if not here or not self.candidates[here[0]].limited:
                continue
            used = np.concatenate(
                [
                    part[indices[:, i]][:, None]
                    for i in here
                    for part in (self.candidates[i].first, self.candidates[i].second)
                    for _ in range(self.candidates[i].legs)
                ],
                axis=1,
            )
            times = (used[:, :, None] == used[:, None, :]).sum(axis=2)
            quantity = self.candidates[here[0]].quantity
            allowed &= np.all((used < 0) | (times <= quantity[used]), axis=1)
        return allowed

    def admitted(self, indices: Indices) -> NDArray[np.bool_]:
        """Test which combinations meet the job's limits with the parts there are.

        Parameters
        ----------
        indices : numpy.ndarray of int, shape (combinations, elements)
            Candidates of each position.

        Returns
        -------
        numpy.ndarray of bool, shape (combinations,)
            True where they do.
        """
        allowed = self.available(indices)
        values = self.values(indices[allowed])
        allowed[allowed] = meeting_limits(self.model.topology, self.model.job, values)
        return allowed

    def picked(self, indices: Indices) -> PickedNetwork:
        """Make a network with parts of one combination, shape (elements,).

        Parameters
        ----------
        indices : numpy.ndarray of int, shape (elements,)
            Candidates of each position.

        Returns
        -------
        PickedNetwork
            The network; balanced where the job asks for it.
        """
        topology = self.model.topology
        if self.model.job.network.balanced:
            topology = balanced_topology(topology)
        chosen = [
            (candidates, int(i))
            for candidates, i in zip(self.candidates, indices, strict=True)
            for _ in range(candidates.legs)
        ]
        positions = tuple(
            candidates.position(element, i)
            for element, (candidates, i) in zip(topology.elements, chosen, strict=True)
        )
        return PickedNetwork(topology, positions)


@dataclass(slots=True)
class _Finds:
    """Combinations found, the limit below which they count, and how many were looked at."""

    limit: float
    keep_all: bool
    evaluated: int = 0
    indices: list[Indices] = field(default_factory=list)
    errors: list[Floats] = field(default_factory=list)

    def look(self, space: Space, leaves: Boxes) -> None:
        """Evaluate every combination of some boxes."""
        for indices in combinations_in(leaves):
            self.evaluated += len(indices)
            near = [
                first
                + space.model.near(space.values(indices[first : first + _AT_ONCE]), self.limit)
                for first in range(0, len(indices), _AT_ONCE)
            ]
            indices = indices[np.concatenate(near)]
            indices = indices[space.admitted(indices)]
            errors = space.error(space.values(indices))
            within = errors <= self.limit
            if not within.any():
                continue
            self.indices.append(indices[within])
            self.errors.append(errors[within])
            if not self.keep_all:
                self._forget()
                best = float(errors.min())
                self.limit = min(self.limit, best + 2.0 * resolution(best))

    def _forget(self) -> None:
        """Keep the best where there are very many."""
        if sum(map(len, self.errors)) <= 4 * _MOST_KEPT:
            return
        errors, indices = np.concatenate(self.errors), np.concatenate(self.indices)
        order = np.argsort(errors, kind="stable")[:_MOST_KEPT]
        self.errors, self.indices = [errors[order]], [indices[order]]

    def result(self, complete: bool, count: int) -> Exhausted:
        """Sort all combinations that were met, smallest error first."""
        indices = np.concatenate([np.zeros((0, count), dtype=np.int64), *self.indices])
        errors = np.concatenate([np.zeros(0), *self.errors])
        order = np.argsort(errors, kind="stable")
        if not self.keep_all:
            order = order[:_MOST_KEPT]
        return Exhausted(indices[order], errors[order], self.limit, complete, self.evaluated)


def exhaust(
    space: Space,
    boxes: Boxes,
    *,
    limit: float,
    keep_all: bool = False,
    watch: Callable[[float, int, int], bool] | None = None,
    deadline: float | None = None,
) -> Exhausted:
    """Find every combination in boxes that is within an error limit, or the best of them.

    Parameters
    ----------
    space : Space
        The combinations.
    boxes : Boxes
        Where to look.
    limit : float
        Largest centred error [Np].
    keep_all : bool, optional
        Whether to list all combinations within the limit (where they are no more than a
        million); else the limit follows the best found so far, and the search ends when that
        is within `antecurve.pick.objective.FLOOR`.
    watch : callable, optional
        Called with the limit, the combinations evaluated and the boxes open; to stop, it
        returns True.
    deadline : float or None, optional
        Value of `time.perf_counter` at which to stop.

    Returns
    -------
    Exhausted
        What was found; `complete` tells whether nothing was left out.  An interruption from
        the keyboard ends the search with what was found so far.
    """
    finds = _Finds(limit, keep_all)
    stack = [boxes]
    count = len(space.candidates)
    try:
        complete = _work(space, stack, finds, watch, deadline)
    except KeyboardInterrupt:
        complete = False
    return finds.result(complete, count)


def _work(
    space: Space,
    stack: list[Boxes],
    finds: _Finds,
    watch: Callable[[float, int, int], bool] | None,
    deadline: float | None,
) -> bool:
    """Examine boxes until none is left or something says stop; whether none is left."""
    while stack:
        now = _take(stack)
        bound = bound_boxes(
            space.model,
            space.grids.logs(now.first),
            space.grids.logs(now.last),
            limit=finds.limit,
        )
        keep = bound.keep
        before = now.where(keep)
        # One part in 1e12 of slack: candidates at the very end stay in.
        after, nonempty = space.grids.shrunk(
            before, bound.low[keep] - 1e-12, bound.high[keep] + 1e-12
        )
        ratio = before.sizes[nonempty] / after.where(nonempty).sizes
        worth = bound.worth[keep][nonempty]
        remaining = after.where(nonempty)
        leaf = remaining.sizes <= _LEAF
        if leaf.any():
            finds.look(space, remaining.where(leaf))
        again = np.log(ratio) > _WORTH_ANOTHER_LOOK
        if not leaf.all():
            halved = space.grids.halved(remaining.where(~leaf & ~again), worth[~leaf & ~again])
            stack.append(joined(remaining.where(~leaf & again), space.grids.ordered(halved)))
        if finds.errors and not finds.keep_all and finds.limit <= FLOOR:
            break
        if watch is not None and watch(finds.limit, finds.evaluated, sum(map(len, stack))):
            break
        if deadline is not None and time.perf_counter() > deadline:
            break
        if sum(map(len, finds.errors)) > _MOST_LISTED:
            break
    return not stack


def _take(stack: list[Boxes]) -> Boxes:
    """Take a batch of boxes off the stack, the latest first."""
    taken = [stack.pop()]
    while stack and sum(map(len, taken)) < _BATCH:
        taken.append(stack.pop())
    boxes = joined(*taken)
    if len(boxes) > _BATCH:
        stack.append(boxes.where(slice(_BATCH, None)))
        boxes = boxes.where(slice(0, _BATCH))
    return boxes
