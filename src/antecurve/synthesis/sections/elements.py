"""The element formulas of sections, over any field.

Notation and derivation: `antecurve.synthesis.sections.one_stage` for `StageElements`,
`antecurve.synthesis.sections.cascade` for `CascadeElements`.  The formulas are written once, for
floats and for elements of a symbolic field alike.  What differs on the symbolic path: g is a
symbol (the number follows from the level at 1 kHz), and so are the roots in Q, which have no
rational expression.  A cascade's strengths are symbols in the proof, which shows that the root
satisfies its quadratic; the numbers take the root in the form that loses no digits, and k2 from
the equation for c2 in factors, which the proof shows to be the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from antecurve.algebra.zero_pole_gain import ZeroPoleGain, product
from antecurve.curves.model import REFERENCE_ANGULAR_FREQUENCY as W

__all__ = ["CascadeElements", "StageElements", "implied_pole_at_level", "kept_zeros"]


@dataclass(frozen=True, slots=True)
class StageElements:
    """The element formulas, over any field: floats, or rational functions of symbols.

    Attributes
    ----------
    curve : ZeroPoleGain
        H but for the poles beyond the curve: its gain constant is g.
    beyond : tuple
        Poles [s] beyond the curve.
    taken : tuple
        Zeros [s] that the shunt arm makes.
    times : tuple
        Time constants [s] of Q.
    parallel, source : scalar
        Rp and Rs [ohm].
    capacitive : bool
        Whether there is a capacitance across the output, own or load's.
    """

    curve: ZeroPoleGain[Any]
    beyond: tuple[Any, ...]
    taken: tuple[Any, ...]
    times: tuple[Any, ...]
    parallel: Any
    source: Any
    capacitive: bool

    @property
    def kept(self) -> tuple[Any, ...]:
        """Zeros [s] that the series arm makes."""
        return kept_zeros(self.curve.zeros_s, self.taken)

    def branch_resistance(self, zero: Any) -> Any:
        """Compute the resistance of the series arm's partial fraction at a zero.

        Parameters
        ----------
        zero : scalar
            One of the zeros that the series arm makes [s].

        Returns
        -------
        scalar
            Rp D(s)/(Q(s) g s^a prod(1 + s T)) at s = -1/zero, the product over the other zeros.
        """
        s = -1 / zero
        others = product([z for z in self.kept if z != zero], s) * s**self.curve.zeros_at_origin
        top = self.parallel * product((*self.curve.poles_s, *self.beyond), s)
        return top / (product(self.times, s) * self.curve.gain_constant * others)

    def elastance_at_origin(self) -> Any:
        """Compute 1/C of the series capacitor for a zero at the origin.

        Returns
        -------
        scalar
            Rp/g [1/F].
        """
        return self.parallel / self.curve.gain_constant

    def resistance_at_infinity(self) -> Any:
        """Compute R_inf of the series arm.

        Returns
        -------
        scalar
            Rp prod(A)/prod(Q) (1/h - 1) - Rs, h the gain at high frequency; without the 1 where
            there is a capacitance across the output.
        """
        inverse = math.prod((*self.curve.poles_s, *self.beyond)) / (
            self.curve.gain_constant * math.prod(self.curve.zeros_s)
        )
        if self.capacitive:
            return self.shunt_at_infinity() * inverse - self.source
        return self.shunt_at_infinity() * (inverse - 1) - self.source

    def shunt_at_infinity(self) -> Any:
        """Compute Rp prod(A)/prod(Q), the shunt arm far above its corners.

        Returns
        -------
        scalar
            Its impedance [ohm], with s prod(Q) for prod(Q) where it has a capacitance.
        """
        return self.parallel * math.prod(self.taken) / math.prod(self.times)

    def branch_capacitance(self, zero: Any) -> Any:
        """Compute the capacitance of the shunt arm's branch at a zero.

        Parameters
        ----------
        zero : scalar
            One of the zeros that the shunt arm makes [s].

        Returns
        -------
        scalar
            -T Q(-1/T)/(Rp prod(1 - T'/T)), the product over the other zeros taken [F].
        """
        s = -1 / zero
        others = product([z for z in self.taken if z != zero], s)
        return -zero * product(self.times, s) / (self.parallel * others)

    def whole_capacitance(self) -> Any:
        """Compute the capacitance across the output, load included.

        Returns
        -------
        scalar
            prod(Q)/(Rp prod(A)) [F].
        """
        return math.prod(self.times) / (self.parallel * math.prod(self.taken))

    def implied_pole(self) -> Any:
        """Compute the pole with which R_inf = 0, for a curve that lacks one and CL = 0.

        Returns
        -------
        scalar
            l (1 + Rs/Z) [s], l = g prod(z)/prod(p), Z the shunt arm at infinite frequency.
        """
        return self.curve.leading_ratio() * (1 + self.source / self.shunt_at_infinity())


def kept_zeros(zeros: Sequence[Any], taken: Sequence[Any]) -> tuple[Any, ...]:
    """List the zeros that the shunt arm does not take.

    Parameters
    ----------
    zeros, taken : sequence
        Of equal zeros the shunt arm may take one.

    Returns
    -------
    tuple
        The others, in order.
    """
    if not taken:
        return tuple(zeros)
    kept = list(zeros)
    for zero in taken:
        kept.remove(zero)
    return tuple(kept)


def implied_pole_at_level(slope: Any) -> Any:
    """Find the time constant of a pole that keeps the level at 1 kHz.

    Parameters
    ----------
    slope : float or ndarray of float
        The factor k [s], 0 or greater.

    Returns
    -------
    float or ndarray of float
        T = k sqrt(1 + (w T)^2) [s], w = 2 pi 1 kHz; infinite where there is none, w k >= 1.
    """
    remainder = 1.0 - (W * slope) ** 2
    if isinstance(remainder, float):
        return slope / math.sqrt(remainder) if remainder > 0.0 else math.inf
    with np.errstate(divide="ignore"):
        return slope / np.sqrt(np.maximum(remainder, 0.0))


@dataclass(frozen=True, slots=True)
class CascadeElements:
    """The equations of a cascade, over any field: floats, or rational functions of symbols.

    Attributes
    ----------
    curve : ZeroPoleGain
        H but for the poles beyond the curve: its gain constant is g.
    times : tuple
        Time constant [s] of each section; ``None`` for a zero at the origin.
    implied : bool
        Whether the curve lacks a pole.
    beyond : tuple
        Poles [s] beyond the curve, the implied one first.
    middle, across : scalar
        r = 1/R2 and u = 1/R4 + 1/RL [S].
    tau : scalar
        CL/u [s]; 0 for no capacitance.
    """

    curve: ZeroPoleGain[Any]
    times: tuple[Any, Any]
    implied: bool
    beyond: tuple[Any, ...]
    middle: Any
    across: Any
    tau: Any

    def weights(self) -> tuple[Any, Any]:
        """Compute a1 and a2 in x1 x2 = a1 x1 + a2 x2.

        Returns
        -------
        tuple of scalar
            The two weights.
        """
        one, two = self.times
        if one is None:
            return 1, -two
        if two is None:
            return -one, 1
        return one / (one - two), -two / (one - two)

    def shares(self, section: int) -> tuple[Any, Any]:
        """Compute p and q in (1 + s tau) x = p + q x for a section, 0 or 1.

        Parameters
        ----------
        section : int
            0 for the section at the input, 1 for that at the output.

        Returns
        -------
        tuple of scalar
            p and q.
        """
        time = self.times[section]
        return (self.tau, 1) if time is None else (self.tau / time, 1 - self.tau / time)

    def direct(self) -> Any:
        """Compute c0 of D/(g s^a N).

        Returns
        -------
        scalar
            The direct term of the curve.
        """
        total = sum(self.beyond) if self.implied else 1
        tilt = sum(1 / t for t in self.curve.poles_s) - sum(1 / t for t in self.curve.zeros_s)
        square = math.prod(self.beyond) if len(self.beyond) == 1 + self.implied else 0
        return (total + square * tilt) / self.curve.leading_ratio()

    def fraction(self, section: int) -> Any:
        """Compute the partial fraction of D/(g s^a N) at the zero of a section.

        Parameters
        ----------
        section : int
            0 for the section at the input, 1 for that at the output.

        Returns
        -------
        scalar
            c1 or c2.
        """
        time = self.times[section]
        if time is None:
            return 1 / self.curve.gain_constant
        s = -1 / time
        others = [t for t in self.times if t is not None and t != time]
        below = product(others, s) * s**self.curve.zeros_at_origin
        return product((*self.curve.poles_s, *self.beyond), s) / (self.curve.gain_constant * below)

    def network_direct(self, strengths: tuple[Any, Any], resistance: Any) -> Any:
        """Compute c0 of the network's 1/H.

        Parameters
        ----------
        strengths : tuple of scalar
            k1 and k2 [ohm], or [1/F] at the origin.
        resistance : scalar
            R = Rs + R_inf [ohm].

        Returns
        -------
        scalar
            The direct term of the network.
        """
        r, u = self.middle, self.across
        (p1, _), (p2, _) = self.shares(0), self.shares(1)
        extent = 1 + strengths[1] * u * p2
        return extent * (1 + r * resistance) + u * resistance + u * strengths[0] * p1

    def quadratic(self, c1: Any, c2: Any, resistance: Any, scale: Any) -> tuple[Any, ...]:
        """Compute the coefficients of the quadratic for k1, highest first, then gamma and delta.

        Parameters
        ----------
        c1, c2 : scalar
            The curve's partial fractions.
        resistance : scalar
            R = Rs + R_inf [ohm].
        scale : scalar
            u, or 1 for all of them over u, as they are shown.

        Returns
        -------
        tuple of scalar
            Three coefficients, gamma and delta: c2/k2 is gamma + delta k1 with `scale` u.
        """
        r, u = self.middle, self.across
        (_, q1), (p2, q2) = self.shares(0), self.shares(1)
        a1, a2 = self.weights()
        alpha = r + u * q1
        beta = scale * r * (p2 + q2 * a1)
        gamma = scale * q2 * (1 + r * resistance)
        delta = scale * q2 * r * a2
        return alpha * delta, alpha * gamma + beta * c2 - c1 * delta, -c1 * gamma, gamma, delta

    def output_weight(self, k1: Any, resistance: Any) -> Any:
        """Compute c2/k2.

        Parameters
        ----------
        k1 : scalar
            Strength of the section at the input.
        resistance : scalar
            R = Rs + R_inf [ohm].

        Returns
        -------
        scalar
            u q2 (1 + r R + r k1 a2).
        """
        r = self.middle
        weight = self.across * self.shares(1)[1]
        return weight * (1 + r * resistance + r * k1 * self.weights()[1])
