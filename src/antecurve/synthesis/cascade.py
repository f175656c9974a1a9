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
    e &= u R \\tau \\\\
    c_0 &= A B + u R + u k_1 p_1 \\\\
    c_1 &= k_1 (A r + u q_1 + k_2 u q_2 r a_1) \\\\
    c_2 &= k_2 u q_2 (B + r k_1 a_2)

The last two are a quadratic for k1.  For a curve whose zeros and poles alternate one of its roots
makes both strengths positive whatever the order of the sections, and the only condition left is
R_inf >= 0; some curves with two zeros side by side can be made as well.  A curve without ultrasonic
pole has R_inf = 0 and the pole that results.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from antecurve.curves.model import Factors
from antecurve.networks.topology import Loading
from antecurve.quantities import format_quantity
from antecurve.synthesis.rational import (
    Violation,
    counted,
    level_constant,
    load_pole_violation,
    product,
    settled,
    unsettled,
)

__all__ = ["Cascade", "solve_cascade"]

_ROUNDS = 300
_SETTLED = 1e-13
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
    found: Factors,
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
    found : Factors
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
    return problem.checked() if problem.solve() else unsettled(gain)


class _Problem:
    """The unknowns, solved by fixed point around the quadratic."""

    def __init__(
        self,
        found: Factors,
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
        self.k = (0.0, 0.0)
        self.real = True
        self.resistance = loading.source_resistance
        self.extra: tuple[float, ...] = ()
        self.level = 0.0

    def solve(self) -> bool:
        """Iterate until nothing changes; R below 0 ends it, for `checked` to report."""
        for _ in range(_ROUNDS):
            last = (self.level, *self.k, self.resistance, *self.extra)
            self._round()
            if self.resistance < 0:
                return True
            now = (self.level, *self.k, self.resistance, *self.extra)
            if not all(math.isfinite(x) for x in now):
                return False
            if settled(now, last, 1e-16):
                return True
        return settled(now, last, _SETTLED)

    def _round(self) -> None:
        found, u, r = self.found, self.u, self.r
        poles = found.poles_s + self.extra
        self.level = level_constant(self.gain, found.zeros_s, found.zeros_at_origin, poles)
        lead = self.level * math.prod(found.zeros_s) / math.prod(found.poles_s)
        extent = 1.0 + self.k[1] * u * self.p[1]  # A
        across = u * self.k[0] * self.p[0]
        tilt = sum(1.0 / t for t in found.poles_s) - sum(1.0 / t for t in found.zeros_s)
        if self.implied:
            # Both poles beyond the curve from their product and their sum.
            both = lead * u * self.resistance * self.tau
            c0 = extent * (1.0 + r * self.resistance) + u * self.resistance + across
            total = lead * c0 - both * tilt
            longer = 0.5 * (total + math.sqrt(max(total * total - 4.0 * both, 0.0)))
            self.extra = (longer, both / longer) if both else (longer,)
        else:
            load_pole = lead * u * self.resistance * self.tau
            c0 = (1.0 + load_pole * tilt) / lead
            self.resistance = (c0 - extent - across) / (extent * r + u)
            self.extra = (load_pole,) if load_pole else ()
            if self.resistance < 0:
                return
        self._strengths(extent, found.poles_s + self.extra)

    def _strengths(self, extent: float, poles: tuple[float, ...]) -> None:
        """Solve the quadratic for k1, then k2."""
        u, r = self.u, self.r
        c1, c2 = (self._fraction(t, poles) for t in self.times)
        b = 1.0 + r * self.resistance
        alpha = extent * r + u * self.q[0]
        square = alpha * r * self.a[1]
        linear = alpha * b + r * self.a[0] * c2 - c1 * r * self.a[1]
        constant = -c1 * b
        discriminant = linear * linear - 4.0 * square * constant
        self.real = discriminant > -_NEGLIGIBLE * linear * linear
        root = math.sqrt(max(discriminant, 0.0))
        # Both roots without cancellation; the smaller strength of those that make both positive.
        sum_of_both = -0.5 * (linear + math.copysign(root, linear))
        found = [
            (k1, self._second(k1, c2, b)) for k1 in (sum_of_both / square, constant / sum_of_both)
        ]
        self.k = min(found, key=lambda k: (min(k) <= 0, k[0]))

    def _second(self, k1: float, c2: float, b: float) -> float:
        """k2 for a k1."""
        return c2 / (self.u * self.q[1] * (b + self.r * k1 * self.a[1]))

    def _fraction(self, time: float, poles: tuple[float, ...]) -> float:
        """Partial fraction of D/(g N) at one of the zeros."""
        if math.isinf(time):
            return 1.0 / self.level
        s = -1.0 / time
        others = [t for t in self.times if t != time and not math.isinf(t)]
        below = product(others, s) * s**self.found.zeros_at_origin
        return product(poles, s) / (self.level * below)

    def checked(self) -> Cascade | Violation:
        """Return the cascade, or what is wrong with it."""
        source = self.loading.source_resistance
        infinity = 0.0 if self.implied else self.resistance - source
        if infinity < -_NEGLIGIBLE * self.shunt:
            reach = self.level * math.prod(self.found.zeros_s) / math.prod(self.found.poles_s)
            limit = 1.0 / (1.0 + source * (self.r + self.u))
            return Violation(
                "the gain at high frequency, g0 T1 T3/(T2 T4), must be at most "
                f"1/(1 + Rs (1/R2 + 1/R4 + 1/RL)): {reach:.4g} <= {limit:.4g} does not hold at "
                f"{20 * math.log10(self.gain):.2f} dB at 1 kHz (the resistor at the input would "
                f"be {format_quantity(infinity, 'ohm')})"
            )
        if self.extra and not self.implied:
            late = load_pole_violation(self.found, self.gain, self.extra[0])
            if late is not None:
                return late
        if not self.real:
            return Violation(
                "the quadratic for the sections' strengths must have a real root, w^2 >= 4 p q, "
                "but it has none: the curve's zeros and poles do not alternate",
                structural=True,
            )
        for strength, time in zip(self.k, self.times, strict=True):
            if not strength > 0:
                return Violation(
                    "each section's series element must be above 0, but that for the zero at "
                    f"{format_quantity(time, 's')} would be {format_quantity(strength, 'ohm')}"
                )
        extra = self.extra
        return Cascade(
            infinity if infinity > _NEGLIGIBLE * self.shunt else 0.0,
            self.k,
            self.times,
            (1.0 / self.r, self.shunt),
            self.level,
            (extra[1] if len(extra) > 1 else None) if self.implied else (extra or (None,))[0],
            extra[:1] if self.implied else (),
        )
