"""A section's quantities over a field of rational functions, and the proof that they make it.

With F = D - g s^a N, D with the poles beyond the curve, the series arm and the source have to be

.. math:: Z(s) + R_s = \\frac{R_p\\,A\\,F}{g\\,s^a\\,Q\\,N}

and the shunt arm Rp A/Q.  Both sides of the first are rational functions with the same simple
poles, the zeros that are kept, the origin, and the time constants of Q.  They are equal when their
residues and their values at infinite frequency are: at a zero that is kept this is the formula
of the branch, at infinite frequency that of R_inf, and at a time constant of Q both residues are
0 by the equation F(-1/Tq) = 0 that defines it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from antecurve.algebra.zero_pole_gain import ZeroPoleGain, product
from antecurve.synthesis.sections.elements import StageElements
from antecurve.synthesis.symbolic_arm import ELASTANCE, INFINITY, branch_name, symbol_field
from antecurve.synthesis.symbolic_curve import SymbolicCurve
from antecurve.synthesis.symbolic_network import prove

__all__ = ["GAIN_CONSTANT", "StageSymbols", "prove_section"]

GAIN_CONSTANT = "g0"
"""Name of the gain constant."""


class StageSymbols:
    """The curve's and the section's quantities as elements of a field.

    Parameters
    ----------
    names : SymbolicCurve
        The curve's time constants.
    taken : sequence of str
        Names of the zeros that the shunt arm makes.
    capacitor : bool
        Whether there is a capacitor across the output.
    loaded : bool
        Whether the load's capacitance counts by itself.

    Attributes
    ----------
    roots : tuple of str
        Names of the time constants of Q.
    kept : tuple of str
        Names of the zeros that the series arm makes.
    beyond : tuple of str
        Names of the poles beyond the curve.
    elements : StageElements
        The element formulas that the numbers come from, over the field.
    """

    def __init__(
        self, names: SymbolicCurve, taken: Sequence[str], *, capacitor: bool, loaded: bool
    ) -> None:
        self.names, self.taken = names, tuple(taken)
        self.capacitor, self.loaded = capacitor, loaded
        self.capacitive = capacitor or loaded
        self.implied, self.implied_pole = names.implied, names.implied_pole
        self.roots = tuple(f"Tq{k + 1}" for k in range(len(taken)))
        if self.capacitive:
            self.roots += ("tau",) if loaded and not taken else ("Tc",)
        self.kept = tuple(z for z in names.zeros if z not in taken)
        self.beyond = names.beyond(loaded=loaded)
        every = [*names.zeros, *names.poles, *self.beyond, *self.roots]
        self.field = symbol_field([*every, GAIN_CONSTANT, "Rp", "Rs", "CL", "s"])
        self.elements = StageElements(
            curve=ZeroPoleGain(
                self.values(names.zeros),
                self.values(names.poles),
                names.curve.zeros_at_origin,
                gain_constant=self.field[GAIN_CONSTANT],
            ),
            beyond=self.values(self.beyond),
            taken=self.values(self.taken),
            times=self.values(self.roots),
            parallel=self.field["Rp"],
            source=self.field["Rs"],
            capacitive=self.capacitive,
        )

    def values(self, names: Sequence[str]) -> tuple[Any, ...]:
        """Look up elements of the field by name.

        Parameters
        ----------
        names : sequence of str
            Names of time constants.

        Returns
        -------
        tuple
            The elements.
        """
        return tuple(self.field[name] for name in names)

    def product(self, names: Sequence[str], s: Any) -> Any:
        """Multiply 1 + s T over named time constants.

        Parameters
        ----------
        names : sequence of str
            Names of time constants.
        s : element of the field
            s.

        Returns
        -------
        element of the field
            The product.
        """
        return self.field["Rp"] ** 0 * product(self.values(names), s)

    def lead(self, names: Sequence[str]) -> Any:
        """Multiply named time constants.

        Parameters
        ----------
        names : sequence of str
            Names of time constants.

        Returns
        -------
        element of the field
            The product.
        """
        return self.field["Rp"] ** 0 * math.prod(self.values(names))

    def numerator(self, s: Any) -> Any:
        """Evaluate g s^a N(s).

        Parameters
        ----------
        s : element of the field
            s.

        Returns
        -------
        element of the field
            Its value.
        """
        power = s**self.names.curve.zeros_at_origin
        return self.field[GAIN_CONSTANT] * power * self.product(self.names.zeros, s)

    def fractions(self) -> dict[str, Any]:
        """Compute the partial fractions of the series arm by name.

        Returns
        -------
        dict
            Elements of the field.
        """
        fractions = {
            branch_name(zero): self.elements.branch_resistance(self.field[zero])
            for zero in self.kept
        }
        if self.names.curve.zeros_at_origin:
            fractions[ELASTANCE] = self.elements.elastance_at_origin()
        if not self.implied:
            fractions[INFINITY] = self.elements.resistance_at_infinity()
        return fractions

    def branch_capacitances(self) -> dict[str, Any]:
        """Compute the capacitance of each branch of the shunt arm by the zero that it makes.

        Returns
        -------
        dict
            Elements of the field.
        """
        return {zero: self.elements.branch_capacitance(self.field[zero]) for zero in self.taken}


def prove_section(symbols: StageSymbols) -> None:
    """Prove that the arms make the curve.

    Parameters
    ----------
    symbols : StageSymbols
        The section.

    Raises
    ------
    ArithmeticError
        When they do not.
    """
    _prove_series_arm(symbols)
    _prove_shunt_arm(symbols)
    _prove_response()
    _prove_poles(symbols)


def _prove_series_arm(symbols: StageSymbols) -> None:
    """Residues of Rp A F/(g s^a Q N) at zeros kept and at the origin, and the value at infinity."""
    v, names = symbols.field, symbols.names
    at_origin = names.curve.zeros_at_origin
    poles = (*names.poles, *symbols.beyond)
    fractions = symbols.fractions()
    what = "the series arm's partial fractions are not those of the curve"

    def difference(s: Any) -> Any:
        """F(s)."""
        return symbols.product(poles, s) - symbols.numerator(s)

    def below(s: Any, times: Sequence[str]) -> Any:
        """Evaluate the denominator over g, but for the pole that is looked at."""
        return v[GAIN_CONSTANT] * symbols.product(symbols.roots, s) * symbols.product(times, s)

    for zero in symbols.kept:
        s = -1 / v[zero]
        others = below(s, [z for z in symbols.kept if z != zero]) * (s if at_origin else 1)
        prove(v["Rp"] * difference(s) == fractions[branch_name(zero)] * others, what)
    if at_origin:
        none = v["s"] - v["s"]
        prove(v["Rp"] * difference(none) == fractions[ELASTANCE] * below(none, symbols.kept), what)
    # Of F only D reaches the power of s that Q N has where Q is of the higher degree.
    top = symbols.lead(poles)
    if not symbols.capacitive:
        top = top - v[GAIN_CONSTANT] * symbols.lead(names.zeros)
    bottom = v[GAIN_CONSTANT] * symbols.lead(symbols.roots) * symbols.lead(symbols.kept)
    if not symbols.implied:
        prove(v["Rp"] * top == (fractions[INFINITY] + v["Rs"]) * bottom, what)


def _prove_shunt_arm(symbols: StageSymbols) -> None:
    """1/Rp + the branches + the capacitance is Q/(Rp A)."""
    v = symbols.field
    s = v["s"]
    total = 1 / v["Rp"]
    for zero, capacitance in symbols.branch_capacitances().items():
        total = total + s * capacitance / (1 + s * v[zero])
    if symbols.capacitive:
        total = total + s * symbols.elements.whole_capacitance()
    expected = symbols.product(symbols.roots, s) / (v["Rp"] * symbols.product(symbols.taken, s))
    prove(total == expected, "the shunt arm's branches do not make Rp A/Q")


def _prove_response() -> None:
    """Zp/(Rs + Z + Zp) = g s^a N/D for arms Rp A/Q and Rp A (D - g s^a N)/(g s^a N Q)."""
    v = symbol_field(["D", "gN", "A", "Q", "Rp"])
    shunt = v["Rp"] * v["A"] / v["Q"]
    series = shunt * (v["D"] - v["gN"]) / v["gN"]
    prove(shunt / (series + shunt) == v["gN"] / v["D"], "Zp/(Rs + Z + Zp) is not the curve")


def _prove_poles(symbols: StageSymbols) -> None:
    """The closed forms of the poles beyond the curve satisfy their equations."""
    v, names = symbols.field, symbols.names
    if symbols.implied and not symbols.loaded:
        # R_inf = 0: Rp A (D - g N)/(g N Q) at infinite frequency is Rs.
        pole = symbols.elements.implied_pole()
        top = symbols.lead(names.poles) * pole - v[GAIN_CONSTANT] * symbols.lead(names.zeros)
        bottom = v[GAIN_CONSTANT] * symbols.lead(symbols.roots) * symbols.lead(symbols.kept)
        prove(v["Rp"] * top == v["Rs"] * bottom, "the implied pole does not make R_inf 0")
    if not symbols.loaded or symbols.taken:
        return
    tau = v["tau"]
    s = -1 / tau
    balance = symbols.elements.curve.at(s)
    if not symbols.implied:
        extra = 1 + s * tau * (1 - balance)
    else:
        both = v["Rs"] * v["CL"]  # over g N/D at infinite frequency: any product will do
        total = both / tau + tau * (1 - balance)
        extra = 1 + s * total + s * s * both
    denominator = symbols.product(names.poles, s) * extra
    prove(
        denominator == symbols.numerator(s), "the poles beyond the curve do not balance at -1/tau"
    )
