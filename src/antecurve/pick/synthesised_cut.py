"""Another first cut: the networks of one form that a curve asks for, by bounds of exact synthesis.

The time constants of a network within an error limit lie in a narrow hull
(`antecurve.pick.time_constants`), and its level in a window.  Of a half-section in a canonical
form these and the resistor across the output determine every element, and the formulas of its
synthesis are followed with bounds (`antecurve.pick.logarithm_forms`): for each choice of that
resistor, or few neighbouring ones, one box holds all combinations within the limit.

Let z_i be the zeros and p_j the poles of H, Rp the shunt resistance with the load, tau = Rp CL, n
the number of zeros.  1/H = 1 + (Rs + Z) Y with Y = 1/Rp + s CL has the poles of Z.  Residues give

.. math:: R_i \\left(1 - \\frac{\\tau}{z_i}\\right)
          = \\frac{R_p}{g_0} \\, \\frac{\\prod_j (1 - p_j/z_i)}{\\prod_{k \\ne i} (1 - z_k/z_i)} .

Where CL is not 0, H has one pole p more than zeros, below tau.  1/H is 1 at s = -1/tau, so that

.. math:: \\tau - p = \\frac{\\tau K}{p_n - \\tau}, \\quad
          K = g_0 \\frac{\\prod_i (z_i - \\tau)}{\\prod_{j < n} (p_j - \\tau)} .

With all z_i above tau K is above 0, as p_j lies above z_{j+1}; so p_n is above tau.  With the error
limit, which bounds what p_n and p do together, this tells them apart for each slice of the shunt
resistance: where tau would take p below 0 there is no network.  And 1/H tends to
s CL (Rs + Z(infinity)).  Together, and for CL = 0 as well,

.. math:: R_\\infty = R_p \\left( \\frac{\\prod_{j \\le n} p_j}{g_0 \\prod_i z_i}
          - \\frac{\\prod_i (1 - \\tau/z_i)}{\\prod_{j \\le n} (1 - \\tau/p_j)} \\right) - R_s .
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_ANGULAR_FREQUENCY
from antecurve.networks.topology import ElementKind
from antecurve.networks.tree import leaves
from antecurve.pick.arm_ranges import ARM_RANGES, Range
from antecurve.pick.boxes import Boxes, Grids, joined
from antecurve.pick.logarithm_forms import LogForm, variable
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.pick.monotone_bounds import MonotoneBounds

__all__ = ["Synthesised", "synthesised_arms", "synthesised_cut"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_SLACK = 1e-9  # of a logarithm: more than sums of logarithms round
_SLICE = 0.02  # ln of the shunt resistance: some curvature less than the other ranges bring
_WIDEST_LIMIT = 0.02  # Np: within it ranges of time constants are still narrow, and soon found
_FAR = 60.0  # logarithm of a time constant: beyond any, as ranges of time constants have it
_CONTRACTIONS = 4  # of ranges in turn: each time they come nearer, the last ones by little
_FIXED_FIRST = {"foster-1": 0, "foster-2": 1, "cauer-1": None, "cauer-2": None}
"""How many of the pairs of elements can't trade places with others; ``None``: none can."""


@dataclass(frozen=True, slots=True)
class Synthesised:
    """Where in a network the elements of its synthesis are.

    Attributes
    ----------
    form : str
        Name of the series arm's form.
    arm : tuple of int
        Elements of the series arm without R_inf, in the order of `ARM_RANGES`.
    infinity : int or None
        The resistor R_inf in series.
    shunt : int
        The resistor across the output.
    """

    form: str
    arm: tuple[int, ...]
    infinity: int | None
    shunt: int


def synthesised_arms(model: NetworkModel) -> Synthesised | None:
    """Find the elements of a half-section in a canonical form.

    Parameters
    ----------
    model : NetworkModel
        The network.

    Returns
    -------
    Synthesised or None
        ``None`` where it is another network.
    """
    topology = model.topology
    if topology.form not in ARM_RANGES or len(topology.arms) != 2 or model.ladder is None:
        return None
    series, shunt = topology.arms
    places = {ref: i for i, ref in enumerate(topology.refs)}
    across = [places[ref] for ref in leaves(shunt.tree)]
    along = [places[ref] for ref in leaves(series.tree)]
    if across != list(model.across_output) or series.nodes != ("in", "out"):
        return None
    infinity = along.pop() if len(along) % 2 else None
    kinds = [topology.elements[i].kind for i in along]
    pairs = len(along) // 2
    first = ElementKind.CAPACITOR if topology.form == "cauer-1" else ElementKind.RESISTOR
    other = next(kind for kind in ElementKind if kind is not first)
    if pairs == 0 or kinds != [first, other] * pairs:
        return None
    return Synthesised(topology.form, tuple(along), infinity, across[0])


def synthesised_cut(
    model: NetworkModel, grids: Grids, *, limit: float, deadline: float | None = None
) -> Boxes | None:
    """Find boxes around exact networks that may hold a combination within an error limit.

    Parameters
    ----------
    model : NetworkModel
        The network.
    grids : Grids
        Candidates.
    limit : float
        Largest centred error [Np].
    deadline : float or None, optional
        Value of `time.perf_counter` at which to give up.

    Returns
    -------
    Boxes or None
        Every combination within the limit is in one of them.  ``None`` where the network has no
        canonical form, or the limit leaves its time constants in too wide ranges.

    Raises
    ------
    TimeIsOverError
        When the time is over before the time constants are bounded.
    """
    arms = synthesised_arms(model)
    if arms is None or limit > _WIDEST_LIMIT:
        return None
    cut = MonotoneBounds(model, grids, limit, fine=True, deadline=deadline)
    whole = grids.whole()
    if cut.empty:
        return whole.where(slice(0, 0))
    if not _apart(cut, len(arms.arm) // 2):
        return None
    ranges, shunts = _sections(model, cut, grids.grids[arms.shunt])
    count = len(shunts[0])
    low = np.tile([g[0] for g in grids.grids], (count, 1))
    high = np.tile([g[-1] for g in grids.grids], (count, 1))
    low[:, arms.shunt], high[:, arms.shunt] = shunts
    if arms.infinity is not None:
        low[:, arms.infinity], high[:, arms.infinity] = ranges.infinity()
    elements = ARM_RANGES[arms.form](*ranges.fractions())
    boxes = [whole.where(slice(0, 0))]
    for order in _orders(arms):
        for position, element in zip(order, elements, strict=True):
            low[:, position], high[:, position] = element
        every = whole.where(np.zeros(count, dtype=np.int64))
        shrunk, nonempty = grids.shrunk(every, low, high)
        boxes.append(grids.ordered(shrunk.where(nonempty)))
    around = joined(*boxes)
    return around.where(cut(around))


def _apart(cut: MonotoneBounds, zeros: int) -> bool:
    """Whether zeros and poles lie apart, z_1 > p_1 > z_2 ..., and all zeros above the load.

    The last pole is told apart from that of the load in each slice of the shunt resistance.
    """
    hull = cut.hull
    if cut.load_s is None or len(hull.zeros_low) != zeros:
        return False
    poles = len(hull.poles_low)
    if poles not in (zeros, zeros + 1) or (poles > zeros) != (cut.load_s > 0.0):
        return False
    low = np.stack([hull.zeros_low, hull.poles_low[:zeros]], axis=1).ravel()
    high = np.stack([hull.zeros_high, hull.poles_high[:zeros]], axis=1).ravel()
    return bool(np.all(low[:-1] > high[1:]) and hull.zeros_low[-1] > cut.load_s)


def _time(model: NetworkModel, shunt: Floats) -> Floats:
    """Rp CL for logarithms of the shunt resistance."""
    loading = model.job.loading
    together = 1.0 / (np.exp(-shunt) + 1.0 / loading.load_resistance)
    return np.asarray(loading.load_capacitance * together)


def _slices(grid: Floats) -> tuple[Indices, Indices]:
    """First and last candidates of slices; neighbours that are farther apart stand alone."""
    numbers = np.floor((grid - grid[0]) / _SLICE).astype(np.int64)
    first = np.flatnonzero(np.diff(numbers, prepend=-1))
    return first, np.append(first[1:] - 1, len(grid) - 1)


def _orders(arms: Synthesised) -> list[list[int]]:
    """The places of the elements, with branches in every order."""
    fixed = _FIXED_FIRST[arms.form]
    pairs = list(zip(arms.arm[::2], arms.arm[1::2], strict=True))
    if fixed is None:
        return [list(arms.arm)]
    return [
        [i for pair in (*pairs[:fixed], *order) for i in pair]
        for order in permutations(pairs[fixed:])
    ]


def _sections(model: NetworkModel, cut: MonotoneBounds, grid: Floats) -> tuple[_Section, Range]:
    """Sections for slices of the shunt resistance that have any, and the ends of these slices."""
    first, last = _slices(grid)
    load_s = cut.load_s or 0.0
    able = _time(model, grid[first]) <= load_s
    shunts = grid[first[able]], grid[last[able]]
    hull = cut.hull
    with np.errstate(divide="ignore"):
        low, high = (
            np.tile(np.maximum(np.log(np.concatenate(ends)), -_FAR), (len(shunts[0]), 1))
            for ends in ((hull.zeros_low, hull.poles_low), (hull.zeros_high, hull.poles_high))
        )
    section = _Section(model, low, high, shunts, load_s)
    for _ in range(_CONTRACTIONS if section.has_load_pole else 0):
        low, high = section.with_load_pole()
        low, high, kept = cut.contracted(low, high)
        shunts = shunts[0][kept], shunts[1][kept]
        section = _Section(model, low, high, shunts, load_s)
    return section, shunts


class _Section:
    """The partial fractions of the series arm for slices of the shunt resistance.

    Variables are ln of the zeros, of the poles without the one that the load makes, of the level
    and of the shunt resistance.  Ranges of time constants have a column for each, zeros first.
    """

    def __init__(
        self, model: NetworkModel, low: Floats, high: Floats, shunts: Range, load_s: float
    ) -> None:
        loading = model.job.loading
        self._loading = loading
        self._count = count = low.shape[1] // 2
        self._variables = 2 * count + 2
        self._low, self._high = low, high

        def ranged(low: Floats, high: Floats, number: int) -> LogForm:
            return variable(low, high, number=number, variables=self._variables)

        self._zeros, self._poles = (
            [ranged(low[:, i], high[:, i], i) for i in range(start, start + count)]
            for start in (0, count)
        )
        self.has_load_pole = low.shape[1] > 2 * count
        level = model.job.target.level_tolerance_db / NEPER_DB
        at_one = np.full(len(low), math.log(model.job.gain))
        gain = ranged(at_one - level, at_one + level, 2 * count)
        load = -math.log(loading.load_resistance)
        least, most = (-np.logaddexp(-shunt, load) for shunt in shunts)
        self._shunt = ranged(least, most, 2 * count + 1)
        # No network within the limits has a longer one.
        shortest, longest = (np.minimum(_time(model, shunt), load_s) for shunt in shunts)
        self._tau = (shortest, longest)
        inverse = -gain
        for sign, forms in ((1, self._zeros), (-1, self._poles)):
            for form in forms:
                size = _size_at_reference(form)
                inverse = inverse + size if sign > 0 else inverse - size
        self._inverse = inverse
        if self.has_load_pole:
            self._load_pole = np.exp(low[:, -1]), np.exp(high[:, -1])
            small, large = (
                np.log(np.hypot(1.0, REFERENCE_ANGULAR_FREQUENCY * pole))
                for pole in self._load_pole
            )
            self._inverse = inverse.within(-large, -small)

    def with_load_pole(self) -> Range:
        """Bound the time constants by the equation of tau, p_n and the pole of the load."""
        low, high, last = self._low.copy(), self._high.copy(), 2 * self._count - 1
        shortest, longest = self._tau
        tau = self._shunt + _constant(self._shunt, math.log(self._loading.load_capacitance))
        form = -self._inverse
        for zero in self._zeros:
            form = form + zero + (tau - zero).from_one()
        for pole in self._poles[:-1]:
            form = form - pole - (tau - pole).from_one()
        # With p_n - tau at its ends, which tells more than its logarithm where it is near 0.
        apart = np.exp(low[:, last]) - longest, np.exp(high[:, last]) - shortest
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            most = longest * (1.0 - np.exp(form.low) / apart[1])
            least = shortest * (1.0 - np.exp(form.high) / apart[0])
            least = np.where(apart[0] > 0.0, np.maximum(least, 0.0), 0.0)
            most = np.where(apart[1] > 0.0, np.maximum(most, 0.0), 0.0)
            low[:, -1] = np.maximum(low[:, -1], np.log(least) - _SLACK)
            high[:, -1] = np.minimum(high[:, -1], np.log(most) + _SLACK)
        low[:, last] = np.maximum(low[:, last], np.log(shortest) - _SLACK)
        return low, high

    def fractions(self) -> tuple[list[LogForm], list[LogForm]]:
        """Give R_i and T_i, the longest time constant first."""
        resistances = []
        for i, zero in enumerate(self._zeros):
            form = self._shunt + self._inverse
            for pole in self._poles:
                form = form + (pole - zero).from_one()
            for k, other in enumerate(self._zeros):
                form = form if k == i else form - (other - zero).from_one()
            # Of the load, 1 - tau/z divides; its pole p multiplies by 1 - p/z.
            low, high = (-end for end in _share([zero], self._tau)[::-1])
            if self.has_load_pole:
                below, above = _share([zero], self._load_pole)
                low, high = low + below, high + above
            resistances.append(form.within(low, high))
        return resistances, self._zeros

    def infinity(self) -> Range:
        """Bound R_inf; its logarithm, so that minus infinity stands for 0 and less."""
        form = self._inverse
        for pole in self._poles:
            form = form + pole
        for zero in self._zeros:
            form = form - zero
        tops = _share(self._zeros, self._tau)
        bottoms = _share(self._poles, self._tau)
        least = np.exp(form.low) - np.exp(tops[1] - bottoms[0])
        most = np.exp(form.high) - np.exp(tops[0] - bottoms[1])
        source = self._loading.source_resistance
        low = np.where(least > 0.0, np.exp(self._shunt.low), np.exp(self._shunt.high)) * least
        high = np.where(most > 0.0, np.exp(self._shunt.high), np.exp(self._shunt.low)) * most
        if self.has_load_pole:  # the same by what 1/H tends to
            least, most = (pole / self._loading.load_capacitance for pole in self._load_pole)
            low = np.fmax(low, np.exp(form.low) * least)
            high = np.fmin(high, np.exp(form.high) * most)
        with np.errstate(divide="ignore"):
            return (
                np.log(np.maximum(low - source, 0.0)) - _SLACK,
                np.log(np.maximum(high - source, 0.0)) + _SLACK,
            )


def _constant(like: LogForm, logarithm: float) -> LogForm:
    """A number, as a form in as many boxes."""
    nothing = np.zeros_like(like.centre)
    return LogForm(np.full_like(nothing, logarithm), np.zeros_like(like.slopes), nothing, nothing)


def _share(forms: list[LogForm], tau: Range) -> Range:
    """Bounds of ln of the product of 1 - tau/T, minus infinity where a T may be below tau."""
    with np.errstate(divide="ignore"):
        least, most = (
            sum(np.log1p(-np.minimum(end / np.exp(ends), 1.0)) for ends in each)
            for end, each in (
                (tau[1], [form.low for form in forms]),
                (tau[0], [form.high for form in forms]),
            )
        )
    return np.asarray(least), np.asarray(most)


def _size_at_reference(form: LogForm) -> LogForm:
    """ln|1 + j w T| at 1 kHz: its slope by ln T is at most 1, its second derivative at most 1/2."""
    square = (REFERENCE_ANGULAR_FREQUENCY * np.exp(form.centre)) ** 2
    slope = square / (1.0 + square)
    reach = np.maximum(form.high - form.centre, form.centre - form.low)
    return LogForm(
        0.5 * np.log1p(square),
        form.slopes * slope[:, None],
        slope * form.below,
        slope * form.above + 0.25 * reach * reach,
    )
