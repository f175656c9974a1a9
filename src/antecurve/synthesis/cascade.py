"""Two half-sections, one after the other: two zeros exactly, and the poles from a quadratic.

::

    in --[R_inf]--[R1 || C1]--+--[R3 || C2]--+-- out
                              |              |
                             [R2]           [R4]
                              |              |
    0  -----------------------+--------------+-- 0

Notation: x_i = 1/(1 + s T_i) of section i (1/s for a zero at the origin), u = 1/R4 + 1/RL,
tau = CL/u, r = 1/R2, R = Rs + R_inf.  With k_i the strength of section i (its resistance, or
1/C at the origin),

.. math:: 1/H = (1 + k_2 u (1+s\\tau) x_2)(1 + r R + r k_1 x_1) + u (1+s\\tau)(R + k_1 x_1) .

By x_1 x_2 = a_1 x_1 + a_2 x_2 and (1 + s tau) x_i = p_i + q_i x_i that is a partial fraction;
setting it equal to D (1 + s T5)/(g N) = e s + c0 + c1 x1 + c2 x2 gives, with
A = 1 + k2 u p2 and B = 1 + r R,

.. math::
    e &= u R \tau \\
    c_0 &= A B + u R + u k_1 p_1 \\
    c_1 &= k_1 (A r + u q_1 + k_2 u q_2 r a_1) \\
    c_2 &= k_2 u q_2 (B + r k_1 a_2)

The last two are a quadratic for k1 once R and T5 are known.  T5 and R are related by the first,
so for CL = 0 everything is in closed form, and with CL the second is one equation for T5.  For a
curve whose zeros and poles alternate one root of the quadratic makes both strengths positive
whatever the order of the sections, and the only condition left is R_inf >= 0; some curves with two
zeros side by side can be made as well.  A curve without ultrasonic pole has R_inf = 0 and the
pole T that results; with CL the first equation gives T T5 and the second is one equation for T.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.networks.topology import Loading
from antecurve.quantities import format_quantity
from antecurve.synthesis.bracketing import (
    DECADES_BELOW,
    IMPLIED_RANGE_S,
    crossings,
    scan_grid,
    with_dips,
    with_edges,
)
from antecurve.synthesis.rational import (
    Violation,
    at_level,
    bounded_growth,
    counted,
    level_constant,
    product,
)

__all__ = ["Cascade", "solve_cascade"]

_NEGLIGIBLE = 1e-9


@dataclass(frozen=True, slots=True)
class Cascade:
    """Two cascaded sections that make a curve.

    Attributes
    ----------
    resistance_at_input : float
        R_inf in series at the input [ohm]; 0 for none.
    strengths : tuple of float
        Resistance [ohm] of the RC pair of each section, or 1/C [1/F] of its series capacitor.
    time_constants : tuple of float
        Time constant [s] of each section; infinite for a zero at the origin.
    shunt_resistances : tuple of float
        The shunt resistors [ohm].
    level : float
        The constant g in H = g N/D.
    load_pole_s : float or None
        T5 [s].
    implied_poles_s : tuple of float
        Poles [s] that the curve did not ask for.
    """

    resistance_at_input: float
    strengths: tuple[float, float]
    time_constants: tuple[float, float]
    shunt_resistances: tuple[float, float]
    level: float
    load_pole_s: float | None
    implied_poles_s: tuple[float, ...]


def solve_cascade(
    found: ZeroPoleGain[float],
    *,
    loading: Loading,
    gain: float,
    shunt_resistance: float,
    section_ratio: float,
    short_first: bool,
) -> Cascade | Violation:
    """Return the two cascaded sections that make a curve.

    Parameters
    ----------
    found : ZeroPoleGain
        The curve: two zeros, one of which may be at the origin.
    loading : Loading
        Source and load.
    gain : float
        Magnitude of H at 1 kHz, above 0 and below 1.
    shunt_resistance : float
        R4 [ohm], the resistor across the output; the impedance level.
    section_ratio : float
        R4/R2, greater than 0.
    short_first : bool
        Whether the section at the input makes the shorter time constant.

    Returns
    -------
    Cascade or Violation
        The sections, or the condition that does not hold.
    """
    degree = len(found.zeros_s) + found.zeros_at_origin
    excess = len(found.poles_s) - degree
    if degree != 2 or found.zeros_at_origin > 1 or found.poles_at_origin or excess not in (0, -1):
        return Violation(
            "two sections need exactly two zeros (at most one of them at the origin), two poles "
            f"or one, and a finite gain towards DC, but the curve has "
            f"{counted(degree, 'zero')}, {counted(len(found.poles_s), 'pole')} and "
            f"{counted(found.poles_at_origin, 'pole')} at the origin",
            structural=True,
        )
    if len(set(found.zeros_s)) < len(found.zeros_s):
        return Violation(
            "the zeros of the two sections must differ, but both are "
            f"{format_quantity(found.zeros_s[0], 's')}",
            structural=True,
        )
    times = ((math.inf,) if found.zeros_at_origin else ()) + found.zeros_s
    order = (times[1], times[0]) if short_first else (times[0], times[1])
    problem = _Problem(
        found,
        loading,
        gain,
        shunt_resistance,
        section_ratio / shunt_resistance,
        order,
        excess == -1,
    )
    failure: Violation | None = None
    for strengths in problem.solutions():
        result = strengths if isinstance(strengths, Violation) else problem.checked(strengths)
        if isinstance(result, Cascade):
            return result
        failure = failure or result
    assert failure is not None
    return failure


@dataclass(frozen=True, slots=True)
class _Found:
    """A solution: poles beyond the curve [s], R at the input [ohm] and the strengths."""

    beyond: tuple[float, ...]
    resistance: float
    strengths: tuple[float, float]


class _Problem:
    """The equations; everything follows from one pole beyond the curve, which may be an array."""

    def __init__(
        self,
        found: ZeroPoleGain[float],
        loading: Loading,
        gain: float,
        shunt: float,
        r: float,
        times: tuple[float, float],
        implied: bool,
    ) -> None:
        self.found, self.loading, self.gain, self.shunt = found, loading, gain, shunt
        self.r, self.times, self.implied = r, times, implied
        self.u = 1.0 / shunt + 1.0 / loading.load_resistance
        self.tau = loading.load_capacitance / self.u
        one, two = times
        if math.isinf(one):
            self.a = (1.0, -two)
        elif math.isinf(two):
            self.a = (-one, 1.0)
        else:
            self.a = (one / (one - two), -two / (one - two))
        self.p = tuple(self.tau if math.isinf(t) else self.tau / t for t in times)
        self.q = tuple(1.0 if math.isinf(t) else 1.0 - self.tau / t for t in times)
        self.tilt = sum(1.0 / t for t in found.poles_s) - sum(1.0 / t for t in found.zeros_s)

    def level(self, beyond: Sequence[float]) -> float:
        """g with poles beyond the curve."""
        found = self.found
        return level_constant(
            self.gain, found.zeros_s, found.zeros_at_origin, (*found.poles_s, *beyond)
        )

    def lead(self, beyond: Sequence[float]) -> float:
        """g prod(z)/prod(p), p the curve's own poles."""
        return self.level(beyond) * math.prod(self.found.zeros_s) / math.prod(self.found.poles_s)

    def solutions(self) -> Iterator[_Found | Violation]:
        """Every solution, or the condition that does not hold."""
        if self.tau:
            yield from self._loaded_solutions()
            return
        source = self.loading.source_resistance
        beyond: tuple[float, ...] = ()
        resistance = source
        if self.implied:
            slope = self.lead(()) * (1.0 + source * (self.r + self.u))
            beyond = (bounded_growth(slope),)
            if not math.isfinite(beyond[0]):
                yield self._no_rise(slope)
                return
        else:
            resistance = (1.0 / self.lead(()) - 1.0) / (self.r + self.u)
        if resistance - source < -_NEGLIGIBLE * self.shunt:
            yield self._infinity_violation(beyond, resistance)
            return
        pairs = [self.strengths(beyond, resistance, sign) for sign in (1.0, -1.0)]
        real = [k for k in pairs if all(math.isfinite(x) for x in k)]
        if not real:
            yield self._no_real_root(beyond, resistance)
        for k in sorted(real, key=lambda k: (min(k) <= 0, k[0])):
            yield _Found(beyond, resistance, k)

    def _loaded_solutions(self) -> Iterator[_Found | Violation]:
        """Solve the equation for c0 along the range of the pole beyond the curve."""
        low, high = self._range()
        grid = scan_grid(self.found, low, high)
        found: list[_Found] = []
        reached: list[tuple[float, float, float]] = []
        for sign in (1.0, -1.0):

            def at(x: float, sign: float = sign) -> float:
                return self._residual(x, sign)

            points, values = with_edges(grid, [at(float(x)) for x in grid], at)
            points, values = with_dips(points, values, at)
            reached += [
                (abs(v), v, x) for v, x in zip(values, points, strict=True) if math.isfinite(v)
            ]
            for x in crossings(points, values, at):
                beyond, resistance = self._state(x)
                found.append(_Found(beyond, resistance, self.strengths(beyond, resistance, sign)))
        if found:
            yield from sorted(found, key=self._preference)
        elif reached:
            yield self._unreached(*min(reached)[1:])
        else:
            yield self._no_real_root(*self._state(high))

    def _preference(self, found: _Found) -> tuple[bool, float, float]:
        """Positive strengths first, then the implied pole farthest from the band."""
        pole = found.beyond[0] if self.implied else 0.0
        return min(found.strengths) <= 0, pole, found.strengths[0]

    def _range(self) -> tuple[float, float]:
        if self.implied:
            return IMPLIED_RANGE_S
        high = self.found.poles_s[-1]
        return min(self.tau, high) / 10.0**DECADES_BELOW, high

    def _state(self, unknown: float) -> tuple[tuple[float, ...], float]:
        """The poles beyond the curve and R, from e = u R tau."""
        source = self.loading.source_resistance
        if not self.implied:
            return (unknown,), unknown / (self.lead((unknown,)) * self.u * self.tau)
        second = bounded_growth(self.lead((unknown,)) * self.u * source * self.tau / unknown)
        return ((unknown, second) if second else (unknown,)), source

    def _residual(self, unknown: float, sign: float) -> float:
        """A B + u R + u k1 p1 less c0, over c0."""
        beyond, resistance = self._state(unknown)
        if not all(math.isfinite(t) for t in beyond) or beyond[0] < beyond[-1]:
            return math.nan
        k = self.strengths(beyond, resistance, sign)
        c0 = self._direct(beyond)
        return (self._across(k, resistance) - c0) / abs(c0) if c0 else math.nan

    def _direct(self, beyond: Sequence[float]) -> float:
        """c0 of D/(g N)."""
        total = sum(beyond) if self.implied else 1.0
        square = math.prod(beyond) if len(beyond) == 1 + self.implied else 0.0
        return (total + square * self.tilt) / self.lead(beyond)

    def _across(self, k: tuple[float, float], resistance: float) -> float:
        """c0 of the network's 1/H."""
        extent = 1.0 + k[1] * self.u * self.p[1]
        return (
            extent * (1.0 + self.r * resistance) + self.u * resistance + self.u * k[0] * self.p[0]
        )

    def strengths(
        self, beyond: Sequence[float], resistance: float, sign: float
    ) -> tuple[float, float]:
        """k1 and k2 by one root of the quadratic; not a number where it has no real one."""
        square, linear, constant, c2 = self._quadratic(beyond, resistance)
        discriminant = linear * linear - 4.0 * square * constant
        if discriminant < -_NEGLIGIBLE * linear * linear:
            return math.nan, math.nan
        both = -0.5 * (linear + math.copysign(math.sqrt(max(discriminant, 0.0)), linear))
        if not (square and both):
            return math.nan, math.nan
        k1 = both / square if sign * linear > 0 else constant / both
        below = self.u * self.q[1] * (1.0 + self.r * resistance + self.r * k1 * self.a[1])
        return k1, c2 / below if below else math.nan

    def _quadratic(
        self, beyond: Sequence[float], resistance: float
    ) -> tuple[float, float, float, float]:
        """Coefficients of the quadratic for k1, highest first, and c2."""
        u, r = self.u, self.r
        poles = (*self.found.poles_s, *beyond)
        c1, c2 = (self._fraction(t, poles) for t in self.times)
        alpha = r + u * self.q[0]
        beta = u * r * (self.p[1] + self.q[1] * self.a[0])
        gamma = u * self.q[1] * (1.0 + r * resistance)
        delta = u * self.q[1] * r * self.a[1]
        return alpha * delta, alpha * gamma + beta * c2 - c1 * delta, -c1 * gamma, c2

    def _fraction(self, time: float, poles: tuple[float, ...]) -> float:
        """Partial fraction of D/(g N) at one of the zeros."""
        level = self.level(poles[len(self.found.poles_s) :])
        if math.isinf(time):
            return 1.0 / level
        s = -1.0 / time
        others = [t for t in self.times if t != time and not math.isinf(t)]
        below = product(others, s) * s**self.found.zeros_at_origin
        return product(poles, s) / (level * below)

    def checked(self, solution: _Found) -> Cascade | Violation:
        """Return the cascade, or what is wrong with it."""
        source = self.loading.source_resistance
        infinity = 0.0 if self.implied else solution.resistance - source
        if infinity < -_NEGLIGIBLE * self.shunt:
            return self._infinity_violation(solution.beyond, solution.resistance)
        for strength, time in zip(solution.strengths, self.times, strict=True):
            if not strength > 0:
                unit, zero = ("1/F", "the origin") if math.isinf(time) else ("ohm", "")
                return Violation(
                    "the series element of each section must be above 0, but that for the zero at "
                    f"{zero or format_quantity(time, 's')} would be "
                    f"{format_quantity(strength, unit)} {at_level(self.gain)} with a shunt "
                    f"resistor in the middle of {format_quantity(1.0 / self.r, 'ohm')}"
                )
        beyond = solution.beyond
        load = beyond[self.implied :] if self.tau else ()
        return Cascade(
            infinity if infinity > _NEGLIGIBLE * self.shunt else 0.0,
            solution.strengths,
            self.times,
            (1.0 / self.r, self.shunt),
            self.level(beyond),
            load[0] if load else None,
            beyond[:1] if self.implied else (),
        )

    def _infinity_violation(self, beyond: Sequence[float], resistance: float) -> Violation:
        source = self.loading.source_resistance
        infinity = format_quantity(resistance - source, "ohm")
        end = f"{at_level(self.gain)} (the resistor at the input would be {infinity})"
        if self.tau:
            return Violation(
                "the resistance at the input, source included, must be at least the source's, "
                f"T5 T2 T4/(g0 T1 T3 CL) >= Rs: {format_quantity(resistance, 'ohm')} >= "
                f"{format_quantity(source, 'ohm')} does not hold {end}"
            )
        limit = 1.0 / (1.0 + source * (self.r + self.u))
        return Violation(
            "the gain at high frequency, g0 T1 T3/(T2 T4), must be at most "
            f"1/(1 + Rs (1/R2 + 1/R4 + 1/RL)): {self.lead(beyond):.4g} <= {limit:.4g} does not "
            f"hold {end}"
        )

    def _no_rise(self, slope: float) -> Violation:
        reach = 2.0 * math.pi * REFERENCE_FREQUENCY_HZ * slope
        return Violation(
            "the curve must still rise to the gain at high frequency, w g T1 T3/T2 (1 + Rs (1/R2 "
            f"+ 1/R4 + 1/RL)) < 1 with w = 2 pi 1 kHz and g = {self.level(()):.4g}: "
            f"{reach:.4g} < 1 does not hold {at_level(self.gain)}"
        )

    def _no_real_root(self, beyond: Sequence[float], resistance: float) -> Violation:
        square, linear, constant, _ = self._quadratic(beyond, resistance)
        return Violation(
            "the quadratic p k^2 + w k + q = 0 for the strength of the section at the input must "
            f"have a real root, w^2 >= 4 p q: {linear * linear:.4g} >= "
            f"{4.0 * square * constant:.4g} does not hold {at_level(self.gain)}, as the curve's "
            "zeros and poles do not alternate"
        )

    def _unreached(self, residual: float, unknown: float) -> Violation:
        beyond, _ = self._state(unknown)
        c0 = self._direct(beyond)
        if not self.implied and unknown == self._range()[0]:
            return Violation(
                "the gain at high frequency, g0 T1 T3/(T2 T4), must be below 1: "
                f"{self.lead(()):.4g} < 1 does not hold {at_level(self.gain)}"
            )
        sign = ">=" if residual < 0 else "<="
        name = "T" if self.implied else "T5"
        reached = c0 + residual * abs(c0)
        return Violation(
            "the load's capacitance must suit the sections, (1 + k2 u p2)(1 + R/R2) + u R + u k1 "
            f"p1 {sign} c0 at {name} = {format_quantity(unknown, 's')}, the nearest: "
            f"{reached:.4g} {sign} {c0:.4g} does not hold {at_level(self.gain)}"
        )
