"""The cascade: two half-sections, two zeros exactly, and the poles from a quadratic.

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
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.curves.model import REFERENCE_ANGULAR_FREQUENCY, REFERENCE_FREQUENCY_HZ
from antecurve.networks.topology import Topology
from antecurve.quantities import format_quantity, format_time_constant
from antecurve.synthesis.arms.arm import Arm
from antecurve.synthesis.bracketing import (
    DECADES_BELOW,
    IMPLIED_RANGE_S,
    bracketing_grid,
    crossings,
    secant_root,
    with_dips,
    with_edges,
)
from antecurve.synthesis.sections.elements import CascadeElements, implied_pole_at_level
from antecurve.synthesis.sections.section import Form, Realisation, Requirements, Section
from antecurve.synthesis.tree import Tree, capacitor, parallel, resistor, series
from antecurve.synthesis.violation import Violation, at_level
from antecurve.texts import counted

if TYPE_CHECKING:
    from antecurve.synthesis.formula_model import SectionFormulas
    from antecurve.synthesis.symbolic_curve import SymbolicCurve

__all__ = ["CASCADE_LONG_FIRST", "CASCADE_SHORT_FIRST"]

_NEGLIGIBLE = 1e-9
"""A resistor at the input below this part of that across the output is left out, and so far may
a discriminant be below 0 by rounding."""


class _Cascade(Section):
    """Two sections of an RC pair in series and a resistor across.

    ::

        in --[R1]--[R2 || C1]--+--[R3 || C2]--+-- out
                               |              |
                              [R4]           [R5]
                               |              |
        0  --------------------+--------------+-- 0

    Each pair makes one zero of the curve.  R1 is left out when it is 0; a zero at the origin is
    a series capacitor.

    Parameters
    ----------
    short_first : bool
        Whether the section at the input makes the shorter time constant.
    """

    default_curve = ZeroPoleGain((3180e-6, 75e-6), (318e-6, 3.18e-6))
    free_parameters = ("shunt_resistance", "section_ratio")

    def __init__(self, *, short_first: bool) -> None:
        self.short_first = short_first

    def forms(self) -> Sequence[Form]:
        """List the one form."""
        first = "short" if self.short_first else "long"
        words = (
            f"two sections of an RC pair and a shunt R, the {first}er time constant at the input"
        )
        return [Form(f"cascade-{first}-first", words, self, None)]

    def order(self, times: tuple[Any, ...]) -> tuple[Any, Any]:
        """Order time constants, longest first, by section."""
        return (times[1], times[0]) if self.short_first else (times[0], times[1])

    def mismatch(self, curve: ZeroPoleGain[float]) -> Violation | None:
        """Say what about a curve's shape two sections cannot make."""
        degree = len(curve.zeros_s) + curve.zeros_at_origin
        excess = len(curve.poles_s) - degree
        at_origin = curve.zeros_at_origin > 1 or curve.poles_at_origin
        if degree != 2 or at_origin or excess not in (0, -1):
            return Violation(
                "two sections need two zeros, one or two poles and a finite gain towards DC. "
                "At most one zero may lie at the origin; the curve has "
                f"{counted(degree, 'zero')}, {counted(len(curve.poles_s), 'pole')} and "
                f"{counted(curve.poles_at_origin, 'pole')} at the origin",
                structural=True,
            )
        if len(set(curve.zeros_s)) < len(curve.zeros_s):
            return Violation(
                "the zeros of the two sections must differ, but both are "
                f"{format_time_constant(curve.zeros_s[0])}",
                structural=True,
            )
        return None

    def realise(self, arm: Arm | None, requirements: Requirements) -> Realisation | Violation:
        """Solve for both sections; see `Section.realise`."""
        curve = requirements.curve
        mismatch = self.mismatch(curve)
        if mismatch is not None:
            return mismatch
        times = ((None,) if curve.zeros_at_origin else ()) + curve.zeros_s
        problem = _Problem(requirements, self.order(times))
        failure: Violation | None = None
        for solution in problem.solutions():
            result = solution if isinstance(solution, Violation) else problem.checked(solution)
            if isinstance(result, Realisation):
                return result
            failure = failure or result
        assert failure is not None
        return failure

    def formulas(
        self,
        arm: Arm | None,
        names: SymbolicCurve,
        requirements: Requirements,
        topology: Topology,
    ) -> SectionFormulas:
        """Derive and prove the formulas; see `Section.formulas`."""
        from antecurve.synthesis.symbolic_cascade import cascade_formulas

        zeros: tuple[str | None, ...] = (*([None] * names.curve.zeros_at_origin), *names.zeros)
        return cascade_formulas(names, self.order(zeros), topology)


CASCADE_LONG_FIRST = _Cascade(short_first=False)
"""Two sections, the longer time constant at the input."""
CASCADE_SHORT_FIRST = _Cascade(short_first=True)
"""Two sections, the shorter time constant at the input."""


@dataclass(frozen=True, slots=True)
class _Solution:
    """Poles beyond the curve [s], R at the input [ohm] and the strengths."""

    beyond: tuple[float, ...]
    resistance: float
    strengths: tuple[float, float]


class _Problem:
    """The equations with numbers; everything follows from one pole beyond the curve."""

    def __init__(self, requirements: Requirements, times: tuple[Any, Any]) -> None:
        loading, shunt = requirements.loading, requirements.shunt_resistance
        curve = requirements.curve
        self.curve = curve.with_magnitude(requirements.gain, frequency_hz=REFERENCE_FREQUENCY_HZ)
        self.gain, self.shunt = requirements.gain, shunt
        self.source, self.times = loading.source_resistance, times
        self.closely, self.near_pole_s = requirements.closely, requirements.near_pole_s
        self.implied = curve.relative_degree == -1
        self.r = requirements.section_ratio / shunt
        self.u = 1.0 / shunt + 1.0 / loading.load_resistance
        self.tau = loading.load_capacitance / self.u

    def elements(self, beyond: Sequence[Any]) -> CascadeElements:
        """State the equations with poles beyond the curve, at the same level at 1 kHz."""
        level = self.curve.gain_constant
        for pole in beyond:
            at_reference = REFERENCE_ANGULAR_FREQUENCY * pole
            level = level * (1.0 + at_reference * at_reference) ** 0.5
        return CascadeElements(
            self.curve.with_gain_constant(level),
            self.times,
            self.implied,
            tuple(beyond),
            self.r,
            self.u,
            self.tau,
        )

    def lead(self, beyond: Sequence[Any]) -> Any:
        """g prod(z)/prod(p), p the curve's own poles, with poles beyond the curve."""
        return self.elements(beyond).curve.leading_ratio()

    def solutions(self) -> Iterator[_Solution | Violation]:
        """Every solution, or the condition that does not hold."""
        if self.tau:
            yield from self._near_solution()
            yield from self._loaded_solutions()
            return
        source = self.source
        beyond: tuple[float, ...] = ()
        resistance = source
        if self.implied:
            slope = self.lead(()) * (1.0 + source * (self.r + self.u))
            beyond = (implied_pole_at_level(slope),)
            if not math.isfinite(beyond[0]):
                yield self._no_rise(slope)
                return
        else:
            resistance = (1.0 / self.lead(()) - 1.0) / (self.r + self.u)
        if resistance - source < -_NEGLIGIBLE * self.shunt:
            yield self._infinity_violation(beyond, resistance)
            return
        pairs = self.strengths(self.elements(beyond), resistance).values()
        real = [k for k in pairs if all(math.isfinite(x) for x in k)]
        if not real:
            yield self._no_real_root(beyond, resistance)
        for k in sorted(real, key=lambda k: (min(k) <= 0, k[0])):
            yield _Solution(beyond, resistance, k)

    def _near_solution(self) -> Iterator[_Solution]:
        """The solution that secants lead to from the pole of a network close by."""
        if self.near_pole_s is None:
            return
        start = self._residuals(self.near_pole_s)
        sign = min(start, key=lambda sign: (math.isnan(start[sign]), abs(start[sign])))
        x = secant_root(self.near_pole_s, lambda x: self._residuals(x)[sign])
        if x is not None:
            yield self._solution(x, sign)

    def _solution(self, unknown: float, sign: float) -> _Solution:
        beyond, resistance = self._state(unknown)
        strengths = self.strengths(self.elements(beyond), resistance)[sign]
        return _Solution(beyond, resistance, strengths)

    def _loaded_solutions(self) -> Iterator[_Solution | Violation]:
        """Solve the equation for c0 along the range of the pole beyond the curve."""
        low, high = self._range()
        grid = bracketing_grid(self.curve, low=low, high=high)
        solutions: list[_Solution] = []
        reached: list[tuple[float, float, float]] = []
        sampled = self._residuals_along(grid)
        for sign in (1.0, -1.0):

            def at(x: float, sign: float = sign) -> float:
                return self._residuals(x)[sign]

            points, values = with_edges(grid, sampled[sign].tolist(), at)
            if self.closely:
                points, values = with_dips(points, values, at)
            reached += [
                (abs(v), v, x) for v, x in zip(values, points, strict=True) if math.isfinite(v)
            ]
            solutions += [self._solution(x, sign) for x in crossings(points, values, at)]
        if solutions:
            yield from sorted(solutions, key=self._preference)
        elif reached:
            yield self._unreached(*min(reached)[1:])
        else:
            yield self._no_real_root(*self._state(high))

    def _preference(self, solution: _Solution) -> tuple[bool, float, float]:
        """Positive strengths first, then the implied pole farthest from the band."""
        pole = solution.beyond[0] if self.implied else 0.0
        return min(solution.strengths) <= 0, pole, solution.strengths[0]

    def _range(self) -> tuple[float, float]:
        if self.implied:
            return IMPLIED_RANGE_S
        high = self.curve.poles_s[-1]
        return min(self.tau, high) / 10.0**DECADES_BELOW, high

    def _state(self, unknown: Any) -> tuple[tuple[Any, ...], Any]:
        """The poles beyond the curve and R, from e = u R tau."""
        source, lead = self.source, self.lead((unknown,))
        if not self.implied:
            return (unknown,), unknown / (lead * self.u * self.tau)
        if not source:
            return (unknown,), source
        second = implied_pole_at_level(lead * (self.u * source * self.tau) / unknown)
        return (unknown, second), source

    def _residuals(self, unknown: float) -> dict[float, float]:
        """A B + u R + u k1 p1 less c0, over c0, by the sign of the root.

        It is not a number where there is no such root, nor, unless looked at closely, where a
        strength is not positive.
        """
        beyond, resistance = self._state(unknown)
        residuals = {1.0: math.nan, -1.0: math.nan}
        if not math.isfinite(beyond[-1]) or beyond[0] < beyond[-1]:
            return residuals
        elements = self.elements(beyond)
        c0 = elements.direct()
        for sign, k in self.strengths(elements, resistance).items() if c0 else ():
            if self.closely or min(k) > 0.0:
                residuals[sign] = (elements.network_direct(k, resistance) - c0) / abs(c0)
        return residuals

    def _residuals_along(self, unknown: NDArray[Any]) -> dict[float, NDArray[Any]]:
        """The same for many values at once."""
        with np.errstate(all="ignore"):
            beyond, resistance = self._state(unknown)
            elements = self.elements(beyond)
            c0 = elements.direct()
            valid = np.isfinite(beyond[-1]) & (beyond[0] >= beyond[-1]) & (c0 != 0.0)
            square, linear, constant, c2 = self._quadratic(elements, resistance)
            discriminant = linear * linear - 4.0 * square * constant
            root = np.sqrt(np.maximum(discriminant, 0.0))
            both = -0.5 * (linear + np.copysign(root, linear))
            valid &= (discriminant >= -_NEGLIGIBLE * linear * linear) & (square * both != 0.0)
            residuals = {}
            for sign in (1.0, -1.0):
                k1 = np.where(sign * linear > 0.0, both / square, constant / both)
                k2 = c2 / elements.output_weight(k1, resistance)
                residual = (elements.network_direct((k1, k2), resistance) - c0) / abs(c0)
                wanted = valid & (self.closely | (np.minimum(k1, k2) > 0.0))
                residuals[sign] = np.where(wanted, residual, math.nan)
        return residuals

    def _quadratic(self, elements: CascadeElements, resistance: Any) -> tuple[Any, ...]:
        """The coefficients of the quadratic for k1, highest first, and c2."""
        c1, c2 = (elements.fraction(k) for k in (0, 1))
        square, linear, constant, *_ = elements.quadratic(c1, c2, resistance, self.u)
        return square, linear, constant, c2

    def strengths(
        self, elements: CascadeElements, resistance: float
    ) -> dict[float, tuple[float, float]]:
        """k1 and k2 by the sign of the quadratic's root; not a number where it has no real one."""
        square, linear, constant, c2 = self._quadratic(elements, resistance)
        discriminant = linear * linear - 4.0 * square * constant
        both = -0.5 * (linear + math.copysign(math.sqrt(max(discriminant, 0.0)), linear))
        pairs = {1.0: (math.nan, math.nan), -1.0: (math.nan, math.nan)}
        if discriminant < -_NEGLIGIBLE * linear * linear or not (square and both):
            return pairs
        for sign in pairs:
            k1 = both / square if sign * linear > 0 else constant / both
            weight = elements.output_weight(k1, resistance)
            pairs[sign] = (k1, c2 / weight if weight else math.nan)
        return pairs

    def checked(self, solution: _Solution) -> Realisation | Violation:
        """Check the elements and put them between their nodes."""
        source = self.source
        infinity = 0.0 if self.implied else solution.resistance - source
        if infinity < -_NEGLIGIBLE * self.shunt:
            return self._infinity_violation(solution.beyond, solution.resistance)
        for strength, time in zip(solution.strengths, self.times, strict=True):
            if not strength > 0:
                unit, zero = ("1/F", "the origin") if time is None else ("ohm", "")
                return Violation(
                    "the series element of each section must be above 0; for the zero at "
                    f"{zero or format_time_constant(time)} it would be "
                    f"{format_quantity(strength, unit)}. That is {at_level(self.gain)}, with a "
                    f"shunt resistor in the middle of {format_quantity(1.0 / self.r, 'ohm')}"
                )
        beyond = solution.beyond
        load = beyond[self.implied :] if self.tau else ()
        return Realisation(
            self._arms(infinity, solution.strengths),
            self.elements(beyond).curve.gain_constant,
            load[0] if load else None,
            beyond[:1] if self.implied else (),
        )

    def _arms(
        self, infinity: float, strengths: tuple[float, float]
    ) -> tuple[tuple[Tree, str, str], ...]:
        """The resistor at the input with the first pair, the second pair, and the shunt arms."""
        pairs: list[Tree] = []
        for strength, time in zip(strengths, self.times, strict=True):
            if time is None:
                pairs.append(capacitor(1.0 / strength))
            else:
                pairs.append(parallel(resistor(strength), capacitor(time / strength)))
        if infinity > _NEGLIGIBLE * self.shunt:
            pairs[0] = series(resistor(infinity), pairs[0])
        return (
            (pairs[0], "in", "middle"),
            (pairs[1], "middle", "out"),
            (resistor(1.0 / self.r), "middle", "0"),
            (resistor(self.shunt), "out", "0"),
        )

    def _infinity_violation(self, beyond: Sequence[float], resistance: float) -> Violation:
        source = self.source
        infinity = format_quantity(resistance - source, "ohm")
        end = f"{at_level(self.gain)}. The resistor at the input would be {infinity}"
        if self.tau:
            return Violation(
                "the resistance at the input, source included, must be at least the source's, "
                f"T5 T2 T4/(g0 T1 T3 CL) >= Rs: {format_quantity(resistance, 'ohm')} >= "
                f"{format_quantity(source, 'ohm')} does not hold {end}"
            )
        reach = self.lead(beyond)
        limit = 1.0 / (1.0 + source * (self.r + self.u))
        return Violation(
            "the gain at high frequency, g0 T1 T3/(T2 T4), must be at most "
            f"1/(1 + Rs (1/R2 + 1/R4 + 1/RL)): {reach:.4g} <= {limit:.4g} does not "
            f"hold {end}"
        )

    def _no_rise(self, slope: float) -> Violation:
        reach = REFERENCE_ANGULAR_FREQUENCY * slope
        constant = self.elements(()).curve.gain_constant
        return Violation(
            "the curve must still rise to the gain at high frequency, w g T1 T3/T2 (1 + Rs (1/R2 "
            f"+ 1/R4 + 1/RL)) < 1. With w = 2 pi 1 kHz and g = {constant:.4g}: "
            f"{reach:.4g} < 1 does not hold {at_level(self.gain)}"
        )

    def _no_real_root(self, beyond: Sequence[float], resistance: float) -> Violation:
        elements = self.elements(beyond)
        c1, c2 = (elements.fraction(k) for k in (0, 1))
        square, linear, constant, *_ = elements.quadratic(c1, c2, resistance, self.u)
        return Violation(
            "the input section must have a real strength k, p k^2 + w k + q = 0 with "
            f"w^2 >= 4 p q: {linear * linear:.4g} >= {4.0 * square * constant:.4g} does not hold "
            f"{at_level(self.gain)}. The curve's zeros and poles do not alternate"
        )

    def _unreached(self, residual: float, unknown: float) -> Violation:
        beyond, _ = self._state(unknown)
        c0 = self.elements(beyond).direct()
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
            f"p1 {sign} c0. At {name} = {format_time_constant(unknown)}, the nearest: "
            f"{reached:.4g} {sign} {c0:.4g} does not hold {at_level(self.gain)}"
        )
