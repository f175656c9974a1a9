"""The element formulas of a section with one series arm and one shunt arm, over any field.

Notation and derivation: `antecurve.synthesis.sections.one_stage`.  The formulas are written once,
for floats and for elements of a symbolic field alike.  Only two things differ on the symbolic
path: g is a symbol (the number follows from the level at 1 kHz, `level_constant`), and so are the
roots in Q, which have no rational expression.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from antecurve.synthesis.rational import product

__all__ = ["StageElements", "kept_zeros"]


@dataclass(frozen=True, slots=True)
class StageElements:
    """The element formulas, over any field: floats, or rational functions of symbols.

    Attributes
    ----------
    zeros, poles : tuple
        Time constants [s] of the curve.
    zeros_at_origin : int
        The power a of s in the numerator.
    beyond : tuple
        Poles [s] beyond the curve.
    taken : tuple
        Zeros [s] that the shunt arm makes.
    times : tuple
        Time constants [s] of Q.
    gain_constant : scalar
        g.
    parallel, source : scalar
        Rp and Rs [ohm].
    capacitive : bool
        Whether there is a capacitance across the output, own or load's.
    """

    zeros: tuple[Any, ...]
    poles: tuple[Any, ...]
    zeros_at_origin: int
    beyond: tuple[Any, ...]
    taken: tuple[Any, ...]
    times: tuple[Any, ...]
    gain_constant: Any
    parallel: Any
    source: Any
    capacitive: bool

    @property
    def kept(self) -> tuple[Any, ...]:
        """Zeros [s] that the series arm makes."""
        return kept_zeros(self.zeros, self.taken)

    def branch_resistance(self, zero: Any) -> Any:
        """Return the resistance of the series arm's partial fraction at a zero.

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
        others = product([z for z in self.kept if z != zero], s) * s**self.zeros_at_origin
        top = self.parallel * product((*self.poles, *self.beyond), s)
        return top / (product(self.times, s) * self.gain_constant * others)

    def elastance_at_origin(self) -> Any:
        """Return 1/C of the series capacitor for a zero at the origin.

        Returns
        -------
        scalar
            Rp/g [1/F].
        """
        return self.parallel / self.gain_constant

    def resistance_at_infinity(self) -> Any:
        """Return R_inf of the series arm.

        Returns
        -------
        scalar
            Rp prod(A)/prod(Q) (1/h - 1) - Rs, h the gain at high frequency; without the 1 where
            there is a capacitance across the output.
        """
        inverse = math.prod((*self.poles, *self.beyond)) / (
            self.gain_constant * math.prod(self.zeros)
        )
        if self.capacitive:
            return self.shunt_at_infinity() * inverse - self.source
        return self.shunt_at_infinity() * (inverse - 1) - self.source

    def shunt_at_infinity(self) -> Any:
        """Return Rp prod(A)/prod(Q), the shunt arm far above its corners.

        Returns
        -------
        scalar
            Its impedance [ohm], with s prod(Q) for prod(Q) where it has a capacitance.
        """
        return self.parallel * math.prod(self.taken) / math.prod(self.times)

    def branch_capacitance(self, zero: Any) -> Any:
        """Return the capacitance of the shunt arm's branch at a zero.

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
        """Return the capacitance across the output, load included.

        Returns
        -------
        scalar
            prod(Q)/(Rp prod(A)) [F].
        """
        return math.prod(self.times) / (self.parallel * math.prod(self.taken))

    def lead(self) -> Any:
        """Return g prod(z)/prod(p), p the curve's own poles.

        Returns
        -------
        scalar
            What has the unit of a time [s] where the curve lacks a pole.
        """
        return self.gain_constant * math.prod(self.zeros) / math.prod(self.poles)

    def implied_pole(self) -> Any:
        """Return the pole with which R_inf = 0, for a curve that lacks one and CL = 0.

        Returns
        -------
        scalar
            lead (1 + Rs/Z), Z the shunt arm at infinite frequency [s].
        """
        return self.lead() * (1 + self.source / self.shunt_at_infinity())

    def balance_at(self, time: Any) -> Any:
        """Return g s^a N/D at s = -1/T, D the curve's own poles.

        Parameters
        ----------
        time : scalar
            T [s].

        Returns
        -------
        scalar
            The ratio.
        """
        s = -1 / time
        value = self.gain_constant * s**self.zeros_at_origin * product(self.zeros, s)
        return value / product(self.poles, s)


def kept_zeros(zeros: Sequence[Any], taken: Sequence[Any]) -> tuple[Any, ...]:
    """Return the zeros that the shunt arm does not take.

    Parameters
    ----------
    zeros, taken : sequence
        Of equal zeros the shunt arm may take one.

    Returns
    -------
    tuple
        The others, in order.
    """
    kept = list(zeros)
    for zero in taken:
        kept.remove(zero)
    return tuple(kept)
