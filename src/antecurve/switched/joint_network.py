"""All positions of a box as one problem: shared and separate values, and what each position sees.

The variables are the logarithms of the values: first those that are shared, then for each
switch position those of its own, then ln T of the ultrasonic poles that are free.  A
position's rows are those of `antecurve.pick.model`; a pole T of its own adds
``ln|1 + j w T| - ln|1 + j w1 T|`` to each, w1 at 1 kHz.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.job import Job
from antecurve.networks.topology import Topology
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.switched.throws import ThrownNetwork

__all__ = ["Contact", "JointNetwork", "Solved"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Flags = NDArray[np.bool_]

_ROWS = 15  # frequencies over the band: more than twice the time constants of a network
_ROUNDS = 40  # of least squares: what converges does so in ten
_STEP = 0.5  # of a logarithm: a step is never longer
_LEVEL_WEIGHT = 1.0  # of a level beyond its window: as much as the shape
_LEVEL_ROOM = 0.9  # of the level's tolerance: rounding to parts needs the remainder
_DAMPING = 1e-6  # of the normal equations: a start stays at its impedance, which is nearly free
_MOVED = 1e-13  # of a logarithm: rounding
_MINIMAX_ROUNDS = 25  # of weights that follow the errors, by judgement


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """One switch position of a joint network.

    Attributes
    ----------
    name : str
        Its name.
    model : NetworkModel
        Its network and job.
    columns : numpy.ndarray of int, shape (elements,)
        The variable of each of its elements.
    pole : int
        The variable of its ultrasonic pole; -1 where it is not free.
    """

    name: str
    model: NetworkModel
    columns: Indices
    pole: int


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """Values of all positions, from many starts.

    Attributes
    ----------
    logs : numpy.ndarray of float, shape (starts, variables)
        The variables, smallest error first.
    error_db : numpy.ndarray of float, shape (starts,)
        Largest centred error over the positions [dB], over the rows.
    level_db : numpy.ndarray of float, shape (starts,)
        By how much a level is beyond its tolerance at most [dB]; 0 for none.
    """

    logs: Floats
    error_db: Floats
    level_db: Floats


class JointNetwork:
    """One network for all positions, some of its values shared.

    Parameters
    ----------
    topology : Topology
        The whole network.
    positions : sequence of tuple
        For each switch position its name, its job, what its throws leave of the network, and
        whether its ultrasonic pole is free.
    separate : frozenset of str
        References of the positions that take a value of their own in each switch position.
    ranges : mapping of ElementKind to tuple of float
        ln of the least and the largest value.
    poles : tuple of float
        ln of the shortest and the longest time constant of a free pole.

    Attributes
    ----------
    shared : tuple of str
        References of the positions with one value wherever they have an effect.
    contacts : tuple of Contact
        The switch positions.
    keys : tuple of tuple of str
        For each variable its reference and the name of the position, empty where it is shared.
    """

    def __init__(
        self,
        topology: Topology,
        positions: Sequence[tuple[str, Job, ThrownNetwork, bool]],
        separate: frozenset[str],
        ranges: dict[object, tuple[float, float]],
        poles: tuple[float, float],
    ) -> None:
        self.topology = topology
        self.separate = separate
        used = {ref for _, _, network, _ in positions for ref in network.topology.refs}
        self.shared = tuple(r for r in topology.refs if r in used and r not in separate)
        keys = [(ref, "") for ref in self.shared]
        for name, _, network, _ in positions:
            keys += [(ref, name) for ref in network.topology.refs if ref in separate]
        kinds = {e.ref: e.kind for e in topology.elements}
        bounds = [ranges[kinds[ref]] for ref, _ in keys]
        number = {key: i for i, key in enumerate(keys)}
        contacts = []
        for name, job, network, free in positions:
            columns = [
                number[(ref, name if ref in separate else "")] for ref in network.topology.refs
            ]
            pole = -1
            if free:
                pole = len(bounds)
                keys.append(("", name))
                bounds.append(poles)
            model = NetworkModel(network.topology, job, count=_ROWS)
            contacts.append(Contact(name, model, np.array(columns), pole))
        self.contacts = tuple(contacts)
        self.keys = tuple(keys)
        self.low, self.high = np.array(bounds).T
        alike: dict[object, list[int]] = {}
        for i, contact in enumerate(contacts):
            job = contact.model.job
            same = (contact.model.topology, job.loading, job.target.band_hz, contact.pole >= 0)
            alike.setdefault(same, []).append(i)
        self._alike = [_Alike(of, [contacts[i] for i in of]) for of in alike.values()]
        self._tolerance = (
            np.array([c.model.job.target.level_tolerance_db for c in contacts]) / NEPER_DB
        )

    def solve(
        self,
        starts: Floats,
        *,
        free: Indices | None = None,
        rounds: int = _ROUNDS,
        ordered: bool = True,
    ) -> Solved:
        """Bring all positions to their curves and levels by least squares.

        Parameters
        ----------
        starts : numpy.ndarray of float, shape (starts, variables)
            Where to begin.
        free : numpy.ndarray of int, optional
            The variables that may move; all by default.
        rounds : int, optional
            Number of corrections at most.
        ordered : bool, optional
            Whether to put the best first; else they stay in the order of the starts.

        Returns
        -------
        Solved
            Where each start ends, within the ranges.
        """
        logs = np.clip(starts, self.low, self.high)
        chosen = np.arange(logs.shape[1]) if free is None else free
        damping = np.full(len(logs), _DAMPING)
        now = self._equations(*self._stacked(logs), chosen)
        for _ in range(rounds):
            tried = logs.copy()
            tried[:, chosen] = np.clip(
                logs[:, chosen] + now.steps(damping), self.low[chosen], self.high[chosen]
            )
            new = self._equations(*self._stacked(tried), chosen)
            better = new.size < now.size
            moved = np.abs(tried - logs).max(initial=0.0)
            damping = np.clip(np.where(better, damping / 10.0, damping * 100.0), _DAMPING, 1.0)
            logs[better] = tried[better]
            now.replace(better, new)
            if moved < _MOVED:
                break
        return self.judged(logs, ordered=ordered)

    def flattened(self, start: Floats) -> Solved:
        """Make the largest error small, from where least squares ended.

        Parameters
        ----------
        start : numpy.ndarray of float, shape (variables,)
            Where to begin.

        Returns
        -------
        Solved
            One row: the best that was met.
        """
        logs = start[None].copy()
        best = self.judged(logs)
        every_variable = np.arange(logs.shape[1])
        weights = np.ones((1, len(self.contacts), _ROWS + 1))
        for _ in range(_MINIMAX_ROUNDS):
            rows, slopes = self._stacked(logs)
            size = np.abs(rows)
            weights = weights * (size + 0.02 * size.max()) / (1.02 * size.max() + 1e-15)
            root = np.sqrt(weights / weights.max())
            step = self._equations(rows, slopes, every_variable, root).steps(np.full(1, _DAMPING))
            logs = np.clip(logs + step, self.low, self.high)
            now = self.judged(logs)
            if now.error_db[0] < best.error_db[0] and now.level_db[0] <= best.level_db[0] + 1e-9:
                best = now
        return best

    def judged(self, logs: Floats, *, ordered: bool = True) -> Solved:
        """Compute errors and levels.

        Parameters
        ----------
        logs : numpy.ndarray of float, shape (points, variables)
            The variables.
        ordered : bool, optional
            Whether to put the best first.

        Returns
        -------
        Solved
            The same points.
        """
        rows = np.empty((len(logs), len(self.contacts), _ROWS + 1))
        for alike in self._alike:
            rows[:, alike.numbers] = alike.rows(logs)
        errors = np.ptp(rows[:, :, :-1], axis=2).max(axis=1, initial=0.0) / 2.0
        excess = np.abs(rows[:, :, -1]) - self._tolerance
        beyond = np.maximum(excess.max(axis=1, initial=0.0) * NEPER_DB, 0.0)
        order = np.lexsort((errors, beyond > 0.0)) if ordered else np.arange(len(logs))
        return Solved(logs[order], errors[order] * NEPER_DB, beyond[order])

    def _stacked(self, logs: Floats) -> tuple[Floats, list[Floats]]:
        """Shapes about their means and levels beyond; slopes, by positions that are alike.

        Rows of all positions are of shape (points, positions, rows).
        """
        rows = np.empty((len(logs), len(self.contacts), _ROWS + 1))
        by_alike = []
        for alike in self._alike:
            rows[:, alike.numbers], slopes = alike.rows_and_slopes(logs)
            slopes[..., :-1] -= slopes[..., :-1].mean(axis=3, keepdims=True)
            by_alike.append(slopes)
        rows[:, :, :-1] -= rows[:, :, :-1].mean(axis=2, keepdims=True)
        window = _LEVEL_ROOM * self._tolerance
        excess = rows[:, :, -1] - np.clip(rows[:, :, -1], -window, window)
        rows[:, :, -1] = _LEVEL_WEIGHT * excess
        for alike, slopes in zip(self._alike, by_alike, strict=True):
            slopes[..., -1] *= _LEVEL_WEIGHT * (excess[:, alike.numbers, None] != 0.0)
        return rows, by_alike

    def _equations(
        self, rows: Floats, slopes: list[Floats], chosen: Indices, weights: Floats | None = None
    ) -> _NormalEquations:
        """The normal equations of the variables that may move; weights are roots."""
        points, count = len(rows), len(self.keys)
        if weights is not None:
            rows = rows * weights
        matrix, right = np.zeros((points, count, count)), np.zeros((points, count))
        for alike, by_variable in zip(self._alike, slopes, strict=True):
            own = by_variable if weights is None else by_variable * weights[:, alike.numbers, None]
            products = own @ np.swapaxes(own, 2, 3)
            sums = (own @ rows[:, alike.numbers, :, None])[..., 0]
            for number, columns in enumerate(alike.columns):
                matrix[:, columns[:, None], columns] += products[:, number]
                right[:, columns] += sums[:, number]
        size = (rows**2).sum(axis=(1, 2))
        return _NormalEquations(matrix[:, chosen[:, None], chosen], right[:, chosen], size)


class _Alike:
    """Positions of the switch with one network, band and loading: computed in one go.

    What differs is their curves, and which variables they see.
    """

    def __init__(self, numbers: list[int], contacts: list[Contact]) -> None:
        self.numbers = np.array(numbers)
        self._model = contacts[0].model
        self._elements = np.array([c.columns for c in contacts])
        self._poles = np.array([c.pole for c in contacts if c.pole >= 0], dtype=np.int64)
        self.columns = self._elements
        if len(self._poles):
            self.columns = np.column_stack([self._elements, self._poles])
        self._aims = np.array([c.model.target for c in contacts]) - self._model.target
        self._omega = 2.0 * np.pi * self._model.frequency

    def rows(self, logs: Floats) -> Floats:
        """Errors [Np] over the band with the level in them, then the level at 1 kHz."""
        rows = self._model.rows(self._values(logs))
        return self._aimed(rows, self._pole_squares(logs))

    def rows_and_slopes(self, logs: Floats) -> tuple[Floats, Floats]:
        """The same, and slopes of shape (points, positions, variables, rows)."""
        rows, by_element = self._model.rows_and_slopes(self._values(logs))
        slopes = np.empty((len(logs), *self.columns.shape, rows.shape[1]))
        count = by_element.shape[2]
        slopes[:, :, :count] = np.swapaxes(by_element, 1, 2).reshape(
            *slopes.shape[:2], count, slopes.shape[3]
        )
        squares = self._pole_squares(logs)
        if len(self._poles):
            share = squares / (1.0 + squares)
            slopes[:, :, -1] = share - share[:, :, -1:]
        return self._aimed(rows, squares), slopes

    def _values(self, logs: Floats) -> Floats:
        """Values of the elements of all points and positions, one after the other."""
        return np.asarray(np.exp(logs[:, self._elements]).reshape(-1, self._elements.shape[1]))

    def _pole_squares(self, logs: Floats) -> Floats:
        """(w T)^2 of the free poles, by point, position and row; of no position where none is."""
        return np.asarray((self._omega * np.exp(logs[:, self._poles, None])) ** 2)

    def _aimed(self, rows: Floats, squares: Floats) -> Floats:
        """Rows against each position's own curve, with its pole."""
        rows = rows.reshape(-1, *self._aims.shape) - self._aims
        if len(self._poles):
            rows += 0.5 * (np.log1p(squares) - np.log1p(squares[:, :, -1:]))
        return rows


@dataclass(slots=True)
class _NormalEquations:
    """Steps that make the rows small, damped (Levenberg, Marquardt) where nothing tells them."""

    matrix: Floats
    right: Floats
    size: Floats

    def steps(self, damping: Floats) -> Floats:
        """One step of each point."""
        matrix = self.matrix.copy()
        diagonal = np.arange(matrix.shape[1])
        matrix[:, diagonal, diagonal] += damping[:, None] * (1.0 + matrix[:, diagonal, diagonal])
        step = np.linalg.solve(matrix, self.right[:, :, None])[:, :, 0]
        return np.asarray(np.clip(-step, -_STEP, _STEP))

    def replace(self, where: Flags, other: _NormalEquations) -> None:
        """Take the equations of some points from others."""
        self.matrix[where] = other.matrix[where]
        self.right[where] = other.right[where]
        self.size[where] = other.size[where]
