"""The unknowns of a section: the level, the time constants in Q, and the poles beyond the curve.

Notation as in `antecurve.synthesis.half_section`.  Everything follows from the poles beyond the
curve.  Without taken zeros they are closed forms; with y the factor that they add to g, so that
the gain at 1 kHz stays (w = 2 pi 1 kHz, tau = Rp CL, g without them, l = g prod(z)/prod(p),
q = g N(-1/tau)/D(-1/tau)):

.. math::
    T_5 &= \\tau (1 - q y),\\; y^2 = 1 + w^2 T_5^2 \\\\
    T &= y\\,l (1 + R_s/R_p),\\; y^2 = 1 + w^2 T^2
        \\quad\\text{(no ultrasonic pole, CL = 0)} \\\\
    T T_5 &= y\\,l R_s C_L,\\; T + T_5 = T T_5/\\tau + \\tau (1 - q y),\\;
        y^2 = (1 - w^2 T T_5)^2 + w^2 (T + T_5)^2

With taken zeros: `antecurve.synthesis.section_tracks`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.networks.topology import Loading
from antecurve.quantities import format_quantity
from antecurve.synthesis.rational import (
    Violation,
    at_level,
    bounded_growth,
    level_constant,
    product,
)

__all__ = ["Balance", "SectionProblem", "closed_form"]

_W = 2.0 * math.pi * REFERENCE_FREQUENCY_HZ


@dataclass(frozen=True, slots=True)
class SectionProblem:
    """One way to share a curve's zeros between the arms.

    Attributes
    ----------
    found : ZeroPoleGain
        The curve.
    loading : Loading
        Source and load.
    gain : float
        Magnitude of H at 1 kHz.
    shunt : float
        R0 [ohm], the resistor across the output.
    taken : tuple of float
        Zeros [s] that the shunt arm makes, longest first.
    """

    found: ZeroPoleGain[float]
    loading: Loading
    gain: float
    shunt: float
    taken: tuple[float, ...] = ()

    @property
    def excess(self) -> int:
        """Poles less zeros, that at the origin counted."""
        return len(self.found.poles_s) - len(self.found.zeros_s) - self.found.zeros_at_origin

    @property
    def own_capacitor(self) -> bool:
        """Whether the shunt arm has a capacitor across the output."""
        return self.excess == 1

    @property
    def implied(self) -> bool:
        """Whether the curve lacks a pole to be finite at high frequency."""
        return self.excess == -1

    @property
    def loaded(self) -> bool:
        """Whether the load's capacitance adds a pole."""
        return not self.own_capacitor and self.loading.load_capacitance > 0

    @property
    def parallel(self) -> float:
        """Rp [ohm]."""
        load = self.loading.load_resistance
        return self.shunt * load / (self.shunt + load)

    @property
    def load_time(self) -> float:
        """tau = Rp CL [s]."""
        return self.parallel * self.loading.load_capacitance

    @property
    def kept(self) -> tuple[float, ...]:
        """Zeros [s] that the series arm makes."""
        left = list(self.found.zeros_s)
        for zero in self.taken:
            left.remove(zero)
        return tuple(left)

    def level(self, beyond: Sequence[float] = ()) -> float:
        """Return g with poles beyond the curve.

        Parameters
        ----------
        beyond : sequence of float, optional
            Their time constants [s].

        Returns
        -------
        float
            g.
        """
        found = self.found
        poles = (*found.poles_s, *beyond)
        return level_constant(self.gain, found.zeros_s, found.zeros_at_origin, poles)

    def lead(self, beyond: Sequence[float] = ()) -> float:
        """Return g prod(z)/prod(p), p the curve's own poles.

        Parameters
        ----------
        beyond : sequence of float, optional
            Time constants [s] of poles beyond the curve, on which g depends.

        Returns
        -------
        float
            What has the unit of a time [s] where the curve lacks a pole.
        """
        return self.level(beyond) * math.prod(self.found.zeros_s) / math.prod(self.found.poles_s)

    def beyond(self, unknown: float) -> tuple[float, ...]:
        """Return the poles beyond the curve: the unknown and what follows from it.

        Without ultrasonic pole the unknown is the longer one, and R_inf = 0 makes
        T5 = y l Rs CL/T with y^2 = (1 + w^2 T^2)(1 + w^2 T5^2).

        Parameters
        ----------
        unknown : float
            The pole [s].

        Returns
        -------
        tuple of float
            Time constants [s]; infinite where there is none.
        """
        if not (self.implied and self.loaded and self.loading.source_resistance):
            return (unknown,)
        slope = self.lead((unknown,)) * self.loading.source_resistance
        return (unknown, bounded_growth(slope * self.loading.load_capacitance / unknown))


@dataclass(frozen=True, slots=True)
class Balance:
    """The unknowns of a section, found.

    Attributes
    ----------
    level : float
        The constant g.
    times : tuple of float
        Time constants [s] of Q, longest first; the last one is that of the capacitance across
        the output, if there is any.
    load_pole : float
        T5 [s]; 0 for none.
    implied_pole : float
        The pole [s] that a curve without ultrasonic pole gets; 0 for none.
    """

    level: float
    times: tuple[float, ...]
    load_pole: float = 0.0
    implied_pole: float = 0.0

    @property
    def beyond(self) -> tuple[float, ...]:
        """The poles beyond the curve [s]."""
        return tuple(t for t in (self.implied_pole, self.load_pole) if t)


def closed_form(problem: SectionProblem) -> Balance | Violation:
    """Return the unknowns of a section whose shunt arm has neither zero nor capacitor of its own.

    Parameters
    ----------
    problem : SectionProblem
        The curve, the level and the loading.

    Returns
    -------
    Balance or Violation
        The unknowns, or the condition that does not hold.
    """
    tau, source = problem.load_time, problem.loading.source_resistance
    lead, level = problem.lead(), problem.level()
    if not problem.loaded:
        if not problem.implied:
            return Balance(level, ())
        slope = lead * (1.0 + source / problem.parallel)
        pole = bounded_growth(slope)
        if not math.isfinite(pole):
            return Violation(
                "the curve must still rise to the gain at high frequency, w g T1 T3.../(T2...) "
                f"(1 + Rs/Rp) < 1 with w = 2 pi 1 kHz and g = {level:.4g}: {_W * slope:.4g} < 1 "
                f"does not hold {at_level(problem.gain)}"
            )
        return Balance(problem.level((pole,)), (), implied_pole=pole)
    s = -1.0 / tau
    q = level * s**problem.found.zeros_at_origin * product(problem.found.zeros_s, s)
    q /= product(problem.found.poles_s, s)
    if problem.implied:
        return _both_beyond(problem, q)
    inside = 1.0 + (_W * tau) ** 2 * (1.0 - q * q)
    pole = -1.0
    if q < 1.0 and inside >= 0.0:
        pole = tau * (1.0 - q * q) / (1.0 + q * math.sqrt(inside)) if q != -1.0 else 2.0 * tau
    if not pole > 0.0:
        return Violation(
            "the pole T5 = tau (1 - g N(-1/tau)/D(-1/tau)) that the load's capacitance adds must "
            f"be above 0, g N/D < 1 with tau = Rp CL = {format_quantity(tau, 's')}: {q:.4g} < 1 "
            f"does not hold {at_level(problem.gain)}"
        )
    return Balance(problem.level((pole,)), (tau,), load_pole=pole)


def _both_beyond(problem: SectionProblem, q: float) -> Balance | Violation:
    """The implied pole and T5, by their product and their sum."""
    tau = problem.load_time
    across = problem.lead() * problem.loading.source_resistance * problem.loading.load_capacitance
    tilt = across / tau - tau * q
    a = 1.0 - _W**4 * across**2 - _W**2 * tilt**2
    b = _W**2 * (across - tau * tilt)
    c = 1.0 + _W**2 * tau**2
    discriminant = b * b + a * c
    y = c / (b + math.sqrt(discriminant)) if discriminant >= 0.0 else math.nan
    if not (math.isfinite(y) and y > 0.0):
        return Violation(
            "the curve must still rise to the gain at high frequency, (w^2 b)^2 + (w b/tau - w tau "
            f"q)^2 < 1 with w = 2 pi 1 kHz, b = g T1 T3.../(T2...) Rs CL, q = g N(-1/tau)/"
            f"D(-1/tau) = {q:.4g} and tau = Rp CL = {format_quantity(tau, 's')}: {1.0 - a:.4g} < 1 "
            f"does not hold {at_level(problem.gain)}"
        )
    both, total = across * y, tau + tilt * y
    square = total * total - 4.0 * both
    if not (total > 0.0 and square >= 0.0):
        return Violation(
            "the two poles beyond the curve must be real and above 0, T + T5 >= 2 sqrt(T T5): "
            f"{format_quantity(total, 's')} >= {format_quantity(2.0 * math.sqrt(both), 's')} does "
            f"not hold {at_level(problem.gain)}"
        )
    longer = 0.5 * (total + math.sqrt(square))
    beyond = (longer, both / longer)
    return Balance(problem.level(beyond), (tau,), beyond[1], longer)
