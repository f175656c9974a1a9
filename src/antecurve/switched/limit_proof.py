"""Proof that no values keep the limit of several curves while given positions alone are switched.

The curves' networks share the values that are not switched.  Boxes of values are excluded by
`antecurve.switched.limit_bounds`, each curve by itself, and by combinations of the rows of all
curves together (`antecurve.pick.affine.parted`): what is affine in the shared values and in each
curve's own has no point in common.  What remains is halved along the variable that costs the best
combination most.

The boxes begin with a cover of what keeps the limit of one curve; those of the others narrow it.
Values are told by their ratio to a gauge, a shared one: the impedance level is free.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.topology import ElementKind, Topology
from antecurve.switched.limit_bounds import FAR, RELATIVE, LimitBounds, LimitRows
from antecurve.switched.limit_cover import (
    Cover,
    Ends,
    halves,
    joined,
    narrowed,
    parted_boxes,
    with_pole,
)

__all__ = ["NothingWithin"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
_Steps = Generator[int, None, bool]
_Told = Generator[int, None, tuple[Floats, Floats, Floats]]

_MOST_CURVES = 3  # at once, and a flat one: of more the rows are too many
_SAMPLED = 3  # of the boxes of a cover one in three tells which two curves come first
_QUICK = 8  # boxes that curves by themselves exclude take the time of one of the others
_SHORT = 0.6  # of boxes of one curve, as others narrow them
_BATCH = 2000  # boxes at a time: bounds the memory, and goes nearly depth first
_MOST_JOINED = 6000  # boxes of several curves: beyond it they stay as they are
_DENSE = 3  # variables compared for all pairs of boxes: few are left then
_MOST_PAIRS = 300_000  # of boxes compared at a time: some 10 MB
_FLAT_AT_ONCE = 200  # boxes of a flat curve: of more there is no end
_SHARE_OF_FLAT, _MOST_OF_FLAT = 1, 1500  # boxes of it: no more than those it may exclude
_NARROW = 1e-3  # of a logarithm: a box that is left so narrow holds values for all curves


class _Form:
    """The elements of a form by their kinds, and the two resistors that take source and load."""

    def __init__(self, topology: Topology, resistors: tuple[int, int]) -> None:
        self.refs = topology.refs
        self.series, self.shunt = resistors
        self.signs = np.array(
            [1.0 if e.kind is ElementKind.RESISTOR else -1.0 for e in topology.elements]
        )


def _pairs(
    variables: Sequence[int], low: Floats, high: Floats, other_low: Floats, other_high: Floats
) -> tuple[Indices, Indices]:
    """Which boxes overlap with which others in some variables, box by box."""
    overlap = np.ones((len(low), len(other_low)), dtype=bool)
    for v in variables[:_DENSE]:
        overlap &= low[:, None, v] <= other_high[None, :, v]
        overlap &= high[:, None, v] >= other_low[None, :, v]
    box, other = overlap.nonzero()
    for v in variables[_DENSE:]:  # of few pairs one by one
        kept = (low[box, v] <= other_high[other, v]) & (high[box, v] >= other_low[other, v])
        box, other = box[kept], other[kept]
    return box, other


class NothingWithin:
    """A proof under way that no values keep the limit of all curves: each turn goes on.

    Parameters
    ----------
    topology : Topology
        The whole network.
    resistors : tuple of int
        Places of the resistors that take source and load.
    curves : sequence of tuple
        The bounds of each position of the switch, with its cover; ``None`` for a flat one.
    switched : frozenset of str
        Positions that may have a value of their own, or none, in each position of the switch.

    Attributes
    ----------
    proved : bool
        Whether there are no such values.
    ended : bool
        Whether there is nothing left to look into: proved, or nothing will prove it.
    bounded : int
        Boxes so far.
    """

    def __init__(
        self, topology: Topology, resistors: tuple[int, int],
        curves: Sequence[tuple[LimitBounds, Cover | None]], switched: frozenset[str],
    ) -> None:  # fmt: skip
        self.proved = self.ended = False
        self.bounded = 0
        self._form = _Form(topology, resistors)
        self._curves = curves
        series, shunt = (topology.refs[i] for i in resistors)
        # What lies across the output is part of what is in series, unless it alone is switched.
        self._whole = shunt not in switched or series in switched
        self._shift = RELATIVE if self._whole else 0.0
        shared = [i for i, ref in enumerate(topology.refs) if ref not in switched]
        self._gauge = resistors[1]
        if shunt in switched:
            others = [i for i in shared if i not in resistors] or shared
            self._gauge = others[0] if others else -1
        self._number(switched)
        self._steps = self._run()

    def advance(self, most: int) -> bool:
        """Go on until there is a proof or the boxes are as many as they may be.

        Parameters
        ----------
        most : int
            Boxes, those of earlier turns among them.

        Returns
        -------
        bool
            Whether there is a proof.
        """
        while not self.ended and self.bounded < most:
            try:
                self.bounded += next(self._steps)
            except StopIteration as done:
                self.proved, self.ended = bool(done.value), True
        return self.proved

    def _number(self, switched: frozenset[str]) -> None:
        """Give each value and each free pole its variable; -1 is the gauge."""
        number: dict[tuple[str, str], int] = {}
        self._columns: list[Indices] = []
        self._told = 0
        for bounds, _ in self._curves:
            keys = [(ref, bounds.name if ref in switched else "") for ref in self._form.refs]
            columns = [
                -1 if i == self._gauge else number.setdefault(key, len(number))
                for i, key in enumerate(keys)
            ]
            if bounds.poles is not None:
                columns.append(number.setdefault(("", bounds.name), len(number)))
            self._columns.append(np.array(columns))
        self._variables = len(number)
        self._shared = [v for (ref, name), v in number.items() if not name]

    def _run(self) -> _Steps:
        """Cover, join and halve until nothing is left."""
        covers = {k: self._lifted(c) for k, (_, c) in enumerate(self._curves) if c is not None}
        if self._gauge < 0 or not covers:
            return False
        boxes = {k: self._placed(k, *ends) for k, ends in covers.items()}
        order = self._order(boxes)
        flat = [k for k in range(len(self._curves)) if k not in covers]
        members, (low, high) = order[:1], boxes[order[0]]
        worth = np.ones_like(low)
        for k in order[1:2]:
            low, high, worth = yield from self._beside(low, high, members, k, boxes[k])
        if flat and len(low) and (yield from self._flat_excludes(low, high, flat[0])):
            return True
        for k in order[2:]:
            low, high, worth = yield from self._beside(low, high, members, k, boxes[k])
        for k in flat[:1] if len(low) else ():
            members.append(k)
            ends = self._placed(k, *self._anything(self._curves[k][0]))
            low, high = np.maximum(low, ends[0]), np.minimum(high, ends[1])
            low, high, worth = yield from self._excluded(low, high, members)
        stack = [halves(low, high, worth.argmax(axis=1))] if len(low) else []
        while stack:
            low, high = stack.pop()
            if len(low) > _BATCH:
                stack.append((low[_BATCH:], high[_BATCH:]))
            low, high, worth = yield from self._excluded(low[:_BATCH], high[:_BATCH], members)
            if np.any((high - low)[:, self._shared].max(axis=1, initial=0.0) < _NARROW):
                return False
            if len(low):
                stack.append(halves(low, high, worth.argmax(axis=1)))
        return True

    def _beside(self, low: Floats, high: Floats, members: list[int], k: int, others: Ends) -> _Told:
        """Boxes that are left once one more curve is a member."""
        members.append(k)
        return (yield from self._excluded(*self._narrow_in(low, high, k, *others), members))

    def _flat_excludes(self, low: Floats, high: Floats, k: int) -> _Steps:
        """Whether a few boxes of a flat curve tell that the hull of the others' holds none."""
        own, number = self._columns[k][self._columns[k] >= 0], len(low)
        ends = self._placed(k, *self._anything(self._curves[k][0]))
        low, high = (
            np.maximum(ends[0], low.min(axis=0)), np.minimum(ends[1], high.max(axis=0)),
        )  # fmt: skip
        spent, most = 0, min(_SHARE_OF_FLAT * number, _MOST_OF_FLAT)
        while 0 < len(low) <= _FLAT_AT_ONCE and spent < most:
            spent += len(low)
            low, high, worth = yield from self._excluded(low, high, [k])
            low, high = halves(low, high, own[worth[:, own].argmax(axis=1)])
        return not len(low)

    def _lifted(self, cover: Cover) -> Ends:
        """A cover by ratios to the gauge."""
        form, count = self._form, len(self._form.refs)
        ends = [cover.low.copy(), cover.high.copy()]
        if not self._whole:
            for a in ends:
                with np.errstate(divide="ignore"):
                    apart = np.log(np.expm1(np.maximum(a[:, form.series], 0.0)))
                a[:, form.series] = np.maximum(apart, -FAR)
                a[:, form.shunt] = 0.0
        if self._gauge == form.shunt:
            return ends[0], ends[1]
        sign = form.signs[self._gauge]
        scales = [sign * a[:, self._gauge] for a in ends]
        least, most = (f(*scales)[:, None] for f in (np.minimum, np.maximum))
        up = form.signs > 0.0
        low, high = (a[:, :count] for a in ends)
        ends[0][:, :count], ends[1][:, :count] = (
            np.where(up, low - most, low + least), np.where(up, high - least, high + most),
        )  # fmt: skip
        return ends[0], ends[1]

    def _anything(self, bounds: LimitBounds) -> Ends:
        """One box that holds every network by ratios to the gauge."""
        form = self._form
        low, high = np.full((2, 1, bounds.count), [[[-FAR]], [[FAR]]])
        low[:, form.shunt] += self._shift
        high[:, form.shunt] += self._shift
        if self._gauge == form.shunt:
            low[:, form.series] = 0.0
        if bounds.poles is not None:
            low, high = with_pole(bounds.poles, low, high)
        return low, high

    def _placed(self, k: int, low: Floats, high: Floats) -> Ends:
        """Boxes of one curve's variables as boxes of all; those of the others are free."""
        columns = self._columns[k]
        own = columns >= 0
        ends = np.full((2, len(low), self._variables), np.inf)
        ends[0] = -np.inf
        ends[0][:, columns[own]], ends[1][:, columns[own]] = low[:, own], high[:, own]
        return ends[0], ends[1]

    def _order(self, boxes: dict[int, Ends]) -> list[int]:
        """The two curves of which the fewest boxes overlap first."""
        if len(boxes) == 1:
            return list(boxes)
        few = {k: (low[::_SAMPLED], high[::_SAMPLED]) for k, (low, high) in boxes.items()}
        counts = {
            (one, other): len(_pairs(self._shared, *few[one], *few[other])[0])
            for one, other in combinations(boxes, 2)
        }
        pair = min(counts, key=lambda p: counts[p])
        others = [k for k in boxes if k not in pair]
        others.sort(key=lambda k: min(counts[min(k, p), max(k, p)] for p in pair))
        return [*pair, *others][:_MOST_CURVES]

    def _narrow_in(
        self, low: Floats, high: Floats, k: int, other_low: Floats, other_high: Floats
    ) -> Ends:
        """Boxes with those of one more curve, halved until its values have short sides."""
        values = self._columns[k][: len(self._form.refs)]
        own = [int(v) for v in values if v >= 0 and v not in self._shared]
        kept = [(low[:0], high[:0])]
        while len(low):
            low, high = self._overlapping(low, high, k, other_low, other_high)
            sides = (high - low)[:, own]
            short = sides.max(axis=1, initial=0.0) < _SHORT
            if sum(len(a) for a, _ in kept) + len(low) > _MOST_JOINED:
                short[:] = True
            kept.append((low[short], high[short]))
            if short.all():
                break
            axis = np.array(own)[sides[~short].argmax(axis=1)]
            low, high = halves(low[~short], high[~short], axis)
        return joined(kept)

    def _overlapping(
        self, low: Floats, high: Floats, k: int, other_low: Floats, other_high: Floats
    ) -> Ends:
        """Boxes narrowed to the hull of those of one more curve that they overlap with."""
        lows, highs = [low[:0]], [high[:0]]
        step = max(1, _MOST_PAIRS // max(len(other_low), 1))
        columns = [int(v) for v in self._columns[k] if v >= 0]
        if len(low):  # of the others those within the hull of the boxes
            near = np.all((other_low <= high.max(axis=0)) & (other_high >= low.min(axis=0)), axis=1)
            other_low, other_high = other_low[near], other_high[near]
        for start in range(0, len(low) if len(other_low) else 0, step):
            here = slice(start, start + step)
            box, other = _pairs(columns, low[here], high[here], other_low, other_high)
            kept, first = np.unique(box, return_index=True)
            if not len(kept):
                continue
            narrowed_low, narrowed_high = low[here][kept], high[here][kept]
            for v in columns:
                least = np.minimum.reduceat(other_low[other, v], first)
                most = np.maximum.reduceat(other_high[other, v], first)
                narrowed_low[:, v] = np.maximum(narrowed_low[:, v], least)
                narrowed_high[:, v] = np.minimum(narrowed_high[:, v], most)
            lows.append(narrowed_low)
            highs.append(narrowed_high)
        return np.concatenate(lows), np.concatenate(highs)

    def _excluded(self, low: Floats, high: Floats, members: list[int]) -> _Told:
        """Boxes that are left, and what halving each variable promises."""
        kept = [(low[:0], high[:0], low[:0])]
        for start in range(0, len(low), _BATCH):
            here = slice(start, start + _BATCH)
            told = self._tested(low[here], high[here], members)
            yield len(low[here]) // _QUICK + self._told
            kept.append(told)
        lows, highs, worths = zip(*kept, strict=True)
        return np.concatenate(lows), np.concatenate(highs), np.concatenate(worths)

    def _tested(
        self, low: Floats, high: Floats, members: list[int]
    ) -> tuple[Floats, Floats, Floats]:
        """Test some boxes: each curve by itself, then all together."""
        low, high = low.copy(), high.copy()
        for k in members:
            bounds, columns = self._curves[k][0], self._columns[k]
            own = columns >= 0
            keep, one, other = narrowed(bounds, *self._of_curve(low, high, k), shift=self._shift)
            low, high = low[keep], high[keep]
            low[:, columns[own]], high[:, columns[own]] = one[:, own], other[:, own]
        told = [
            self._curves[k][0].rows(*self._of_curve(low, high, k), shift=self._shift)
            for k in members
        ]
        self._told = len(low)
        used = np.unique(np.concatenate([self._columns[k] for k in members]))
        used = used[used >= 0]
        slopes, losses = self._together(told, members, used)
        noise = np.concatenate([t.noise for t in told], axis=1)
        rows = np.concatenate([t.rows for t in told], axis=1)
        kept, promised = parted_boxes(rows, noise, slopes, losses)
        worth = np.zeros_like(low)
        worth[:, used] = promised
        return low[kept], high[kept], worth[kept]

    def _together(self, told: list[LimitRows], members: list[int], used: Indices) -> Ends:
        """Columns and losses of all rows."""
        columns, losses = [], []
        for number, (k, of_one) in enumerate(zip(members, told, strict=True)):
            own = self._columns[k] >= 0
            at = np.searchsorted(used, self._columns[k][own])
            shape = (*of_one.rows.shape, len(used) + len(members))
            column, loss = np.zeros(shape), np.zeros((*shape[:2], len(used)))
            column[:, :, at], loss[:, :, at] = of_one.columns[:, :, own], of_one.loss[:, :, own]
            column[:, :-1, len(used) + number] = self._curves[k][0].offset
            columns.append(column)
            losses.append(loss)
        return np.concatenate(columns, axis=1), np.concatenate(losses, axis=1)

    def _of_curve(self, low: Floats, high: Floats, k: int) -> Ends:
        """Boxes of one curve's variables."""
        columns = self._columns[k]
        gauge = self._shift if self._gauge == self._form.shunt else 0.0
        one, other = (np.where(columns >= 0, a[:, columns], gauge) for a in (low, high))
        return one, other
