"""Bounds of the element values that a curve needs of a form, by interval arithmetic.

The level at 1 kHz, the resistor across the output and a free ultrasonic pole are divided into
small steps that cover their whole ranges.  In each step the element formulas of the half-section
(`antecurve.synthesis.sections`) run on intervals, so that no network that makes the curve
exactly has values outside.  Everything is divided by the scale Rp/g, which drops out of products
R C and of ratios.

With CL the pole T5 follows from the shortest pole T (other poles p, zeros z, tau = Rp CL):

.. math::
    T_5 = \\tau\\Bigl(1 - \\frac{g\\kappa}{T - \\tau}\\Bigr), \\quad
    \\kappa = \\frac{\\prod z}{\\prod p}\\,\\rho, \\quad
    \\rho = \\frac{\\prod(1 - \\tau/z)}{\\prod(1 - \\tau/p)}

and what is left at infinite frequency, R_inf + Rs + Rp, is (Rp/g) times
c0 - g (rho/(1 - tau/T) - 1), c0 = prod(p) T/prod(z).  T5 is above 0 and not above T: with tau below
all z and p that leaves T > tau + g kappa.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.interval import Interval
from antecurve.algebra.zero_pole_gain import ZeroPoleGain, product
from antecurve.curves.model import REFERENCE_ANGULAR_FREQUENCY as W
from antecurve.curves.model import Curve, zero_pole_gain
from antecurve.job import Job
from antecurve.networks.topology import ElementKind, Topology
from antecurve.networks.tree import leaves
from antecurve.pick.candidates import Candidates
from antecurve.synthesis.arms.arm import Arm, Terms
from antecurve.synthesis.impedance import RcImpedance
from antecurve.synthesis.sections import named_form
from antecurve.synthesis.sections.elements import StageElements
from antecurve.synthesis.sections.half_section import HALF_SECTION

__all__ = ["ValueRanges", "flat_ranges", "ranges_of", "ranges_of_curve", "sampled_ranges"]

Floats = NDArray[np.float64]

_STEPS = (4, 12, 256)
"""Of level, resistor across the output, and free pole: ratios are then some per cent wide."""
_STEPS_WITHOUT_POLE = (24, 96, 1)
"""The same where the pole is given: R_inf hangs on the others all the more."""
_FLAT_STEPS = (64, 8)  # of the series resistor and the level
_FAR = 1e7  # times the least resistor: from there to infinity is one step, as of one opened
_HALVINGS = 60  # of the distance between two poles: what remains is rounding
_NEGLIGIBLE = 1e-9  # R_inf below this part of the resistor across the output is left out


@dataclass(frozen=True, slots=True, eq=False)
class ValueRanges:
    """Bounds of the values of one position of the switch, in every step.

    Attributes
    ----------
    values : tuple of Interval
        Resistances over the scale and capacitances times the scale, in the order of the elements.
    scale : Interval
        Rp/g [ohm]; 1 where the values are in ohm.
    at_infinity : Interval or None
        R_inf + Rp + Rs over the scale.
    proved : bool
        Whether they hold for every network that makes the curve; else they are of samples.
    """

    values: tuple[Interval, ...]
    scale: Interval
    at_infinity: Interval | None
    proved: bool


def _steps(low: float, high: float, count: int) -> tuple[Floats, Floats]:
    """Ends of steps that cover a range, in equal ratios."""
    if high <= low:
        return np.array([low]), np.array([high])
    edges = np.geomspace(low, min(high, _FAR * low), count + 1)
    edges[0], edges[-1] = low, high
    return edges[:-1], edges[1:]


@dataclass(frozen=True, slots=True, eq=False)
class _Stage:
    """What is free, as intervals, and what follows from it, but for the elements."""

    gain_constant: Interval
    shunt: Interval
    parallel: Interval
    load_time: Interval
    shortest: Interval
    load_pole: Interval
    at_infinity: Interval

    def where(self, chosen: NDArray[np.bool_]) -> _Stage:
        return _Stage(*(getattr(self, name).where(chosen) for name in self.__slots__))


def ranges_of_curve(
    form: str,
    curve: Curve,
    topology: Topology,
    *,
    job: Job,
    shunts: tuple[float, float],
    poles: tuple[float, float] | None,
) -> ValueRanges | None:
    """Bound the values that a curve needs of a form.

    Parameters
    ----------
    form : str
        Name of the form.
    curve : Curve
        The curve, without a free ultrasonic pole.
    topology : Topology
        The elements of its exact network.
    job : Job
        Loading, and the level with its tolerance.
    shunts : tuple of float
        Range of the resistor across the output [ohm]; infinite where it may be opened.
    poles : tuple of float or None
        Range of the free ultrasonic pole [s]; ``None`` where the curve has its own.

    Returns
    -------
    ValueRanges or None
        The bounds; ``None`` for a kind of section or a curve that these formulas don't cover.
    """
    made = named_form(form)
    emphasis = zero_pole_gain(curve).lowest_terms()
    degree = emphasis.relative_degree
    if made.section is not HALF_SECTION or made.arm is None or degree != (-1 if poles else 0):
        return None
    own = list(emphasis.poles_s)
    shortest = poles or (own[-1], own.pop())
    stage = _stage(emphasis, own, job, shunts, shortest)
    source = job.loading.source_resistance
    infinity = stage.at_infinity - stage.gain_constant * (1.0 + source / stage.parallel)
    least = _NEGLIGIBLE * (stage.gain_constant * stage.shunt / stage.parallel).low
    possible = (infinity.high >= least) & (stage.shortest.low <= stage.shortest.high)
    if not possible.any():
        return None
    stage, infinity = stage.where(possible), infinity.where(possible)
    infinity = Interval(np.maximum(infinity.low, least[possible]), infinity.high)
    loaded = job.loading.load_capacitance > 0.0
    whole: ZeroPoleGain[Any] = ZeroPoleGain(
        emphasis.zeros_s, (*own, stage.shortest), emphasis.zeros_at_origin
    )
    elements = StageElements(
        whole, (stage.load_pole,) * loaded, (), (stage.load_time,) * loaded, 1.0, source, loaded
    )
    branches = tuple((elements.branch_resistance(z), z) for z in emphasis.zeros_s)
    arm = RcImpedance(infinity, float(emphasis.zeros_at_origin), branches)
    values = _expanded(made.arm, arm, topology)
    if values is None:
        return None
    across = stage.gain_constant * (1.0 + stage.shunt / job.loading.load_resistance)
    scale = stage.parallel / stage.gain_constant
    return ValueRanges((*values, across), scale, stage.at_infinity, proved=True)


def _stage(
    emphasis: ZeroPoleGain[float],
    own: Sequence[float],
    job: Job,
    shunts: tuple[float, float],
    shortest: tuple[float, float],
) -> _Stage:
    """Divide what is free into steps and bound what follows from it."""
    target, loading = job.target, job.loading
    room = 10.0 ** (target.level_tolerance_db / 20.0)
    steps = _STEPS if shortest[0] < shortest[1] else _STEPS_WITHOUT_POLE
    spans = ((job.gain / room, min(job.gain * room, 1.0)), shunts, shortest)
    ends = [_steps(*span, count) for span, count in zip(spans, steps, strict=True)]
    lows = np.meshgrid(*(low for low, _ in ends), indexing="ij")
    highs = np.meshgrid(*(high for _, high in ends), indexing="ij")
    level, shunt, pole = (
        Interval(low.ravel(), high.ravel()) for low, high in zip(lows, highs, strict=True)
    )
    parallel = 1.0 / (1.0 / shunt + 1.0 / Interval.of(loading.load_resistance))
    tau = parallel * loading.load_capacitance
    fixed = math.prod(math.hypot(1.0, W * t) for t in own) / math.prod(
        math.hypot(1.0, W * t) for t in emphasis.zeros_s
    )
    fixed /= W**emphasis.zeros_at_origin
    clear = tau.high < min((*emphasis.zeros_s, *own), default=math.inf)
    longest = np.where(clear, tau.high, np.maximum(tau.high, pole.high))  # T5 is not longer
    beyond = Interval(1.0, (1.0 + W * W * Interval(0.0, longest * longest)).sqrt().high)
    constant = level * fixed * beyond * (1.0 + W * W * (pole * pole)).sqrt()
    rise = math.prod(emphasis.zeros_s) / math.prod(own)
    if not loading.load_capacitance:
        none = Interval(np.zeros_like(tau.low), np.zeros_like(tau.low))
        return _Stage(constant, shunt, parallel, tau, pole, none, pole / rise)
    ratio = _less_than_one(tau, emphasis.zeros_s) / _less_than_one(tau, own)
    reach = constant * (rise * ratio)
    pole = pole.within(Interval(np.where(clear, (tau + reach).low, 0.0), np.inf))
    load_pole = tau * (1.0 - reach / (pole - tau))
    load_pole = _chosen(clear, load_pole, Interval(0.0, pole.high)).within(Interval(0.0, longest))
    at_infinity = pole / rise - constant * (ratio / (1.0 - tau / pole) - 1.0)
    roughly = pole / rise * (load_pole / tau) + constant
    return _Stage(
        constant, shunt, parallel, tau, pole, load_pole, _chosen(clear, at_infinity, roughly)
    )


def _less_than_one(tau: Interval, times: Sequence[float]) -> Interval:
    """Product of 1 - tau/T."""
    return Interval.of(product([1.0 / t for t in times], -tau))


def _chosen(which: NDArray[np.bool_], one: Interval, other: Interval) -> Interval:
    return Interval(np.where(which, one.low, other.low), np.where(which, one.high, other.high))


def _expanded(arm: Arm, impedance: RcImpedance, topology: Topology) -> tuple[Interval, ...] | None:
    """The elements of the series arm; ``None`` where steps are too wide to tell what they are.

    Where a step leaves the sign of a remainder open, an element may come out with any value; what
    is asked for are values above 0.
    """
    made = tuple(leaves(arm.expand(_with_zeros(arm, impedance))))
    kinds = [e.kind for e in topology.elements]
    if [leaf.kind for leaf in made] + [ElementKind.RESISTOR] != kinds:
        return None
    return tuple(Interval.of(leaf.value).within(Interval(0.0, np.inf)) for leaf in made)


def _with_zeros(arm: Arm, impedance: RcImpedance) -> RcImpedance:
    """Enclose the time constants of the impedance's zeros, those of the form that needs them."""
    if arm.terms is not Terms.ZEROS:
        return impedance
    zeros = _enclosed_zeros(impedance, whole=arm.needs_infinity)
    return replace(impedance, zero_symbols=zeros or (Interval.of(1.0),))  # cut to as many as count


def _enclosed_zeros(impedance: RcImpedance, *, whole: bool) -> tuple[Interval, ...]:
    """Time constants of the zeros, longest first, with R_inf or without.

    Z(-x) rises between its poles.  Each zero comes earliest where all terms are as large as they
    can be: those of poles beyond it, which are above 0, and those before it.
    """
    corners = [0.0] * bool(impedance.elastance_at_origin)
    corners += [1.0 / t for _, t in impedance.branches]
    infinity = Interval.of(impedance.resistance_at_infinity if whole else 0.0)
    if whole:  # there R_inf is more than all the other terms, each of which is below its share
        shares = sum((r / t for r, t in impedance.branches), Interval.of(0.0))
        shares = (shares + impedance.elastance_at_origin) / infinity
        corners.append(corners[-1] + shares.hull[1])

    def first(low: float, high: float, *, largest: bool) -> Floats:
        constant = infinity.high if largest else infinity.low
        terms = [
            (r.high if largest == (1.0 / t >= high) else r.low, t) for r, t in impedance.branches
        ]
        below, above = np.full(constant.shape or terms[0][0].shape, low), high
        width = above - below
        for _ in range(_HALVINGS):
            width = width / 2.0
            middle = below + width
            total = constant - impedance.elastance_at_origin / middle
            with np.errstate(divide="ignore"):
                total = total + sum(r / (1.0 - middle * t) for r, t in terms)
            below = np.where(total < 0.0, middle, below)
        return np.asarray(below + width / 2.0)

    spare = 2.0 * 2.0**-_HALVINGS
    zeros = []
    for low, high in pairwise(corners):
        early, late = first(low, high, largest=True), first(low, high, largest=False)
        margin = spare * (high - low)
        zeros.append(1.0 / Interval(early - margin, late + margin))
    return tuple(zeros)


def flat_ranges(job: Job, series: tuple[float, float]) -> ValueRanges:
    """Bound the two resistors of a flat position.

    Parameters
    ----------
    job : Job
        Loading, and the level with its tolerance.
    series : tuple of float
        Range of the series resistor [ohm].

    Returns
    -------
    ValueRanges
        The bounds; the resistor across the output follows the level.
    """
    room = 10.0 ** (job.target.level_tolerance_db / 20.0)
    ends = [
        _steps(*span, count)
        for span, count in zip(
            (series, (job.gain / room, min(job.gain * room, 1.0))), _FLAT_STEPS, strict=True
        )
    ]
    low, high = ([g.ravel() for g in np.meshgrid(*side)] for side in zip(*ends, strict=True))
    resistance, level = (Interval(*pair) for pair in zip(low, high, strict=True))
    loading = job.loading
    conductance = (1.0 / level - 1.0) / (resistance + loading.source_resistance)
    conductance = conductance - 1.0 / Interval.of(loading.load_resistance)
    possible = conductance.high > 0.0
    conductance = conductance.where(possible).within(Interval(0.0, np.inf))
    with np.errstate(divide="ignore"):
        across = Interval(1.0 / conductance.high, 1.0 / conductance.low)
    return ValueRanges((resistance.where(possible), across), Interval.of(1.0), None, proved=True)


def sampled_ranges(logs: Floats) -> ValueRanges:
    """Take samples for bounds, where there is nothing better.

    Parameters
    ----------
    logs : numpy.ndarray of float, shape (samples, elements)
        ln of the values.

    Returns
    -------
    ValueRanges
        The samples, not proved.
    """
    values = tuple(Interval(v, v) for v in np.exp(logs).T)
    return ValueRanges(values, Interval.of(1.0), None, proved=False)


def ranges_of(stock: dict[ElementKind, Candidates]) -> dict[object, tuple[float, float]]:
    """Bound the values of a position by the candidates.

    Parameters
    ----------
    stock : dict of ElementKind to Candidates
        Values that a position can take.

    Returns
    -------
    dict of ElementKind to tuple of float
        ln of the least and the largest.
    """
    return {
        kind: (float(np.log(choices.values[0])), float(np.log(choices.values[-1])))
        for kind, choices in stock.items()
    }
