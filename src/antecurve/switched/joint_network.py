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

    def rows(self, logs: Floats) -> tuple[Floats, Floats]:
        """Compute the rows and their slopes by all variables.

        Parameters
        ----------
        logs : numpy.ndarray of float, shape (points, variables)
            The variables.

        Returns
        -------
        rows : numpy.ndarray of float, shape (points, rows)
            Errors [Np] over the band with the level in them, then the level at 1 kHz.
        slopes : numpy.ndarray of float, shape (points, rows, variables)
            Their derivatives.
        """
        linear = self.model.linearise(np.exp(logs[:, self.columns]))
        slopes = np.zeros((*linear.rows.shape, logs.shape[1]))
        slopes[:, :, self.columns] = linear.slopes
        rows = linear.rows
        if self.pole >= 0:
            square = (2.0 * np.pi * self.model.frequency * np.exp(logs[:, self.pole, None])) ** 2
            rows = rows + 0.5 * (np.log1p(square) - np.log1p(square[:, -1:]))
            share = square / (1.0 + square)
            slopes[:, :, self.pole] = share - share[:, -1:]
        return rows, slopes


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
        rows, slopes = self._stacked(logs)
        size = (rows**2).sum(axis=1)
        for _ in range(rounds):
            step = _least_squares(rows, slopes[:, :, chosen], damping)
            tried = logs.copy()
            tried[:, chosen] = np.clip(logs[:, chosen] + step, self.low[chosen], self.high[chosen])
            new_rows, new_slopes = self._stacked(tried)
            new_size = (new_rows**2).sum(axis=1)
            better = new_size < size
            moved = np.abs(tried - logs).max(initial=0.0)
            damping = np.clip(np.where(better, damping / 10.0, damping * 100.0), _DAMPING, 1.0)
            logs[better], rows[better] = tried[better], new_rows[better]
            slopes[better], size[better] = new_slopes[better], new_size[better]
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
        rows, slopes = self._stacked(logs)
        weights = np.ones_like(rows)
        for _ in range(_MINIMAX_ROUNDS):
            size = np.abs(rows)
            weights = weights * (size + 0.02 * size.max()) / (1.02 * size.max() + 1e-15)
            root = np.sqrt(weights / weights.max())
            damping = np.full(1, _DAMPING)
            step = _least_squares(rows * root, slopes * root[:, :, None], damping)
            logs = np.clip(logs + step, self.low, self.high)
            now = self.judged(logs)
            if now.error_db[0] < best.error_db[0] and now.level_db[0] <= best.level_db[0] + 1e-9:
                best = now
            rows, slopes = self._stacked(logs)
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
        errors, beyond = np.zeros(len(logs)), np.zeros(len(logs))
        for contact in self.contacts:
            rows, _ = contact.rows(logs)
            errors = np.maximum(errors, np.ptp(rows[:, :-1], axis=1) / 2.0)
            tolerance = contact.model.job.target.level_tolerance_db
            beyond = np.maximum(beyond, np.abs(rows[:, -1]) * NEPER_DB - tolerance)
        beyond = np.maximum(beyond, 0.0)
        order = np.lexsort((errors, beyond > 0.0)) if ordered else np.arange(len(logs))
        return Solved(logs[order], errors[order] * NEPER_DB, beyond[order])

    def _stacked(self, logs: Floats) -> tuple[Floats, Floats]:
        """Rows of all positions one after the other: shapes about their means, levels beyond."""
        rows, slopes = [], []
        for contact in self.contacts:
            row, slope = contact.rows(logs)
            rows.append(row[:, :-1] - row[:, :-1].mean(axis=1, keepdims=True))
            slopes.append(slope[:, :-1] - slope[:, :-1].mean(axis=1, keepdims=True))
            window = _LEVEL_ROOM * contact.model.job.target.level_tolerance_db / NEPER_DB
            level = row[:, -1:]
            excess = level - np.clip(level, -window, window)
            rows.append(_LEVEL_WEIGHT * excess)
            slopes.append(_LEVEL_WEIGHT * (excess != 0.0)[:, :, None] * slope[:, -1:])
        return np.concatenate(rows, axis=1), np.concatenate(slopes, axis=1)


def _least_squares(rows: Floats, slopes: Floats, damping: Floats) -> Floats:
    """Steps that make the rows small, damped (Levenberg, Marquardt) where nothing tells them."""
    transposed = np.swapaxes(slopes, 1, 2)
    normal = transposed @ slopes
    diagonal = np.arange(normal.shape[1])
    normal[:, diagonal, diagonal] += damping[:, None] * (1.0 + normal[:, diagonal, diagonal])
    step = np.linalg.solve(normal, transposed @ rows[:, :, None])[:, :, 0]
    return np.asarray(np.clip(-step, -_STEP, _STEP))
