"""The proof of a joint pick: no other parts of the same network and switch do better.

Boxes of shared candidates are examined, level by level.  With each box go, for every position of
the switch, boxes of its switched candidates.  The bounds of the pick of one curve
(`antecurve.pick.bounds`) say for a shared box and one of these whether any combination in both
can be within the limit, and cut both down.  A shared box goes when some position has no switched
box that is left; what is left after that is halved along the shared candidates alone, since the
positions do not depend on each other once the shared parts are chosen.  Where few combinations
are left they are evaluated one by one.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.bounds import bound_boxes
from antecurve.pick.boxes import Boxes, Grids, combinations_in, joined
from antecurve.pick.model import NEPER_DB
from antecurve.pick.monotone_bounds import monotone_cut
from antecurve.switched.joint_space import JointPick, JointSpace

__all__ = ["JointExhausted", "exhaust_jointly"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_LEAF = 400  # combinations of a position in a shared box: evaluated as fast as bounded and split
_BATCH = 3000  # shared boxes at a time: bounds the memory, and goes nearly depth first
_COARSE_DB = 0.02  # narrower limits cut hardly more boxes at first
_PAIRS = 4_000_000  # of boxes compared at a time: some 100 MB
_WIDE = 1.5  # times the widest shared side: a wider switched box is halved
_SLACK = 1e-12  # of a logarithm: candidates at the very end stay in


@dataclass(frozen=True, slots=True, eq=False)
class JointExhausted:
    """What the search through all boxes came to.

    Attributes
    ----------
    best : JointPick or None
        The best combination within the limit; ``None`` for none.
    complete : bool
        Whether every box was examined.
    evaluated : int
        Combinations of a position that were evaluated one by one.
    interrupted : bool
        Whether an interruption from the keyboard ended the search.
    """

    best: JointPick | None
    complete: bool
    evaluated: int
    interrupted: bool = False


@dataclass(slots=True, eq=False)
class _Front:
    """Shared boxes, and for each position its own boxes with the shared box that each is of."""

    shared: Boxes
    owner: list[Indices]
    own: list[Boxes]

    def __len__(self) -> int:
        return len(self.shared)

    def keep(self, chosen: NDArray[np.bool_]) -> None:
        """Drop shared boxes, and what belongs to them."""
        number = np.cumsum(chosen) - 1
        self.shared = self.shared.where(chosen)
        for k, owner in enumerate(self.owner):
            stays = chosen[owner]
            self.owner[k] = number[owner[stays]]
            self.own[k] = self.own[k].where(stays)

    def part(self, first: int, last: int) -> _Front:
        """Select a run of shared boxes."""
        chosen = np.zeros(len(self), dtype=bool)
        chosen[first:last] = True
        copy = _Front(self.shared, list(self.owner), list(self.own))
        copy.keep(chosen)
        return copy


class _Joint:
    """One search: the combinations, the limit, and what was met."""

    def __init__(self, space: JointSpace, limit: float, deadline: float) -> None:
        self.space = space
        self.limit = limit
        self.deadline = deadline
        self.best: JointPick | None = None
        self.evaluated = 0
        self.order = sorted(
            range(len(space.positions)), key=lambda k: -len(space.positions[k].common)
        )

    def late(self) -> bool:
        """Whether the time is over."""
        return time.perf_counter() > self.deadline

    def begin(self) -> _Front | None:
        """Cut every position's combinations by monotone bounds and join the cuts."""
        count = len(self.space.grids.grids)
        whole = self.space.grids.whole() if count else Boxes(*np.zeros((2, 1, 0), dtype=np.int64))
        front = _Front(whole, [], [])
        for position in self.space.positions:
            own = [position.space.candidates[i] for i in position.own]
            last = np.array([[len(c.values) - 1 for c in own]], dtype=np.int64).reshape(1, -1)
            front.owner.append(np.zeros(1, dtype=np.int64))
            front.own.append(Boxes(np.zeros_like(last), last))
        for k in self.order:
            cut = self._cut(k)
            joined_front = self._joined(front, k, cut)
            if joined_front is None:
                return None
            front = joined_front
            if not len(front):
                return front
            self.bound(front, k)
        return front

    def _cut(self, number: int) -> Boxes:
        """Boxes of one position's combinations that monotone bounds do not exclude."""
        wide = max(self.limit, _COARSE_DB / NEPER_DB)
        known = self.space.cuts.get((number, wide))
        if known is None:
            space = self.space.positions[number].space
            known = monotone_cut(space.model, space.grids, limit=wide, deadline=self.deadline)
            if not self.late():  # else it is wider than it need be
                self.space.cuts[number, wide] = known
        return known

    def _joined(self, front: _Front, number: int, cut: Boxes) -> _Front | None:
        """Shared boxes that overlap with those of one more position; ``None`` when late."""
        position = self.space.positions[number]
        common, columns = position.common, position.shared[position.common]
        keys = np.concatenate([cut.first[:, common], cut.last[:, common]], axis=1)
        distinct, group = np.unique(keys, axis=0, return_inverse=True)
        first, last = distinct[:, : len(common)], distinct[:, len(common) :]
        order = np.argsort(group.ravel(), kind="stable")
        ends = np.searchsorted(group.ravel()[order], np.arange(len(distinct) + 1))
        pieces: list[tuple[Indices, Indices]] = []
        step = max(1, _PAIRS // max(len(distinct), 1))
        for start in range(0, len(front), step):
            if self.late():
                return None
            here = front.shared.where(slice(start, start + step))
            overlap = np.ones((len(here), len(distinct)), dtype=bool)
            for i, column in enumerate(columns):
                overlap &= here.first[:, column, None] <= last[None, :, i]
                overlap &= here.last[:, column, None] >= first[None, :, i]
            one, other = np.nonzero(overlap)
            pieces.append((one + start, other))
        parent = np.concatenate([p for p, _ in pieces])
        of_cut = np.concatenate([c for _, c in pieces])
        shared = Boxes(front.shared.first[parent].copy(), front.shared.last[parent].copy())
        shared.first[:, columns] = np.maximum(shared.first[:, columns], first[of_cut])
        shared.last[:, columns] = np.minimum(shared.last[:, columns], last[of_cut])
        made = _Front(shared, [], [])
        for k in range(len(self.space.positions)):
            if k == number:
                counts = np.diff(ends)[of_cut]
                owner = np.repeat(np.arange(len(parent)), counts)
                offset = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
                members = order[ends[of_cut][owner] + offset]
                own = Boxes(cut.first[members][:, position.own], cut.last[members][:, position.own])
            else:
                owner, members = _inherited(front.owner[k], parent, len(front))
                own = Boxes(front.own[k].first[members], front.own[k].last[members])
            made.owner.append(owner)
            made.own.append(own)
        return made

    def bound(self, front: _Front, number: int) -> None:
        """Bound one position's boxes, cut them and the shared boxes down, drop what is empty."""
        position = self.space.positions[number]
        owner, own = front.owner[number], front.own[number]
        boxes = Boxes(
            position.filled(front.shared.first[owner], own.first),
            position.filled(front.shared.last[owner], own.last),
        )
        grids = position.space.grids
        keep = np.zeros(len(boxes), dtype=bool)
        for start in range(0, len(boxes), _BATCH):
            part = boxes.where(slice(start, start + _BATCH))
            bound = bound_boxes(
                position.space.model, grids.logs(part.first), grids.logs(part.last),
                limit=self.limit,
            )  # fmt: skip
            cut, nonempty = grids.shrunk(part, bound.low - _SLACK, bound.high + _SLACK)
            boxes.first[start : start + _BATCH], boxes.last[start : start + _BATCH] = (
                cut.first, cut.last,
            )  # fmt: skip
            keep[start : start + _BATCH] = bound.keep & nonempty
        boxes, owner = boxes.where(keep), owner[keep]
        front.owner[number] = owner
        front.own[number] = Boxes(boxes.first[:, position.own], boxes.last[:, position.own])
        low, high = front.shared.last.copy(), front.shared.first.copy()
        for element in position.common:
            column = position.shared[element]
            np.minimum.at(low[:, column], owner, boxes.first[:, element])
            np.maximum.at(high[:, column], owner, boxes.last[:, element])
            front.shared.first[:, column] = np.maximum(
                front.shared.first[:, column], low[:, column]
            )
            front.shared.last[:, column] = np.minimum(front.shared.last[:, column], high[:, column])
        alive = np.bincount(owner, minlength=len(front)) > 0
        alive &= np.all(front.shared.first <= front.shared.last, axis=1)
        front.keep(alive)

    def narrow(self, front: _Front, number: int) -> None:
        """Halve one position's boxes that are much wider than the shared ones."""
        position = self.space.positions[number]
        grids = [position.space.grids.grids[i] for i in position.own]
        if not grids:
            return
        owner, own = front.owner[number], front.own[number]
        sides = np.stack([g[own.last[:, i]] - g[own.first[:, i]] for i, g in enumerate(grids)], 1)
        widest = self._sides(front.shared).max(axis=1, initial=0.0)[owner]
        wide = sides.max(axis=1) > _WIDE * widest
        wide &= own.sizes > _LEAF / 4.0
        if not wide.any():
            return
        halves = Grids(tuple(grids)).halved(own.where(wide), sides[wide])
        front.own[number] = joined(own.where(~wide), halves)
        front.owner[number] = np.concatenate([owner[~wide], owner[wide], owner[wide]])
        self.bound(front, number)

    def _sides(self, shared: Boxes) -> Floats:
        """Lengths of the sides of shared boxes [ln of the value]."""
        grids = self.space.grids
        return np.asarray(grids.logs(shared.last) - grids.logs(shared.first))

    def leaves(self, front: _Front) -> NDArray[np.bool_]:
        """Tell which shared boxes have few combinations in every position."""
        few = front.shared.sizes <= _LEAF
        for k, position in enumerate(self.space.positions):
            common = position.shared[position.common]
            size = np.prod(
                (front.shared.last - front.shared.first + 1)[:, common].astype(float), axis=1
            )
            total = np.bincount(
                front.owner[k], weights=front.own[k].sizes * size[front.owner[k]],
                minlength=len(front),
            )  # fmt: skip
            few &= (total <= _LEAF) | (front.shared.sizes <= 1.0)
        return few

    def look(self, front: _Front) -> None:
        """Evaluate every combination of some shared boxes."""
        alive: Indices | None = None
        listed: list[dict[int, list[tuple[float, Indices]]]] = []
        shape = [len(g) for g in self.space.grids.grids]
        for k in self.order:
            entries = self._listed(front, k, alive, shape)
            listed.append(entries)
            alive = np.array(sorted(entries), dtype=np.int64)
            if not len(alive):
                return
        assert alive is not None
        for key in alive.tolist():
            lists = [listed[self.order.index(k)][key] for k in range(len(self.order))]
            shared = np.array(np.unravel_index(key, shape), dtype=np.int64)
            pick = self.space.assigned(shared, lists)
            if pick is not None and pick.error_db / NEPER_DB <= self.limit:
                self.best, self.limit = pick, pick.error_db / NEPER_DB

    def _listed(
        self, front: _Front, number: int, alive: Indices | None, shape: list[int]
    ) -> dict[int, list[tuple[float, Indices]]]:
        """Choices of one position within the limit, by the number of the shared combination."""
        position = self.space.positions[number]
        owner, own = front.owner[number], front.own[number]
        count = len(shape)
        both = Boxes(
            np.concatenate([front.shared.first[owner], own.first], axis=1),
            np.concatenate([front.shared.last[owner], own.last], axis=1),
        )
        space = position.space
        entries: dict[int, list[tuple[float, Indices]]] = {}
        for chosen in combinations_in(both):
            keys = np.ravel_multi_index(tuple(chosen[:, :count].T), shape)
            if alive is not None:
                near = np.isin(keys, alive)
                chosen, keys = chosen[near], keys[near]
            self.evaluated += len(chosen)
            indices = position.filled(chosen[:, :count], chosen[:, count:])
            rows = space.model.rows(space.values(indices))[:, :-1]
            near = np.ptp(rows, axis=1) <= 2.0 * self.limit
            indices, keys = indices[near], keys[near]
            admitted = space.admitted(indices)
            indices, keys = indices[admitted], keys[admitted]
            errors = space.error(space.values(indices))
            for i in np.flatnonzero(errors <= self.limit).tolist():
                choice = (float(errors[i]) * NEPER_DB, indices[i][position.own])
                entries.setdefault(int(keys[i]), []).append(choice)
        most = None if self.space.limited else 1  # without scarce parts the best one is enough
        return {
            key: sorted(choices, key=lambda choice: choice[0])[:most]
            for key, choices in entries.items()
        }

    def halved(self, front: _Front) -> _Front:
        """Halve shared boxes along their widest side; their own boxes go with both halves."""
        shared = self.space.grids.halved(front.shared, self._sides(front.shared))
        count = len(front)
        return _Front(
            shared,
            [np.concatenate([o, o + count]) for o in front.owner],
            [Boxes(*(np.concatenate([a, a]) for a in (b.first, b.last))) for b in front.own],
        )


def _inherited(owner: Indices, parent: Indices, count: int) -> tuple[Indices, Indices]:
    """Owners and members of own boxes when shared boxes are taken from parents."""
    order = np.argsort(owner, kind="stable")
    ends = np.searchsorted(owner[order], np.arange(count + 1))
    counts = np.diff(ends)[parent]
    made = np.repeat(np.arange(len(parent)), counts)
    offset = np.arange(len(made)) - np.repeat(np.cumsum(counts) - counts, counts)
    return made, order[ends[parent][made] + offset]


def exhaust_jointly(
    space: JointSpace,
    *,
    limit: float,
    deadline: float,
    watch: Callable[[int], None] | None = None,
) -> JointExhausted:
    """Find the best combination of a box within an error limit, or prove that there is none.

    Parameters
    ----------
    space : JointSpace
        The combinations.
    limit : float
        Largest centred error of any position [Np].
    deadline : float
        Value of `time.perf_counter` at which to stop.
    watch : callable, optional
        Called now and then with the number of combinations evaluated.

    Returns
    -------
    JointExhausted
        The best; `complete` tells whether nothing was left out.  An interruption from the
        keyboard ends the search with the best so far.
    """
    search = _Joint(space, limit, deadline)
    try:
        complete = _examined(search, watch)
    except KeyboardInterrupt:
        return JointExhausted(search.best, False, search.evaluated, interrupted=True)
    return JointExhausted(search.best, complete, search.evaluated)


def _examined(search: _Joint, watch: Callable[[int], None] | None) -> bool:
    """Examine boxes until none remains or the time is over; whether none remains."""
    begun = search.begin()
    if begun is None:
        return False
    stack = [begun]
    while stack and not search.late():
        if watch is not None:
            watch(search.evaluated)
        front = stack.pop()
        if len(front) > _BATCH:
            stack.append(front.part(_BATCH, len(front)))
            front = front.part(0, _BATCH)
        for k in search.order:
            if len(front):
                search.bound(front, k)
            if len(front):
                search.narrow(front, k)
        if not len(front):
            continue
        few = search.leaves(front)
        if few.any():
            leaves = _Front(front.shared, list(front.owner), list(front.own))
            leaves.keep(few)
            search.look(leaves)
        front.keep(~few)
        if len(front):
            stack.append(search.halved(front))
    return not stack
