"""The formulas of a cascade in the curve's time constants, and their proof.

The equations are those of `antecurve.synthesis.sections.cascade`, with symbols for numbers.  The
strengths are roots of a quadratic; the proof takes the strengths as symbols and shows that the
network makes the partial fractions that the quadratic is made from, that these are the curve's, and
that its root satisfies it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from antecurve.algebra.zero_pole_gain import ZeroPoleGain, product
from antecurve.networks.topology import Topology
from antecurve.synthesis.formula_model import Formula, SectionFormulas
from antecurve.synthesis.sections.elements import CascadeElements
from antecurve.synthesis.symbolic_arm import symbol_field
from antecurve.synthesis.symbolic_curve import SymbolicCurve, positive
from antecurve.synthesis.symbolic_network import (
    arm_trees,
    prove,
    prove_transfer,
    shown_impedance,
)

__all__ = ["cascade_formulas"]

Order = tuple[str | None, str | None]
"""Name of each section's time constant; ``None`` for a zero at the origin."""


def cascade_formulas(names: SymbolicCurve, order: Order, topology: Topology) -> SectionFormulas:
    """Derive the formulas of a cascade and prove them.

    Parameters
    ----------
    names : SymbolicCurve
        The curve: two zeros, one of which may be at the origin.
    order : tuple of str or None
        Name of each section's time constant; ``None`` for a zero at the origin.
    topology : Topology
        The elements, those of the shunt arms last.

    Returns
    -------
    SectionFormulas
        Definitions, elements and conditions, without and with the load's capacitance.

    Raises
    ------
    ArithmeticError
        When substituting back fails.
    """
    shunts = topology.refs[-2:]
    plain = _Cascade(names, order, shunts, loaded=False)
    loaded = _Cascade(names, order, shunts, loaded=True)
    for cascade in (plain, loaded):
        cascade.prove()
    chosen = "chosen: the shunt resistors set the impedance and its share between the sections"
    rows = [*plain.elements(), *((positive(ref), chosen) for ref in shunts)]
    return SectionFormulas(
        _arm_formulas(topology),
        tuple(plain.definitions()),
        tuple(loaded.definitions()),
        tuple(Formula(ref, *row) for ref, row in zip(topology.refs, rows, strict=True)),
        plain.conditions(),
        loaded.conditions(),
    )


def _arm_formulas(topology: Topology) -> tuple[Formula, ...]:
    """The arms' impedances and H(s) by them, which is proved."""
    import sympy

    prove_transfer(
        topology,
        lambda arms, load, source: _inverse(arms[0], arms[1], arms[2], load + 1 / arms[3], source),
    )
    s = sympy.Symbol("s")
    values = {ref: positive(ref) for ref in topology.refs}
    first, second, middle, last = (shown_impedance(arm, s) for arm in arm_trees(topology, values))
    z1, z2, y, source = (positive(name) for name in ("Z1", "Z2", "Y", "Rs"))
    across = 1 / last + 1 / positive("RL") + s * positive("CL")
    return (
        Formula("Z1", first, "series arm of the section at the input"),
        Formula("Z2", second, "series arm of the section at the output"),
        Formula("Y", across, "admittance across the output"),
        Formula("H", 1 / _inverse(z1, z2, middle, y, source), "output voltage over EMF"),
    )


def _inverse(z1: Any, z2: Any, middle: Any, y: Any, source: Any) -> Any:
    """1/H of two sections by their series arms, the resistor in the middle and Y."""
    return (1 + z2 * y) * (1 + (source + z1) / middle) + (source + z1) * y


_ROOT_REMARK = (
    "strength of the section at the input: + before the square root as shown, or - where only "
    "that makes k1 and k2 positive"
)


class _Cascade:
    """A cascade's quantities in symbols, with the load's capacitance or without."""

    def __init__(
        self, names: SymbolicCurve, order: Order, shunts: tuple[str, ...], *, loaded: bool
    ) -> None:
        self.names, self.order, self.shunts, self.loaded = names, order, shunts, loaded
        self.at_origin = names.curve.zeros_at_origin
        self.implied, self.implied_pole = names.implied, names.implied_pole
        self.beyond = names.beyond(loaded=loaded)

    def over(self, value: Callable[[str], Any]) -> CascadeElements:
        """State the equations with a scalar for each name."""
        first, second = (None if t is None else value(t) for t in self.order)
        return CascadeElements(
            curve=ZeroPoleGain(
                tuple(value(t) for t in self.names.zeros),
                tuple(value(t) for t in self.names.poles),
                self.at_origin,
                gain_constant=value("g0"),
            ),
            times=(first, second),
            implied=self.implied,
            beyond=tuple(value(t) for t in self.beyond),
            middle=1 / value(self.shunts[0]),
            across=1 / value("Rp"),
            tau=value("tau") if self.loaded else 0,
        )

    def definitions(self) -> list[Formula]:
        """List what the elements are made from, in order."""
        import sympy

        across, load = (positive(n) for n in (self.shunts[1], "RL"))
        shared = "shunt resistance at the output, load included"
        formulas = [Formula("Rp", across * load / (across + load), shared)]
        if self.loaded:
            tau = positive("Rp") * positive("CL")
            formulas.append(Formula("tau", tau, "the load's own time constant"))
        formulas += self._poles_and_input()
        for section in (0, 1):
            expression = sympy.factor(self.over(positive).fraction(section))
            remark = f"partial fraction of 1/H for section {section + 1}"
            formulas.append(Formula(f"c{section + 1}", expression, remark))
        return formulas + self._strengths()

    def elements(self) -> list[tuple[Any, str]]:
        """Expression and remark of each element but for the shunt resistors."""
        rows: list[tuple[Any, str]] = []
        if not self.implied:
            rows.append((positive("R") - positive("Rs"), "R_inf"))
        for section, time in enumerate(self.order, start=1):
            strength = positive(f"k{section}")
            if time is None:
                rows.append((1 / strength, ""))
            else:
                rows += [(strength, ""), (positive(time) / strength, "")]
        return rows

    def conditions(self) -> tuple[str, ...]:
        """When every element is positive."""
        strengths = ("k1 > 0", "k2 > 0")
        if self.implied:
            return strengths
        zeros, poles = " ".join(self.names.zeros), " ".join(self.names.poles)
        if self.loaded:
            last = self.names.poles[-1]
            return (
                *strengths,
                f"0 < T_load <= {last}",
                f"R >= Rs: g0 {zeros} Rs CL <= {poles} T_load",
            )
        limit = f"1/(1 + Rs (1/{self.shunts[0]} + 1/Rp))"
        return (*strengths, f"R >= Rs: g0 {zeros}/({poles}) <= {limit}")

    def _poles_and_input(self) -> list[Formula]:
        """The poles beyond the curve and the resistance at the input, source included."""
        import sympy

        source, rp = positive("Rs"), positive("Rp")
        symbols = self.over(positive)
        lead = symbols.curve.leading_ratio()
        shared = 1 / positive(self.shunts[0]) + 1 / rp
        remark = "resistance at the input, source included"
        if not self.loaded:
            if self.implied:
                text = "pole that any such network has beyond the curve"
                return [
                    Formula(self.implied_pole, lead * (1 + source * shared), text),
                    Formula("R", source, remark),
                ]
            return [Formula("R", (1 / lead - 1) / shared, remark)]
        strengths = (positive("k1"), positive("k2"))
        across = symbols.network_direct(strengths, positive("R"))
        balance = sympy.Eq(across, sympy.factor(symbols.direct()))
        together = "to be solved together with those below"
        if self.implied:
            other = lead * source * positive("CL") / positive(self.implied_pole)
            return [
                Formula(
                    self.implied_pole, balance, f"pole for the one the curve lacks, {together}"
                ),
                Formula("T_load", other, "pole that the load's capacitance adds"),
                Formula("R", source, remark),
            ]
        return [
            Formula("T_load", balance, f"pole that the load's capacitance adds, {together}"),
            Formula("R", positive("T_load") / (lead * positive("CL")), remark),
        ]

    def _strengths(self) -> list[Formula]:
        import sympy

        c1, c2, k1, resistance = (positive(n) for n in ("c1", "c2", "k1", "R"))
        symbols = self.over(positive)
        square, linear, constant, gamma, delta = symbols.quadratic(c1, c2, resistance, 1)
        weight = (gamma + delta * k1) / positive("Rp")
        w = sympy.Symbol("w", real=True)
        p, q = sympy.symbols("p q")
        general = (sympy.sqrt(w**2 - 4 * p * q) - w) / (2 * p)
        prove(sympy.expand(p * general**2 + w * general + q) == 0, "no root of the quadratic")
        root = general.subs({p: sympy.factor(square), q: constant})
        return [
            Formula("w", linear, "linear coefficient of the quadratic for k1"),
            Formula("k1", root, _ROOT_REMARK),
            Formula("k2", c2 / weight, "strength of the section at the output"),
        ]

    def prove(self) -> None:
        """Prove that the network's 1/H is that of the curve where the equations hold."""
        times = [t for t in self.order if t is not None]
        every = [*times, *self.names.poles, *self.beyond, "g0", "k1", "k2", "R"]
        field = symbol_field([*every, self.shunts[0], "Rp", "tau", "s"])
        s, k1, k2, resistance = (field[n] for n in ("s", "k1", "k2", "R"))
        elements = self.over(field.__getitem__)
        x = [1 / s if t is None else 1 / (1 + s * t) for t in elements.times]
        c1, c2 = self._prove_network(elements, s, x, (k1, k2), resistance)
        self._prove_curve(elements, s, x)
        square, linear, constant, gamma, delta = elements.quadratic(c1, c2, resistance, 1)
        weight = elements.output_weight(k1, resistance)
        prove(
            square * k1 * k1 + linear * k1 + constant == 0 * s
            and k2 * weight == c2
            and elements.across * (gamma + delta * k1) == weight,
            "the strength's quadratic is wrong",
        )

    def _prove_network(
        self, elements: CascadeElements, s: Any, x: list[Any], k: tuple[Any, Any], resistance: Any
    ) -> tuple[Any, Any]:
        """Prove the partial fractions of the network's 1/H, and return c1 and c2."""
        r, u = elements.middle, elements.across
        y = u * (1 + s * elements.tau)
        inverse = (1 + k[1] * y * x[1]) * (1 + r * (resistance + k[0] * x[0]))
        inverse = inverse + y * (resistance + k[0] * x[0])
        (_, q1), (p2, q2) = elements.shares(0), elements.shares(1)
        a1, a2 = elements.weights()
        extent = 1 + k[1] * u * p2
        c1 = k[0] * (extent * r + u * q1 + k[1] * u * q2 * r * a1)
        c2 = k[1] * u * q2 * (1 + r * resistance + r * k[0] * a2)
        rising = u * resistance * elements.tau * s
        made = rising + elements.network_direct(k, resistance) + c1 * x[0] + c2 * x[1]
        prove(inverse == made, "1/H of the network is not its partial fractions")
        return c1, c2

    def _prove_curve(self, elements: CascadeElements, s: Any, x: list[Any]) -> None:
        """Prove the partial fractions of D/(g s^a N), with e s where the load has capacitance."""
        poles = (*elements.curve.poles_s, *elements.beyond)
        curve = elements.curve
        bottom = curve.gain_constant * s**self.at_origin * product(curve.zeros_s, s)
        expected = sum(elements.fraction(k) * x[k] for k in (0, 1)) + elements.direct()
        if self.loaded:
            expected = expected + s * math.prod(elements.beyond) / elements.curve.leading_ratio()
        prove(
            product(poles, s) / bottom == expected, "1/H of the curve is not its partial fractions"
        )
