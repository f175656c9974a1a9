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
the implied one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

from antecurve.curves.model import Factors
from antecurve.networks.topology import Loading
from antecurve.quantities import format_quantity
from antecurve.synthesis.impedance import RcImpedance
from antecurve.synthesis.rational import (
    Violation,
    balance_roots,
    counted,
    level_constant,
    load_pole_violation,
    polished_root,
    product,
    settled,
    unsettled,
)

__all__ = ["Section", "ShuntArm", "solve_section"]

_ROUNDS = 150
_PATIENCE = 20
_SETTLED = 1e-13
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
    found: Factors, *, kind: str, loading: Loading, gain: float, shunt_resistance: float
) -> Section | Violation:
    """Return the section that makes a curve at a gain with a given resistor across the output.

    Parameters
    ----------
    found : Factors
        The curve.
    kind : str
        ``half-section``, ``output-capacitor`` or ``rc-shunt``.
    loading : Loading
        Source and load.
    gain : float
        Magnitude of H at 1 kHz, above 0 and below 1.
    shunt_resistance : float
        R0 [ohm], above 0, the resistor across the output; the impedance level.

    Returns
    -------
    Section or Violation
        The section, or the condition that does not hold.

    Notes
    -----
    Of several solutions the one with fewest zeros in the shunt arm is taken, and among those
    the one with the longest time constants in Q.
    """
    mismatch = _structure(found, kind)
    if mismatch is not None:
        return mismatch
    failure: Violation | None = None
    for problem in _problems(found, kind, loading, gain, shunt_resistance):
        solved = problem.solved()
        result = _checked(problem) if solved else unsettled(gain)
        if isinstance(result, Section):
            return result
        if failure is None or failure.structural:
            failure = result
    return failure or _without_root(found, kind, gain)


def _structure(found: Factors, kind: str) -> Violation | None:
    """Say what about the curve's own shape the kind of section can't make."""
    degree = len(found.zeros_s) + found.zeros_at_origin
    excess = len(found.poles_s) - degree
    if found.poles_at_origin:
        return Violation(
            "the curve must be finite at zero frequency, but it rises towards DC without end",
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


@dataclass(slots=True)
class _Problem:
    """The unknowns of one way to share the curve's zeros between the arms."""

    found: Factors
    loading: Loading
    gain: float
    shunt: float
    taken: tuple[float, ...]
    roots: tuple[float, ...]
    own_capacitor: bool
    implied: bool
    level: float = 0.0
    cap_time: float = 0.0
    load_pole: float = 0.0
    implied_pole: float = 0.0

    @property
    def parallel(self) -> float:
        load = self.loading.load_resistance
        return self.shunt * load / (self.shunt + load)

    @property
    def kept(self) -> tuple[float, ...]:
        return tuple(z for z in self.found.zeros_s if z not in self.taken)

    @property
    def poles(self) -> tuple[float, ...]:
        """D without T5."""
        return self.found.poles_s + ((self.implied_pole,) if self.implied_pole else ())

    @property
    def all_poles(self) -> tuple[float, ...]:
        return self.poles + ((self.load_pole,) if self.load_pole else ())

    @property
    def balance(self) -> tuple[float, ...]:
        """Q, the factor with the capacitor's time constant included."""
        return self.roots + ((self.cap_time,) if self.cap_time else ())

    def numerator(self, s: float) -> float:
        """g s^a N(s)."""
        return float(self.level * s**self.found.zeros_at_origin * product(self.found.zeros_s, s))

    def solved(self) -> bool:
        """Solve for g, T5, the implied pole and the roots in Q, by fixed point."""
        change = math.inf
        for done in range(_ROUNDS):
            last = self._unknowns()
            self._round()
            now = self._unknowns()
            if not all(math.isfinite(x) for x in now) or min(self.implied_pole, *now[3:], 0.0) < 0:
                return False
            if settled(now, last, 1e-16):
                return True
            before, change = change, abs(now[0] / last[0] - 1.0) if last[0] else math.inf
            if done > _PATIENCE and change >= before and change > _SETTLED:
                return False
        return settled(now, last, _SETTLED)

    def _unknowns(self) -> tuple[float, ...]:
        return (self.level, self.load_pole, self.implied_pole, *self.balance)

    def _round(self) -> None:
        found, rp, rs = self.found, self.parallel, self.loading.source_resistance
        self.level = level_constant(self.gain, found.zeros_s, found.zeros_at_origin, self.all_poles)
        if self.own_capacitor:
            *others, cap = (
                polished_root(found, self.all_poles, self.level, t) for t in self.balance
            )
            self.roots, self.cap_time = tuple(others), cap
        else:
            self.roots = tuple(
                polished_root(found, self.all_poles, self.level, t) for t in self.roots
            )
        ratio = math.prod(self.taken) / math.prod(self.roots)
        lead = self.level * math.prod(found.zeros_s) / math.prod(found.poles_s)
        if self.own_capacitor:
            return
        if not self.loading.load_capacitance:
            self.implied_pole = lead * (1.0 + rs / (rp * ratio)) if self.implied else 0.0
            return
        self.cap_time = self.loading.load_capacitance * rp * ratio
        s = -1.0 / self.cap_time
        balance = 1.0 - self.numerator(s) / product(found.poles_s, s)
        if not self.implied:
            self.load_pole = self.cap_time * balance
            return
        # T5 and the implied pole by their product, from R_inf = 0, and their sum.
        both = lead * rs * self.cap_time / (rp * ratio)
        total = both / self.cap_time + self.cap_time * balance
        self.implied_pole = 0.5 * (total + math.sqrt(max(total * total - 4.0 * both, 0.0)))
        self.load_pole = both / self.implied_pole


def _problems(
    found: Factors, kind: str, loading: Loading, gain: float, shunt: float
) -> Iterator[_Problem]:
    """Every way to share the zeros between the arms, with a start for its unknowns."""
    excess = len(found.poles_s) - len(found.zeros_s) - found.zeros_at_origin
    start = _Problem(found, loading, gain, shunt, (), (), excess == 1, excess == -1)
    if kind == "half-section":
        yield start
        return
    level = level_constant(gain, found.zeros_s, found.zeros_at_origin, found.poles_s)
    poles = found.poles_s
    if start.implied:
        start.implied_pole = level * math.prod(found.zeros_s) / math.prod(poles)
        poles = start.poles
        level = level_constant(gain, found.zeros_s, found.zeros_at_origin, poles)
    roots = balance_roots(found, poles, level)
    if kind == "output-capacitor" and found.zeros_s:
        roots = tuple(t for t in roots if t < found.zeros_s[-1])
    counts = range(1, len(found.zeros_s) + 1) if kind == "rc-shunt" else range(1)
    for count in counts:
        for taken in combinations(found.zeros_s, count):
            for chosen in combinations(roots, count + start.own_capacitor):
                if not _interlaced(chosen, taken):
                    continue
                if start.own_capacitor:
                    yield replace(start, taken=taken, roots=chosen[:-1], cap_time=chosen[-1])
                else:
                    yield replace(start, taken=taken, roots=chosen)


def _interlaced(poles: tuple[float, ...], zeros: tuple[float, ...]) -> bool:
    """Whether time constants alternate, longest first, beginning with a pole."""
    merged = sorted([(t, 0) for t in poles] + [(t, 1) for t in zeros], reverse=True)
    return all(kind == place % 2 for place, (_, kind) in enumerate(merged))


def _checked(problem: _Problem) -> Section | Violation:
    """Turn a solved problem into elements and check every one of them."""
    p = problem
    rp = p.parallel
    late = (
        load_pole_violation(p.found, p.gain, p.load_pole) if p.load_pole and not p.implied else None
    )
    if late is not None:
        return late
    branches = []
    for zero in p.kept:
        s = -1.0 / zero
        others = product([z for z in p.kept if z != zero], s) * s**p.found.zeros_at_origin
        resistance = rp * product(p.all_poles, s) / (product(p.balance, s) * p.level * others)
        branches.append((resistance, zero))
        if not resistance > 0:
            return _not_interlaced(p.found, zero, resistance)
    shunt_branches = []
    for zero in p.taken:
        s = -1.0 / zero
        capacitance = -zero * product(p.balance, s)
        capacitance /= rp * product([z for z in p.taken if z != zero], s)
        if not capacitance > 0:
            return Violation(
                f"the shunt branch at {format_quantity(zero, 's')} must have a capacitance "
                f"above 0, but it would be {format_quantity(capacitance, 'F')}"
            )
        shunt_branches.append((zero / capacitance, capacitance))
    capacitance = 0.0
    if p.own_capacitor:
        total = math.prod(p.balance) / (rp * math.prod(p.taken))
        capacitance = total - p.loading.load_capacitance
        if capacitance < _NEGLIGIBLE * total:
            return Violation(
                "the capacitor across the output, load included, must be greater than the "
                f"load's {format_quantity(p.loading.load_capacitance, 'F')}, but it would be "
                f"{format_quantity(total, 'F')} at a resistor across the output of "
                f"{format_quantity(p.shunt, 'ohm')}"
            )
    infinity = 0.0 if p.implied else _resistance_at_infinity(p)
    if not branches and not p.found.zeros_at_origin and infinity <= _NEGLIGIBLE * p.shunt:
        return Violation(
            "the series arm must have a resistance above 0, but it would be "
            f"{format_quantity(infinity, 'ohm')}"
        )
    if infinity < -_NEGLIGIBLE * p.shunt:
        return _infinity_violation(p, infinity)
    series = RcImpedance(
        infinity if infinity > _NEGLIGIBLE * p.shunt else 0.0,
        rp / p.level if p.found.zeros_at_origin else 0.0,
        tuple(branches),
    )
    return Section(
        series,
        ShuntArm(p.shunt, capacitance, tuple(shunt_branches)),
        p.level,
        p.load_pole or None,
        (p.implied_pole,) if p.implied else (),
    )


def _resistance_at_infinity(p: _Problem) -> float:
    ratio = p.parallel * math.prod(p.taken) / math.prod(p.roots)
    inverse = math.prod(p.all_poles) / (p.level * math.prod(p.found.zeros_s))
    source = p.loading.source_resistance
    if p.cap_time:
        return ratio * inverse / p.cap_time - source
    return ratio * (inverse - 1.0) - source


def _infinity_violation(p: _Problem, infinity: float) -> Violation:
    source = p.loading.source_resistance
    top = 20.0 * math.log10(p.gain)
    highest = format_quantity(1.0 / (2.0 * math.pi * p.found.poles_s[-1]), "Hz")
    if p.cap_time:
        condition = (
            "the series arm's resistance at high frequency, source resistance included, must "
            f"be at least the source's: {format_quantity(infinity + source, 'ohm')} >= "
            f"{format_quantity(source, 'ohm')} does not hold"
        )
    else:
        ratio = p.parallel * math.prod(p.taken) / math.prod(p.roots)
        reach = p.level * math.prod(p.found.zeros_s) / math.prod(p.all_poles)
        condition = (
            "the gain at high frequency, g0 T1 T3.../(T2 T4...), must be at most "
            f"Rp/(Rp + Rs): {reach:.4g} <= {ratio / (ratio + source):.4g} does not hold"
        )
    return Violation(
        f"{condition} at {top:.2f} dB at 1 kHz with the highest pole at {highest} (the resistor "
        f"in series would be {format_quantity(infinity, 'ohm')})"
    )


def _not_interlaced(found: Factors, zero: float, resistance: float) -> Violation:
    return Violation(
        f"{_alternation(found)}, so that the branch at {format_quantity(zero, 's')} would be "
        f"{format_quantity(resistance, 'ohm')}",
        structural=True,
    )


def _alternation(found: Factors) -> str:
    corners = [(t, "zero") for t in found.zeros_s] + [(t, "pole") for t in found.poles_s]
    order = [f"{word} {format_quantity(t, 's')}" for t, word in sorted(corners, reverse=True)]
    order = ["zero at the origin"] * found.zeros_at_origin + order
    return (
        "zeros and poles must alternate from low frequency, a zero first (T1 > T2 > T3 > ...), "
        f"but the curve has {', '.join(order)}"
    )


def _without_root(found: Factors, kind: str, gain: float) -> Violation:
    """Say that D = g N has no root where the shunt arm needs one."""
    level = level_constant(gain, found.zeros_s, found.zeros_at_origin, found.poles_s)
    roots = ", ".join(format_quantity(t, "s") for t in balance_roots(found, found.poles_s, level))
    have = f"the real roots T of D(-1/T) = g0 N(-1/T) at g0 = {level:.4g} are {roots or 'none'}"
    if kind == "rc-shunt":
        zeros = ", ".join(format_quantity(t, "s") for t in found.zeros_s)
        return Violation(
            "a shunt arm with its own RC needs a root above one of the curve's zeros, Tq > Tz, "
            f"but {have} and the zeros are {zeros or 'none'}",
            structural=True,
        )
    low, high = found.poles_s[-1], found.poles_s[-2] if len(found.poles_s) > 1 else math.inf
    if found.zeros_s and high > found.zeros_s[-1]:
        return Violation(_alternation(found), structural=True)
    return Violation(
        f"the capacitor across the output needs a root Tc, {format_quantity(low, 's')} < Tc < "
        f"{format_quantity(high, 's')}, but {have}: the two highest poles are too close together "
        "for the level"
    )
