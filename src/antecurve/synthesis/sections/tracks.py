"""The roots of D = g N that a shunt arm with zeros of its own is made of.

Notation as in `antecurve.synthesis.sections.one_stage`.  Q's time constants alternate with
the taken zeros.  With the level known they are roots of a polynomial; otherwise one pole beyond
the curve is the unknown of one equation,

.. math:: \\prod Q = R_p C_L \\prod A \\quad\\text{or, for CL = 0,}\\quad
          R_p \\frac{\\prod A}{\\prod Q} \\Bigl(\\frac{1}{h} - 1\\Bigr) = R_s ,

h the gain at high frequency.  No root can cross a zero of the curve, as D(-1/z) is not 0 there, so
the roots between two taken zeros keep their order, and the equation is solved along each choice
of them over the whole range that the pole may have, where the elements are positive.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product as every
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.unity_roots import unity_roots, unity_roots_along
from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.quantities import format_quantity, format_time_constant
from antecurve.synthesis.bracketing import (
    DECADES_BELOW,
    IMPLIED_RANGE_S,
    bracketing_grid,
    crossings,
    with_dips,
    with_edges,
)
from antecurve.synthesis.sections.one_stage import Balance, StageProblem
from antecurve.synthesis.violation import Violation, at_level

__all__ = ["NegativeBranch", "Sweep", "bracketed_balances", "direct_balances", "nearest_miss"]


@dataclass(frozen=True, slots=True)
class Sweep:
    """The roots of D = g N along the range of the pole beyond the curve.

    Attributes
    ----------
    unknown : ndarray of float, shape (n,)
        The pole beyond the curve [s], ascending.
    inverse : ndarray of float, shape (n,)
        Inverse gain at high frequency there, for CL = 0.
    poles : ndarray of float, shape (n, m)
        Time constants [s] of D.
    roots : ndarray of float, shape (n, k)
        Time constants [s], longest first, then not a number.
    """

    unknown: NDArray[Any]
    inverse: NDArray[Any]
    poles: NDArray[Any]
    roots: NDArray[Any]

    @classmethod
    def of(cls, problem: StageProblem, *, closely: bool = False) -> Sweep:
        """Sweep the pole for all problems of a curve, whichever zeros they take.

        Parameters
        ----------
        problem : StageProblem
            Any of them.
        closely : bool, optional
            Whether to look at more values of the pole.

        Returns
        -------
        Sweep
            The roots.
        """
        low, high = IMPLIED_RANGE_S
        if not problem.implied:
            high = problem.curve.poles_s[-1]
            low = min(problem.load_time, high) / 10.0**DECADES_BELOW
        grid = bracketing_grid(problem.curve, low=low, high=high, closely=closely)
        states = [(x, problem.beyond(x)) for x in grid.tolist()]
        states = [(x, beyond) for x, beyond in states if _in_order(beyond)]
        unknown = np.array([x for x, _ in states])
        levels = np.array([problem.transfer(beyond).gain_constant for _, beyond in states])
        curve = problem.curve
        lead = levels * math.prod(curve.zeros_s) / math.prod(curve.poles_s)
        width = len(curve.poles_s) + max((len(beyond) for _, beyond in states), default=1)
        poles = np.array([(*curve.poles_s, *beyond) for _, beyond in states])
        poles = poles.reshape(len(states), width)
        roots = np.zeros((0, 0))
        if states:
            roots = unity_roots_along(curve, poles_s=poles, gain_constants=levels)
        return cls(unknown, unknown / lead, poles, roots)

    def up_to(self, end: int) -> Sweep:
        """Keep the first values only.

        Parameters
        ----------
        end : int
            How many.

        Returns
        -------
        Sweep
            The roots there.
        """
        parts = (self.unknown, self.inverse, self.poles, self.roots)
        return Sweep(*(part[:end] for part in parts))


def direct_balances(problem: StageProblem) -> Iterable[Balance]:
    """List every choice of roots where the level is known.

    Parameters
    ----------
    problem : StageProblem
        The curve, the level, the loading, and which zeros the shunt arm takes.

    Yields
    ------
    Balance
        Longest time constants in Q first; nothing where D = g N lacks a root.
    """
    transfer = problem.transfer()
    for times in every(*_grouped(_spans(problem), unity_roots(transfer))):
        yield Balance(transfer.gain_constant, times)


def bracketed_balances(
    problem: StageProblem, sweep: Sweep, *, closely: bool = False, below: float = math.inf
) -> list[Balance]:
    """Find every solution with positive branches where a pole beyond the curve is unknown.

    Parameters
    ----------
    problem : StageProblem
        The curve, the level, the loading, and which zeros the shunt arm takes.
    sweep : Sweep
        The roots along the range of the unknown.
    closely : bool, optional
        Whether to look for two solutions close together as well, and for those between two
        values where a branch would be negative.
    below : float, optional
        Up to where the pole is looked for [s].

    Returns
    -------
    list of Balance
        Longest time constants in Q first.
    """
    balances: list[Balance] = []
    end = int(np.searchsorted(sweep.unknown, below, side="right")) + 1
    for track in _tracks(problem, sweep.up_to(end), positive=not closely):
        more = track.with_points(with_edges)
        balances += (more.with_points(with_dips) if closely else more).solutions()
    return balances


@dataclass(frozen=True, slots=True)
class NegativeBranch:
    """A solution of the equations that is no network.

    Attributes
    ----------
    problem : StageProblem
        The problem.
    balance : Balance
        Its unknowns.
    """

    problem: StageProblem
    balance: Balance


def nearest_miss(
    problems: Iterable[StageProblem], sweep: Sweep
) -> NegativeBranch | Violation | None:
    """Find what keeps the one equation from a solution with positive branches.

    Parameters
    ----------
    problems : iterable of StageProblem
        The ways to share a curve's zeros between the arms.
    sweep : Sweep
        The roots along the range of the unknown.

    Returns
    -------
    NegativeBranch, Violation or None
        A solution with a negative branch, else the inequality that is nearest to holding, or
        ``None`` where D = g N lacks a root.
    """
    misses: list[tuple[float, float, StageProblem]] = []
    for problem in problems:
        for track in _tracks(problem, sweep, positive=False):
            for balance in track.solutions():
                return NegativeBranch(problem, balance)
            nearest = min((float(v) for v in track.values if math.isfinite(v)), key=abs)
            misses.append((abs(nearest), nearest, problem))
    if not misses:
        return None
    _, nearest, problem = min(misses, key=lambda miss: miss[0])
    return _inequality(problem, nearest)


def _in_order(beyond: Sequence[float]) -> bool:
    """Whether the poles beyond the curve are finite, the implied one the longer."""
    return all(math.isfinite(t) for t in beyond) and beyond[0] >= beyond[-1]


def _spans(problem: StageProblem) -> list[tuple[float, float]]:
    """Between which time constants each one of Q lies: it alternates with the taken zeros."""
    bounds = (math.inf, *problem.taken)
    spans = list(zip(problem.taken, bounds, strict=False))
    if problem.own_capacitor or problem.loaded:
        spans.append((0.0, bounds[-1]))
    return spans


def _grouped(
    spans: Sequence[tuple[float, float]], roots: Sequence[float]
) -> list[tuple[float, ...]]:
    return [tuple(t for t in roots if low < t < high) for low, high in spans]


@dataclass(frozen=True, slots=True)
class _Track:
    """What has to be 0 along one choice of roots, the k-th of each span."""

    problem: StageProblem
    ranks: tuple[int, ...]
    points: Sequence[float] | NDArray[Any]
    values: Sequence[float] | NDArray[Any]

    def times(self, transfer: ZeroPoleGain[float]) -> tuple[float, ...] | None:
        """Compute the time constants of Q; ``None`` where there are not as many."""
        grouped = _grouped(_spans(self.problem), unity_roots(transfer))
        if any(rank >= len(group) for rank, group in zip(self.ranks, grouped, strict=True)):
            return None
        return tuple(group[rank] for rank, group in zip(self.ranks, grouped, strict=True))

    def at(self, unknown: float) -> float:
        """Evaluate what has to be 0."""
        beyond = self.problem.beyond(unknown)
        if not _in_order(beyond):
            return math.nan
        transfer = self.problem.transfer(beyond)
        times = self.times(transfer)
        if times is None:
            return math.nan
        inverse = unknown / self.problem.lead(transfer)
        return float(_residual(self.problem, inverse, math.prod(times)))

    def with_points(self, more: Callable[..., tuple[list[float], list[float]]]) -> _Track:
        """Sample the track in more points."""
        points, values = more(self.points, self.values, self.at)
        return replace(self, points=points, values=values)

    def solutions(self) -> Iterator[Balance]:
        """Solve for where it is 0."""
        for root in crossings(self.points, self.values, self.at):
            beyond = self.problem.beyond(root)
            transfer = self.problem.transfer(beyond)
            times = self.times(transfer)
            if times is None:
                continue
            if self.problem.implied:
                load_pole = beyond[1] if beyond[1:] else 0.0
                yield Balance(transfer.gain_constant, times, load_pole, root)
            else:
                yield Balance(transfer.gain_constant, times, root)


def _tracks(problem: StageProblem, sweep: Sweep, *, positive: bool) -> list[_Track]:
    """The tracks of all choices of roots; `positive`: only where every branch is positive."""
    spans, roots = _spans(problem), sweep.roots
    # Of each span: the number of roots beyond its upper end, and inside it.
    beyond = [np.sum(roots >= high, axis=1) for _, high in spans]
    inside = [np.sum((roots > low) & (roots < high), axis=1) for low, high in spans]
    tracks = []
    for ranks in every(*(range(int(n.max(initial=0))) for n in inside)):
        there = np.all([n > rank for n, rank in zip(inside, ranks, strict=True)], axis=0)
        rows = np.flatnonzero(there)
        times = np.column_stack(
            [roots[rows, b[rows] + rank] for b, rank in zip(beyond, ranks, strict=True)]
        )
        if positive:
            good = _positive(problem, sweep.poles[rows], times)
            rows, times = rows[good], times[good]
        if not rows.size:
            continue
        values = np.full(sweep.unknown.size, np.nan)
        values[rows] = _residual(problem, sweep.inverse[rows], np.prod(times, axis=1))
        tracks.append(_Track(problem, ranks, sweep.unknown, values))
    return tracks


def _positive(problem: StageProblem, poles: NDArray[Any], times: NDArray[Any]) -> NDArray[np.bool_]:
    """Where every branch of the series arm has a positive resistance."""
    good = np.ones(len(poles), dtype=bool)
    for zero in problem.kept:
        others = math.prod(1.0 - z / zero for z in problem.kept if z != zero)
        others *= (-1.0) ** problem.curve.zeros_at_origin
        balance = np.prod(1.0 - times / zero, axis=1)
        good &= np.prod(1.0 - poles / zero, axis=1) * balance * others > 0.0
    return good


def _residual(problem: StageProblem, inverse: Any, times: Any) -> Any:
    """The logarithm of prod(Q)/(tau prod(A)), or R_inf/Rp.

    `inverse` is 1/h, the inverse gain at high frequency, and `times` prod(Q); both may be arrays.
    """
    taken = math.prod(problem.taken)
    if problem.loaded:
        return np.log(times / (taken * problem.load_time))
    source = problem.loading.source_resistance / problem.parallel
    return taken / times * (inverse - 1.0) - source


def _inequality(problem: StageProblem, nearest: float) -> Violation:
    """Say which inequality keeps the one equation from having a solution."""
    where = at_level(problem.gain)
    if problem.loaded:
        sign = "<=" if nearest < 0 else ">="
        tau = format_time_constant(problem.load_time)
        limit = format_time_constant(problem.load_time * math.exp(nearest))
        return Violation(
            f"the load's capacitance must suit the shunt arm, Rp CL {sign} Tq.../Tz... of the "
            f"roots Tq of D = g0 N and the arm's zeros Tz. The nearest is {limit}: "
            f"{tau} {sign} {limit} does not hold {where}"
        )
    sign = ">=" if nearest < 0 else "<="
    source = problem.loading.source_resistance
    limit = format_quantity(problem.parallel * nearest + source, "ohm")
    return Violation(
        "without ultrasonic pole the network must do without a series resistor, "
        f"Z (1/h - 1) {sign} Rs. With Z = Rp Tz.../Tq... and h the gain at high frequency: "
        f"{limit} {sign} {format_quantity(source, 'ohm')} does not hold {where}"
    )
