"""The combinations of parts of a box: shared candidates, and switched ones for each position.

Given the shared parts, the positions of the switch do not depend on each other: each takes the
switched parts that are best for it.  So a combination is known by its shared parts, and its error
is the largest over the positions of the smallest that each can have.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from antecurve.job import Job
from antecurve.networks.topology import ElementKind
from antecurve.pick.boxes import Boxes, Grids
from antecurve.pick.branch_and_bound import Space
from antecurve.pick.candidates import UNLIMITED, Candidates
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.switched.joint_network import JointNetwork

__all__ = ["JointPick", "JointSpace", "PositionSpace"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_NEIGHBOURS = {1: 4, 2: 2, 3: 1}
"""Candidates to either side of the exact value that are tried, by the number of switched ones."""
_CORRECTIONS = 8  # of least squares with the shared parts fixed: it starts near
Used = tuple[ElementKind, int]
"""A part by its kind and its number among the candidates' parts."""
Choice = tuple[float, Indices]
"""A choice of switched parts: error [dB] and candidates."""
_LISTED = 6  # best choices of a position that are kept, for parts that can run out
_AT_ONCE = 32  # choices of shared parts whose errors are computed before it is seen what remains
_SURELY = 1.0 - 1e-4  # of the error at some frequencies: that of the band is as large, but for a
# parabola between samples, which misses 1e-5
_CONVERGED = 1e-10  # of a logarithm: candidates lie a thousand times further apart


@dataclass(frozen=True, slots=True, eq=False)
class PositionSpace:
    """One position of the switch with its candidates.

    Attributes
    ----------
    name : str
        Its name.
    space : Space
        Its network, job and candidates.
    shared : numpy.ndarray of int, shape (elements,)
        For each element its place among the shared positions; -1 for a switched one.
    """

    name: str
    space: Space
    shared: Indices

    @property
    def own(self) -> Indices:
        """The elements that are switched."""
        return np.flatnonzero(self.shared < 0)

    @property
    def common(self) -> Indices:
        """The elements that are shared."""
        return np.flatnonzero(self.shared >= 0)

    def filled(self, shared: Indices, own: Indices) -> Indices:
        """Put the candidates of shared and switched positions into one table.

        Parameters
        ----------
        shared : numpy.ndarray of int, shape (combinations, shared positions)
            Candidates of all shared positions of the box.
        own : numpy.ndarray of int, shape (combinations, switched positions)
            Candidates of this position's switched ones.

        Returns
        -------
        numpy.ndarray of int, shape (combinations, elements)
            Candidates of its elements.
        """
        indices = np.empty((len(shared), len(self.shared)), dtype=np.int64)
        indices[:, self.common] = shared[:, self.shared[self.common]]
        indices[:, self.own] = own
        return indices


@dataclass(frozen=True, slots=True, eq=False)
class JointPick:
    """Parts for all positions.

    Attributes
    ----------
    shared : numpy.ndarray of int, shape (shared positions,)
        Candidates of the shared positions.
    own : tuple of numpy.ndarray of int
        Candidates of the switched positions, by position of the switch.
    errors_db : tuple of float
        Centred error of each position [dB].
    """

    shared: Indices
    own: tuple[Indices, ...]
    errors_db: tuple[float, ...]

    @property
    def error_db(self) -> float:
        """The largest error [dB]."""
        return max(self.errors_db)


@dataclass(frozen=True, slots=True, eq=False)
class _Around:
    """Switched candidates near given values, for each choice of shared ones: likeliest first.

    Attributes
    ----------
    rough : numpy.ndarray of float, shape (choices, listed)
        What the error of each is not below [dB].
    own : numpy.ndarray of int, shape (choices, listed, switched positions)
        The candidates.
    """

    rough: Floats
    own: Indices


class JointSpace:
    """All combinations of parts of a box.

    Parameters
    ----------
    joint : JointNetwork
        The positions, no ultrasonic pole free.
    jobs : tuple of Job
        The job of each, its curve with the pole that the network makes.
    stock : dict of ElementKind to Candidates
        Values that a position can take.
    special : mapping of str to Candidates, optional
        Of some switched positions by reference instead.

    Attributes
    ----------
    positions : tuple of PositionSpace
        The positions of the switch.
    grids : Grids
        ln of the candidates of the shared positions.
    cuts : dict
        Boxes of a position's combinations that a search has cut out, by its number and the limit
        [Np]: the next one begins with them.
    """

    def __init__(
        self,
        joint: JointNetwork,
        jobs: tuple[Job, ...],
        stock: dict[ElementKind, Candidates],
        special: Mapping[str, Candidates] | None = None,
    ) -> None:
        kinds = {e.ref: e.kind for e in joint.topology.elements}
        logs = {kind: np.log(choices.values) for kind, choices in stock.items()}
        self.joint, self.jobs, self.stock = joint, jobs, stock
        self.special = special or {}
        self.shared_candidates = tuple(stock[kinds[ref]] for ref in joint.shared)
        self.grids = Grids(tuple(logs[kinds[ref]] for ref in joint.shared))
        positions = []
        for contact, job in zip(joint.contacts, jobs, strict=True):
            topology = contact.model.topology
            candidates = tuple(self.special.get(e.ref, stock[e.kind]) for e in topology.elements)
            shared = [joint.shared.index(r) if r in joint.shared else -1 for r in topology.refs]
            space = Space(NetworkModel(topology, job), candidates)
            positions.append(PositionSpace(contact.name, space, np.array(shared)))
        self.positions = tuple(positions)
        self.cuts: dict[tuple[int, float], Boxes] = {}
        self.limited = any(choices.limited for choices in stock.values())

    @property
    def combinations(self) -> float:
        """Number of combinations: of shared parts, times those of every position's own."""
        count = float(np.prod([float(len(c.values)) for c in self.shared_candidates]))
        for position in self.positions:
            own = [position.space.candidates[i] for i in position.own]
            count *= float(np.prod([float(len(c.values)) for c in own]))
        return count

    def best(self, shared: Indices, logs: Floats, *, most: int | None = None) -> list[JointPick]:
        """Choose the switched parts for many choices of shared ones.

        Parameters
        ----------
        shared : numpy.ndarray of int, shape (choices, shared positions)
            Candidates of the shared positions.
        logs : numpy.ndarray of float, shape (choices, variables)
            Values of all positions nearby, as `joint` has them.
        most : int, optional
            How many of the best are wanted; all by default.

        Returns
        -------
        list of JointPick
            Those that meet the limits in every position, smallest error first.
        """
        if not len(shared):
            return []
        around = [
            self._around(position, shared, self._near(number, shared, logs))
            for number, position in enumerate(self.positions)
        ]
        least = np.max([a.rough[:, 0] for a in around], axis=0)
        picks: list[JointPick] = []
        order = np.argsort(least, kind="stable")
        step = len(order) if most is None else _AT_ONCE
        for first in range(0, len(order), step):
            chosen = order[first : first + step]
            if most is not None and len(picks) >= most:
                chosen = chosen[least[chosen] <= picks[most - 1].error_db]
            if not len(chosen):
                break
            picks = sorted([*picks, *self._met(shared, around, chosen)], key=lambda p: p.error_db)
        return picks[:most]

    def _met(self, shared: Indices, around: list[_Around], chosen: Indices) -> list[JointPick]:
        """The best switched parts for some choices of shared ones, where any meet the limits."""
        lists: dict[int, list[list[Choice]]] = {c: [] for c in chosen.tolist()}
        for position, its in zip(self.positions, around, strict=True):
            for choice, entries in self._listed(position, shared, its, list(lists)).items():
                if entries:
                    lists[choice].append(entries)
                else:
                    del lists[choice]
        picks = [self.assigned(shared[c], entries) for c, entries in lists.items()]
        return [p for p in picks if p is not None]

    def assigned(self, shared: Indices, lists: list[list[Choice]]) -> JointPick | None:
        """Choose the best for each position, no part more often than there is of it.

        Parameters
        ----------
        shared : numpy.ndarray of int, shape (shared positions,)
            Candidates of the shared positions.
        lists : list of list of tuple
            For each position its choices, error [dB] and candidates, smallest error first.

        Returns
        -------
        JointPick or None
            The pick with the smallest largest error; ``None`` where the parts do not suffice.
        """
        if not self.limited:
            chosen = [entries[0] for entries in lists]
            return JointPick(
                shared, tuple(own for _, own in chosen), tuple(error for error, _ in chosen)
            )
        used = Counter[Used]()
        for candidates, index in zip(self.shared_candidates, shared, strict=True):
            used.update((candidates.kind, part) for part in candidates.uses(int(index)))
        order = sorted(range(len(lists)), key=lambda n: -lists[n][0][0])
        best = self._extended([], order, lists, used, np.inf) if self._enough(used) else None
        if best is None:
            return None
        by_position = dict(zip(order, best, strict=True))
        chosen = [by_position[n] for n in range(len(lists))]
        return JointPick(
            shared, tuple(own for _, own in chosen), tuple(error for error, _ in chosen)
        )

    def _extended(
        self,
        done: list[Choice],
        order: list[int],
        lists: list[list[Choice]],
        used: Counter[Used],
        limit: float,
    ) -> list[Choice] | None:
        """The best choices of the positions still to come, below a limit of the error [dB]."""
        if len(done) == len(order):
            return done
        number = order[len(done)]
        position = self.positions[number]
        best: list[Choice] | None = None
        for error, own in lists[number]:
            if error >= limit:
                break
            more = used.copy()
            for element, index in zip(position.own, own, strict=True):
                candidates = position.space.candidates[element]
                more.update((candidates.kind, part) for part in candidates.uses(int(index)))
            if not self._enough(more):
                continue
            extended = self._extended([*done, (error, own)], order, lists, more, limit)
            if extended is not None:
                best, limit = extended, max(e for e, _ in extended)
        return best

    def _enough(self, used: Counter[Used]) -> bool:
        """Whether no part is used more often than there is of it."""
        quantity = {c.kind: c.quantity for p in self.positions for c in p.space.candidates}
        return all(
            quantity[kind][part] == UNLIMITED or count <= quantity[kind][part]
            for (kind, part), count in used.items()
        )

    def _near(self, number: int, shared: Indices, logs: Floats) -> Floats:
        """ln of the switched values that fit best to given shared ones."""
        position, contact = self.positions[number], self.joint.contacts[number]
        values = logs[:, contact.columns].copy()
        fixed = position.filled(shared, np.zeros((len(shared), len(position.own)), dtype=np.int64))
        grids = position.space.grids.grids
        for element in position.common:
            values[:, element] = grids[element][fixed[:, element]]
        own = position.own
        if not len(own):
            return values
        model = position.space.model
        window = model.job.target.level_tolerance_db / NEPER_DB
        ends = [grids[i][0] for i in own], [grids[i][-1] for i in own]
        for _ in range(_CORRECTIONS):
            every_row, by_element = model.rows_and_slopes(np.exp(values))
            rows, slopes = every_row[:, :-1], by_element[:, :-1][:, :, own]
            rows = rows - rows.mean(axis=1, keepdims=True)
            slopes = slopes - slopes.mean(axis=1, keepdims=True)
            level = every_row[:, -1:]
            excess = level - np.clip(level, -window, window)
            rows = np.concatenate([rows, excess], axis=1)
            last = (excess != 0.0)[:, :, None] * by_element[:, -1:][:, :, own]
            slopes = np.concatenate([slopes, last], axis=1)
            transposed = np.swapaxes(slopes, 1, 2)
            normal = transposed @ slopes + 1e-12 * np.eye(len(own))
            step = np.linalg.solve(normal, transposed @ rows[:, :, None])[:, :, 0]
            moved = np.clip(values[:, own] - np.clip(step, -0.5, 0.5), *ends)
            still = np.abs(moved - values[:, own]).max() < _CONVERGED
            values[:, own] = moved
            if still:
                break
        return values

    def _around(self, position: PositionSpace, shared: Indices, near: Floats) -> _Around:
        """Switched candidates around given values, for each choice of shared ones."""
        own, space = position.own, position.space
        grids = [space.grids.grids[i] for i in own]
        reach = _NEIGHBOURS.get(len(own), 1)
        choices = list(product(range(-reach, reach + 1), repeat=len(own)))
        steps = np.array(choices, dtype=np.int64).reshape(len(choices), len(own))
        base = np.zeros((len(shared), len(own)), dtype=np.int64)
        for column, (element, grid) in enumerate(zip(own, grids, strict=True)):
            base[:, column] = np.searchsorted(grid, near[:, element])
        tried = np.clip(base[:, None] + steps, 0, np.array([len(g) - 1 for g in grids]))
        tried = tried.astype(np.int64)
        owner = np.repeat(np.arange(len(shared)), tried.shape[1])
        indices = position.filled(shared[owner], tried.reshape(len(owner), len(own)))
        rough = np.ptp(space.model.rows(space.values(indices))[:, :-1], axis=1)
        rough = rough.reshape(len(shared), -1) * (NEPER_DB / 2.0 * _SURELY)
        first = np.argsort(rough, axis=1, kind="stable")[:, :_LISTED]
        by_choice = np.arange(len(shared))[:, None]
        return _Around(rough[by_choice, first], tried[by_choice, first])

    def _listed(
        self, position: PositionSpace, shared: Indices, around: _Around, chosen: list[int]
    ) -> dict[int, list[Choice]]:
        """The best switched candidates for some choices of shared ones, smallest error first."""
        listed: dict[int, list[Choice]] = {choice: [] for choice in chosen}
        space, open_choices = position.space, np.array(chosen, dtype=np.int64)
        for rank in range(around.rough.shape[1]):  # the likeliest first: the others seldom matter
            if not self.limited:
                known = [listed[c][0][0] if listed[c] else np.inf for c in open_choices.tolist()]
                open_choices = open_choices[around.rough[open_choices, rank] < known]
            if not len(open_choices):
                break
            own = around.own[open_choices, rank]
            indices = position.filled(shared[open_choices], own)
            admitted = space.admitted(indices)
            errors = space.error(space.values(indices[admitted])) * NEPER_DB
            met = zip(open_choices[admitted].tolist(), errors.tolist(), own[admitted], strict=True)
            for choice, error, candidates in met:
                listed[choice].append((error, candidates))
                listed[choice].sort(key=lambda entry: entry[0])
        return listed
