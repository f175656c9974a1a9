"""One section: a series arm and a shunt arm that make a curve, exactly.

Notation: H(s) = g N(s)/D(s) with N, D the products of the curve's (1 + s T), N with a factor s
for a zero at the origin; R0 is the resistor across the output, Rp = R0 || RL.  The shunt arm,
load included, is

.. math:: Z_p(s) = R_p\\,A(s)/Q(s),

where A takes some of the curve's zeros and Q is made of as many roots of D(s) = g N(s), so that

.. math:: Z(s) = Z_p(s)\\,\\bigl(1/H(s) - 1\\bigr) - R_s
               = \\frac{R_p\\,(D(s) - g N(s))}{g\\,Q(s)\\,N(s)/A(s)} - R_s

has poles at the other zeros only and is an RC impedance when its partial fractions and R_inf
are positive.  Three kinds of section follow:

* ``half-section``: A = Q = 1, the shunt arm is R0 alone;
* ``output-capacitor``: A = 1, Q = 1 + s Tc, a capacitor across the output for a curve with one
  pole more than zeros; the load's capacitance is part of it;
* ``rc-shunt``: A takes zeros of a curve that begins with a pole (seen from low frequency), such
  as one that rises towards DC up to a bound; each makes a series RC branch in the shunt arm.

Where the shunt arm has no capacitor of its own, the load's capacitance CL adds a factor
1 + s Tc to Q, with Tc = Rp CL prod(A)/prod(Q), and one more pole to the curve:

.. math:: T_5 = T_c \\bigl(1 - g N(-1/T_c) / D(-1/T_c)\\bigr)

with D without T5 on the right; it has to lie above the curve's own highest pole.  A curve with
one pole too few to be finite at high frequency is met with R_inf = 0; the pole that results is
the implied one.  `antecurve.synthesis.section_problem` and
`antecurve.synthesis.section_tracks` solve for these unknowns,
`antecurve.synthesis.section_conditions` says which element comes out negative.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.networks.topology import Loading
from antecurve.quantities import format_quantity
from antecurve.synthesis.impedance import RcImpedance
from antecurve.synthesis.rational import Violation, counted, load_pole_violation, product
from antecurve.synthesis.section_conditions import (
    alternating,
    branch_violation,
    capacitor_violation,
    infinity_violation,
    no_root_violation,
    no_series_violation,
    shunt_branch_violation,
)
from antecurve.synthesis.section_problem import Balance, SectionProblem, closed_form
from antecurve.synthesis.section_tracks import (
    NegativeBranch,
    Sweep,
    direct_balances,
    nearest_miss,
    scanned_balances,
)

__all__ = ["Section", "ShuntArm", "solve_section"]

_NEGLIGIBLE = 1e-9


@dataclass(frozen=True, slots=True)
class ShuntArm:
    """What lies across the output, the load not counted.

    Attributes
    ----------
    resistance : float
        R0 [ohm].
    capacitance : float
        Capacitor across the output [F]; 0 for none.
    branches : tuple of tuple of float
        Series RC branches: pairs (R [ohm], C [F]), longest time constant first.
    """

    resistance: float
    capacitance: float = 0.0
    branches: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Section:
    """A section that makes a curve.

    Attributes
    ----------
    series : RcImpedance
        Z(s) of the series arm, source resistance not counted.
    shunt : ShuntArm
        The shunt arm.
    level : float
        The constant g in H = g N/D.
    load_pole_s : float or None
        T5 [s], the one pole beyond the curve that the load's capacitance adds.
    implied_poles_s : tuple of float
        Poles [s] that the curve did not ask for but that any network of the form has.
    """

    series: RcImpedance
    shunt: ShuntArm
    level: float
    load_pole_s: float | None
    implied_poles_s: tuple[float, ...]


def solve_section(
    found: ZeroPoleGain[float],
    *,
    kind: str,
    loading: Loading,
    gain: float,
    shunt_resistance: float,
    explain: bool = True,
    closely: bool = True,
) -> Section | Violation:
    """Return the section that makes a curve at a gain with a given resistor across the output.

    Parameters
    ----------
    found : ZeroPoleGain
        The curve.
    kind : str
        ``half-section``, ``output-capacitor`` or ``rc-shunt``.
    loading : Loading
        Source and load.
    gain : float
        Magnitude of H at 1 kHz, above 0 and below 1.
    shunt_resistance : float
        R0 [ohm], above 0, the resistor across the output; the impedance level.
    explain : bool, optional
        Whether to look for the very inequality that does not hold, where that takes longer than
        to know that there is none.
    closely : bool, optional
        Whether to look where a solution is hard to see before there is said to be none.

    Returns
    -------
    Section or Violation
        The section, or the condition that does not hold.

    Notes
    -----
    Of several solutions the one with fewest zeros in the shunt arm is taken, and among those
    the one with the longest time constants in Q; for a curve without ultrasonic pole, of those
    found the one whose pole is farthest from the audio band.
    """
    mismatch = _structure(found, kind)
    if mismatch is not None:
        return mismatch
    start = SectionProblem(found, loading, gain, shunt_resistance)
    if kind == "rc-shunt" and not start.own_capacitor and (start.loaded or start.implied):
        return _scanned(start, explain, closely)
    if kind == "half-section":
        solved = closed_form(start)
        return solved if isinstance(solved, Violation) else _checked(start, solved)
    failure: Violation | None = None
    for problem in _problems(start, kind):
        # Without zeros of its own the arm is a capacitor: the shortest root leaves most positive.
        found_balances = direct_balances(problem)
        if kind == "output-capacitor":
            found_balances = sorted(found_balances, key=lambda balance: balance.times[-1])
        for balance in found_balances:
            result = _checked(problem, balance)
            if isinstance(result, Section):
                return result
            failure = failure or result
    if kind == "output-capacitor" and alternating(found):
        failure = failure if _balanced_below(start) else None
    return failure or no_root_violation(start, kind)


def _balanced_below(problem: SectionProblem) -> bool:
    """Whether a root of D = g N lies below the curve's shortest zero, as it has to be."""
    zeros = problem.found.zeros_s
    return any(not zeros or b.times[-1] < zeros[-1] for b in direct_balances(problem))


def _scanned(start: SectionProblem, explain: bool, closely: bool) -> Section | Violation:
    """Solve for the pole beyond the curve; an implied one is the farthest from the band."""
    failure: Violation | None = None
    for close in (False, True) if closely else (False,):
        sweep = Sweep.of(start, closely=close)
        best: Section | None = None
        for problem in _problems(start, "rc-shunt"):
            below = best.implied_poles_s[0] if best else math.inf
            for balance in scanned_balances(problem, sweep, closely=close, below=below):
                result = _checked(problem, balance)
                if isinstance(result, Violation):
                    failure = failure or result
                elif not start.implied:
                    return result
                elif best is None or result.implied_poles_s < best.implied_poles_s:
                    best = result
        if best is not None:
            return best
    if failure is None and explain:
        miss = nearest_miss(_problems(start, "rc-shunt"), sweep)
        if isinstance(miss, NegativeBranch):
            checked = _checked(miss.problem, miss.balance)
            miss = checked if isinstance(checked, Violation) else None
        failure = miss
    return failure or no_root_violation(start, "rc-shunt")


def _structure(found: ZeroPoleGain[float], kind: str) -> Violation | None:
    """Say what about the curve's own shape the kind of section can't make."""
    degree = len(found.zeros_s) + found.zeros_at_origin
    excess = len(found.poles_s) - degree
    if found.poles_at_origin:
        return Violation(
            "the curve must be finite at zero frequency, but it rises towards DC without end",
            structural=True,
        )
    arms = 2 if kind == "rc-shunt" else 1
    for zero in found.zeros_s:
        if found.zeros_s.count(zero) > arms:
            return Violation(
                f"the zeros that one arm makes must differ, but {format_quantity(zero, 's')} is "
                f"there {found.zeros_s.count(zero)} times",
                structural=True,
            )
    allowed = {"half-section": (-1, 0), "output-capacitor": (1,), "rc-shunt": (-1, 0, 1)}[kind]
    if excess not in allowed or found.zeros_at_origin > 1:
        words = " or ".join(
            {-1: "one fewer than", 0: "as many as", 1: "one more than"}[k] for k in allowed
        )
        return Violation(
            f"the number of poles must be {words} the number of zeros (at most one of them at "
            f"the origin), but the curve has {counted(degree, 'zero')} and "
            f"{counted(len(found.poles_s), 'pole')}",
            structural=True,
        )
    return None


def _problems(start: SectionProblem, kind: str) -> Iterator[SectionProblem]:
    """Every way to share the zeros between the arms, of which none makes the same one twice."""
    zeros = start.found.zeros_s
    counts = range(1, len(zeros) + 1) if kind == "rc-shunt" else range(1)
    for count in counts:
        for taken in dict.fromkeys(combinations(zeros, count)):
            problem = SectionProblem(start.found, start.loading, start.gain, start.shunt, taken)
            if all(len(set(arm)) == len(arm) for arm in (taken, problem.kept)):
                yield problem


def _checked(problem: SectionProblem, balance: Balance) -> Section | Violation:
    """Turn a solved problem into elements and check every one of them."""
    found, rp, level = problem.found, problem.parallel, balance.level
    if balance.load_pole and not problem.implied:
        late = load_pole_violation(found, problem.gain, balance.load_pole)
        if late is not None:
            return late
    poles = (*found.poles_s, *balance.beyond)
    branches = []
    for zero in problem.kept:
        s = -1.0 / zero
        others = product([z for z in problem.kept if z != zero], s) * s**found.zeros_at_origin
        resistance = rp * product(poles, s) / (product(balance.times, s) * level * others)
        if not resistance > 0:
            return branch_violation(problem, balance, zero, resistance)
        branches.append((resistance, zero))
    shunt_branches = []
    for zero in problem.taken:
        s = -1.0 / zero
        capacitance = -zero * product(balance.times, s)
        capacitance /= rp * product([z for z in problem.taken if z != zero], s)
        if not capacitance > 0:
            return shunt_branch_violation(balance, zero, capacitance)
        shunt_branches.append((zero / capacitance, capacitance))
    capacitance = 0.0
    if problem.own_capacitor:
        total = math.prod(balance.times) / (rp * math.prod(problem.taken))
        capacitance = total - problem.loading.load_capacitance
        if capacitance < _NEGLIGIBLE * total:
            return capacitor_violation(problem, total)
    infinity = 0.0 if problem.implied else _resistance_at_infinity(problem, balance)
    if not branches and not found.zeros_at_origin and infinity <= _NEGLIGIBLE * problem.shunt:
        return no_series_violation(problem, infinity)
    if infinity < -_NEGLIGIBLE * problem.shunt:
        return infinity_violation(problem, balance, infinity)
    series = RcImpedance(
        infinity if infinity > _NEGLIGIBLE * problem.shunt else 0.0,
        rp / level if found.zeros_at_origin else 0.0,
        tuple(branches),
    )
    return Section(
        series,
        ShuntArm(problem.shunt, capacitance, tuple(shunt_branches)),
        level,
        balance.load_pole or None,
        (balance.implied_pole,) if balance.implied_pole else (),
    )


def _resistance_at_infinity(problem: SectionProblem, balance: Balance) -> float:
    ratio = problem.parallel * math.prod(problem.taken) / math.prod(balance.times)
    poles = (*problem.found.poles_s, *balance.beyond)
    inverse = math.prod(poles) / (balance.level * math.prod(problem.found.zeros_s))
    if problem.own_capacitor or problem.loaded:
        return ratio * inverse - problem.loading.source_resistance
    return ratio * (inverse - 1.0) - problem.loading.source_resistance
