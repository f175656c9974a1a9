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

from collections.abc import Sequence
from typing import Any

from antecurve.synthesis.symbolic_arm import ELASTANCE, INFINITY, branch_name, symbol_field
from antecurve.synthesis.symbolic_curve import SymbolicCurve
from antecurve.synthesis.symbolic_proof import prove

__all__ = ["LEVEL", "SectionSymbols", "prove_section"]

LEVEL = "g0"
"""Name of the level constant."""


class SectionSymbols:
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
    """

    def __init__(
        self, names: SymbolicCurve, taken: Sequence[str], *, capacitor: bool, loaded: bool
    ) -> None:
        self.names, self.taken = names, tuple(taken)
        self.capacitor, self.loaded = capacitor, loaded
        self.capacitive = capacitor or loaded
        degree = len(names.zeros) + names.found.zeros_at_origin
        self.implied = len(names.poles) < degree
        self.implied_pole = f"T{degree + len(names.poles) + 1}"
        self.roots = tuple(f"Tq{k + 1}" for k in range(len(taken)))
        if self.capacitive:
            self.roots += ("tau",) if loaded and not taken else ("Tc",)
        self.kept = tuple(z for z in names.zeros if z not in taken)
        implied = (self.implied_pole,) if self.implied else ()
        self.beyond: tuple[str, ...] = (*implied, *(("T_load",) if loaded else ()))
        every = [*names.zeros, *names.poles, *self.beyond, *self.roots]
        self.field = symbol_field([*every, LEVEL, "Rp", "Rs", "CL", "s"])

    def __getitem__(self, name: str) -> Any:
        return self.field[name]

    def product(self, times: Sequence[str], s: Any) -> Any:
        """Return the product of 1 + s T.

        Parameters
        ----------
        times : sequence of str
            Names of the time constants.
        s : element of the field
            s.

        Returns
        -------
        element of the field
            The product.
        """
        total = self.field["Rp"] / self.field["Rp"]
        for time in times:
            total = total * (1 + s * self.field[time])
        return total

    def lead(self, times: Sequence[str]) -> Any:
        """Return the product of time constants.

        Parameters
        ----------
        times : sequence of str
            Their names.

        Returns
        -------
        element of the field
            The product.
        """
        total = self.field["Rp"] / self.field["Rp"]
        for time in times:
            total = total * self.field[time]
        return total

    def numerator(self, s: Any) -> Any:
        """Return g s^a N(s).

        Parameters
        ----------
        s : element of the field
            s.

        Returns
        -------
        element of the field
            Its value.
        """
        value = self.field[LEVEL] * self.product(self.names.zeros, s)
        return value * s if self.names.found.zeros_at_origin else value

    def fractions(self) -> dict[str, Any]:
        """Return the partial fractions of the series arm.

        Returns
        -------
        dict of element of the field
            By name.
        """
        v, at_origin = self.field, self.names.found.zeros_at_origin
        poles = (*self.names.poles, *self.beyond)
        result: dict[str, Any] = {}
        for zero in self.kept:
            s = -1 / v[zero]
            rest = self.product([z for z in self.kept if z != zero], s)
            below = self.product(self.roots, s) * v[LEVEL] * rest * (s if at_origin else 1)
            result[branch_name(zero)] = v["Rp"] * self.product(poles, s) / below
        if at_origin:
            result[ELASTANCE] = v["Rp"] / v[LEVEL]
        if not self.implied:
            ratio = v["Rp"] * self.lead(self.taken) / self.lead(self.roots)
            inverse = self.lead(poles) / (v[LEVEL] * self.lead(self.names.zeros))
            result[INFINITY] = ratio * (inverse - (not self.capacitive)) - v["Rs"]
        return result

    def implied_without_load(self) -> Any:
        """Return the implied pole for CL = 0.

        Returns
        -------
        element of the field
            Its time constant.
        """
        v = self.field
        ratio = v["Rp"] * self.lead(self.taken) / self.lead(self.roots)
        lead = v[LEVEL] * self.lead(self.names.zeros) / self.lead(self.names.poles)
        return lead * (1 + v["Rs"] / ratio)

    def balance_at_tau(self) -> Any:
        """Return g s^a N/D at s = -1/tau, D without the poles beyond the curve.

        Returns
        -------
        element of the field
            Its value.
        """
        s = -1 / self.field["tau"]
        return self.numerator(s) / self.product(self.names.poles, s)

    def shunt_capacitances(self) -> dict[str, Any]:
        """Return the capacitance of each branch of the shunt arm.

        Returns
        -------
        dict of element of the field
            By the name of the zero that the branch makes.
        """
        v = self.field
        found = {}
        for zero in self.taken:
            s = -1 / v[zero]
            rest = self.product([z for z in self.taken if z != zero], s)
            found[zero] = -v[zero] * self.product(self.roots, s) / (v["Rp"] * rest)
        return found

    def whole_capacitance(self) -> Any:
        """Return the capacitance across the output, load included.

        Returns
        -------
        element of the field
            Its value.
        """
        return self.lead(self.roots) / (self.field["Rp"] * self.lead(self.taken))


def prove_section(symbols: SectionSymbols) -> None:
    """Prove that the arms make the curve.

    Parameters
    ----------
    symbols : SectionSymbols
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


def _prove_series_arm(symbols: SectionSymbols) -> None:
    """Residues of Rp A F/(g s^a Q N) at zeros kept and at the origin, and the value at infinity."""
    v, names = symbols.field, symbols.names
    at_origin = names.found.zeros_at_origin
    poles = (*names.poles, *symbols.beyond)
    fractions = symbols.fractions()
    what = "the series arm's partial fractions are not those of the curve"

    def difference(s: Any) -> Any:
        """F(s)."""
        return symbols.product(poles, s) - symbols.numerator(s)

    def below(s: Any, times: Sequence[str]) -> Any:
        """The denominator over g, but for the pole that is looked at."""
        return v[LEVEL] * symbols.product(symbols.roots, s) * symbols.product(times, s)

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
        top = top - v[LEVEL] * symbols.lead(names.zeros)
    bottom = v[LEVEL] * symbols.lead(symbols.roots) * symbols.lead(symbols.kept)
    if not symbols.implied:
        prove(v["Rp"] * top == (fractions[INFINITY] + v["Rs"]) * bottom, what)


def _prove_shunt_arm(symbols: SectionSymbols) -> None:
    """1/Rp + the branches + the capacitance is Q/(Rp A)."""
    v = symbols.field
    s = v["s"]
    total = 1 / v["Rp"]
    for zero, capacitance in symbols.shunt_capacitances().items():
        total = total + s * capacitance / (1 + s * v[zero])
    if symbols.capacitive:
        total = total + s * symbols.whole_capacitance()
    expected = symbols.product(symbols.roots, s) / (v["Rp"] * symbols.product(symbols.taken, s))
    prove(total == expected, "the shunt arm's branches do not make Rp A/Q")


def _prove_response() -> None:
    """Zp/(Rs + Z + Zp) = g s^a N/D for arms Rp A/Q and Rp A (D - g s^a N)/(g s^a N Q)."""
    v = symbol_field(["D", "gN", "A", "Q", "Rp"])
    shunt = v["Rp"] * v["A"] / v["Q"]
    series = shunt * (v["D"] - v["gN"]) / v["gN"]
    prove(shunt / (series + shunt) == v["gN"] / v["D"], "Zp/(Rs + Z + Zp) is not the curve")


def _prove_poles(symbols: SectionSymbols) -> None:
    """The closed forms of the poles beyond the curve satisfy their equations."""
    v, names = symbols.field, symbols.names
    if symbols.implied and not symbols.loaded:
        # R_inf = 0: Rp A (D - g N)/(g N Q) at infinite frequency is Rs.
        pole = symbols.implied_without_load()
        top = symbols.lead(names.poles) * pole - v[LEVEL] * symbols.lead(names.zeros)
        bottom = v[LEVEL] * symbols.lead(symbols.roots) * symbols.lead(symbols.kept)
        prove(v["Rp"] * top == v["Rs"] * bottom, "the implied pole does not make R_inf 0")
    if not symbols.loaded or symbols.taken:
        return
    tau = v["tau"]
    s = -1 / tau
    balance = symbols.balance_at_tau()
    if not symbols.implied:
        extra = 1 + s * tau * (1 - balance)
    else:
        both = v["Rs"] * v["CL"]  # over g N/D at infinite frequency: any product will do
        total = both / tau + tau * (1 - balance)
        extra = 1 + s * total + s * s * both
    found = symbols.product(names.poles, s) * extra
    prove(found == symbols.numerator(s), "the poles beyond the curve do not balance at -1/tau")
