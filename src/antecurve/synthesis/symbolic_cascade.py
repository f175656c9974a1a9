"""The elements of a cascade in the curve's time constants, and their proof.

The same formulas as in `antecurve.synthesis.cascade`.  The strengths are roots of a quadratic;
the proof takes the strengths as symbols and shows that the network makes the partial fractions
that the quadratic is made from, that these are the curve's, and that its root satisfies it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from antecurve.synthesis.formula_model import Formula
from antecurve.synthesis.symbolic_arm import symbol_field
from antecurve.synthesis.symbolic_curve import SymbolicCurve
from antecurve.synthesis.symbolic_proof import prove

__all__ = ["CascadeFormulas", "cascade_formulas"]


@dataclass(frozen=True, slots=True, eq=False)
class CascadeFormulas:
    """A cascade's quantities as formulas.

    Attributes
    ----------
    definitions : tuple of Formula
        In order, for CL = 0.
    loaded_definitions : tuple of Formula
        The same with CL.
    elements : tuple of Formula
        In the order of the layout, shunt resistors left out.
    conditions : tuple of str
        When every element is positive, for `definitions`.
    loaded_conditions : tuple of str
        The same for `loaded_definitions`.
    """

    definitions: tuple[Formula, ...]
    loaded_definitions: tuple[Formula, ...]
    elements: tuple[Formula, ...]
    conditions: tuple[str, ...]
    loaded_conditions: tuple[str, ...]


def cascade_formulas(
    names: SymbolicCurve, *, short_first: bool, shunts: tuple[str, str]
) -> CascadeFormulas:
    """Return the formulas of a cascade and prove them.

    Parameters
    ----------
    names : SymbolicCurve
        The curve: two zeros, one of which may be at the origin.
    short_first : bool
        Whether the section at the input makes the shorter time constant.
    shunts : tuple of str
        References of the shunt resistors, that across the output last.

    Returns
    -------
    CascadeFormulas
        Definitions, elements and conditions, without and with the load's capacitance.

    Raises
    ------
    ArithmeticError
        When substituting back fails.
    """
    plain = _Cascade(names, short_first, shunts, loaded=False)
    loaded = _Cascade(names, short_first, shunts, loaded=True)
    for cascade in (plain, loaded):
        cascade.prove()
    return CascadeFormulas(
        tuple(plain.definitions()),
        tuple(loaded.definitions()),
        tuple(plain.elements()),
        plain.conditions(),
        loaded.conditions(),
    )


def _positive(name: str) -> Any:
    import sympy

    return sympy.Symbol(name, positive=True)


class _Cascade:
    """A cascade's quantities in symbols, with the load's capacitance or without."""

    def __init__(
        self, names: SymbolicCurve, short_first: bool, shunts: tuple[str, str], *, loaded: bool
    ) -> None:
        self.names, self.shunts, self.loaded = names, shunts, loaded
        self.at_origin = names.found.zeros_at_origin
        zeros: list[str | None] = [*([None] * self.at_origin), *names.zeros]
        self.order = zeros[::-1] if short_first else zeros
        degree = len(names.zeros) + self.at_origin
        self.implied = len(names.poles) < degree
        self.implied_pole = f"T{degree + len(names.poles) + 1}"
        implied = (self.implied_pole,) if self.implied else ()
        self.beyond: tuple[str, ...] = (*implied, *(("T_load",) if loaded else ()))

    def definitions(self) -> list[Formula]:
        """What the elements are made from, in order."""
        import sympy

        across, load = (_positive(n) for n in (self.shunts[1], "RL"))
        shared = "shunt resistance at the output, load included"
        found = [Formula("Rp", across * load / (across + load), shared)]
        if self.loaded:
            tau = _positive("Rp") * _positive("CL")
            found.append(Formula("tau", tau, "the load's own time constant"))
        found += self._poles_and_input()
        for place, time in enumerate(self.order, start=1):
            expression = sympy.factor(self._fraction(time, _positive))
            found.append(
                Formula(f"c{place}", expression, f"partial fraction of 1/H for section {place}")
            )
        return found + self._strengths()

    def elements(self) -> list[Formula]:
        """The elements but for the shunt resistors."""
        found: list[Formula] = []
        if not self.implied:
            found.append(Formula("R", _positive("R") - _positive("Rs"), "R_inf"))
        for place, time in enumerate(self.order, start=1):
            strength = _positive(f"k{place}")
            if time is None:
                found.append(Formula("C", 1 / strength))
            else:
                found += [Formula("R", strength), Formula("C", _positive(time) / strength)]
        return found

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

    def _lead(self, value: Callable[[str], Any]) -> Any:
        """g prod(z)/prod(p)."""
        total = value("g0")
        for zero in self.names.zeros:
            total = total * value(zero)
        for pole in self.names.poles:
            total = total / value(pole)
        return total

    def _direct(self, value: Callable[[str], Any]) -> Any:
        """c0 of D/(g s^a N)."""
        poles = [value(p) for p in self.beyond]
        tilt = sum(1 / value(p) for p in self.names.poles)
        tilt = tilt - sum(1 / value(z) for z in self.names.zeros)
        total = sum(poles) if self.implied else 1
        if self.loaded:
            square = poles[0] * poles[1] if self.implied else poles[0]
            total = total + square * tilt
        return total / self._lead(value)

    def _fraction(self, time: str | None, value: Callable[[str], Any]) -> Any:
        """Partial fraction of D/(g s^a N) at one zero."""
        if time is None:
            return 1 / value("g0")
        s = -1 / value(time)
        found = 1 / value("g0")
        for pole in (*self.names.poles, *self.beyond):
            found = found * (1 + s * value(pole))
        for other in self.names.zeros:
            if other != time:
                found = found / (1 + s * value(other))
        return found / s if self.at_origin else found

    def _weights(self, value: Callable[[str], Any]) -> tuple[Any, Any]:
        """a1, a2 in x1 x2 = a1 x1 + a2 x2."""
        first, second = self.order
        if first is None or second is None:
            other = value(first or second or "")
            return (1, -other) if first is None else (-other, 1)
        one, two = value(first), value(second)
        return one / (one - two), -two / (one - two)

    def _shares(self, time: str | None, value: Callable[[str], Any]) -> tuple[Any, Any]:
        """p, q in (1 + s tau) x = p + q x."""
        if not self.loaded:
            return 0, 1
        if time is None:
            return value("tau"), 1
        return value("tau") / value(time), 1 - value("tau") / value(time)

    def _across(self, value: Callable[[str], Any]) -> Any:
        """c0 of the network's 1/H."""
        r, u = 1 / value(self.shunts[0]), 1 / value("Rp")
        p1, p2 = (self._shares(t, value)[0] for t in self.order)
        k1, k2, resistance = (value(n) for n in ("k1", "k2", "R"))
        return (1 + k2 * u * p2) * (1 + r * resistance) + u * resistance + u * k1 * p1

    def _quadratic(self, value: Callable[[str], Any]) -> tuple[Any, Any, Any, Any]:
        """Coefficients of the quadratic for k1 over u, and what k2 is c2 over."""
        r, u = 1 / value(self.shunts[0]), 1 / value("Rp")
        (_, q1), (p2, q2) = (self._shares(t, value) for t in self.order)
        a1, a2 = self._weights(value)
        c1, c2, resistance = (value(n) for n in ("c1", "c2", "R"))
        alpha = r + u * q1
        beta = r * (p2 + q2 * a1)
        gamma = q2 * (1 + r * resistance)
        delta = q2 * r * a2
        below = u * (gamma + delta * value("k1"))
        return alpha * delta, alpha * gamma + beta * c2 - c1 * delta, -c1 * gamma, below

    def _poles_and_input(self) -> list[Formula]:
        """The poles beyond the curve and the resistance at the input, source included."""
        import sympy

        source, rp = _positive("Rs"), _positive("Rp")
        lead = self._lead(_positive)
        shared = 1 / _positive(self.shunts[0]) + 1 / rp
        remark = "resistance at the input, source included"
        if not self.loaded:
            if self.implied:
                text = "pole that any such network has beyond the curve"
                return [
                    Formula(self.implied_pole, lead * (1 + source * shared), text),
                    Formula("R", source, remark),
                ]
            return [Formula("R", (1 / lead - 1) / shared, remark)]
        balance = sympy.Eq(self._across(_positive), sympy.factor(self._direct(_positive)))
        together = "to be solved together with those below"
        if self.implied:
            other = lead * source * _positive("CL") / _positive(self.implied_pole)
            return [
                Formula(
                    self.implied_pole, balance, f"pole for the one the curve lacks, {together}"
                ),
                Formula("T_load", other, "pole that the load's capacitance adds"),
                Formula("R", source, remark),
            ]
        return [
            Formula("T_load", balance, f"pole that the load's capacitance adds, {together}"),
            Formula("R", _positive("T_load") / (lead * _positive("CL")), remark),
        ]

    def _strengths(self) -> list[Formula]:
        import sympy

        square, linear, constant, below = self._quadratic(_positive)
        w = sympy.Symbol("w", real=True)
        p, q = sympy.symbols("p q")
        general = (sympy.sqrt(w**2 - 4 * p * q) - w) / (2 * p)
        prove(sympy.expand(p * general**2 + w * general + q) == 0, "no root of the quadratic")
        root = general.subs({p: sympy.factor(square), q: constant})
        return [
            Formula("w", linear, "linear coefficient of the quadratic for k1"),
            Formula("k1", root, "strength of the section at the input"),
            Formula("k2", _positive("c2") / below, "strength of the section at the output"),
        ]

    def prove(self) -> None:
        """Prove that the network's 1/H is that of the curve where the equations hold."""
        times = [t for t in self.order if t is not None]
        every = [*times, *self.names.poles, *self.beyond, "g0", "k1", "k2", "c1", "c2", "R"]
        every += [self.shunts[0], "Rp", "tau", "s"]
        field = symbol_field(every)
        value = field.__getitem__
        s, k1, k2, resistance = (field[n] for n in ("s", "k1", "k2", "R"))
        r, u = 1 / field[self.shunts[0]], 1 / field["Rp"]
        x1, x2 = (1 / s if t is None else 1 / (1 + s * field[t]) for t in self.order)
        y = u * (1 + s * field["tau"]) if self.loaded else u
        inverse = (1 + k2 * y * x2) * (1 + r * (resistance + k1 * x1)) + y * (resistance + k1 * x1)
        (_, q1), (p2, q2) = (self._shares(t, value) for t in self.order)
        a1, a2 = self._weights(value)
        extent = 1 + k2 * u * p2
        c1 = k1 * (extent * r + u * q1 + k2 * u * q2 * r * a1)
        c2 = k2 * u * q2 * (1 + r * resistance + r * k1 * a2)
        rising = u * resistance * field["tau"] * s if self.loaded else 0 * s
        made = rising + self._across(value) + c1 * x1 + c2 * x2
        prove(inverse == made, "1/H of the network is not its partial fractions")
        wanted = self._wanted(value, s)
        top = field["s"] / field["s"]
        for pole in (*self.names.poles, *self.beyond):
            top = top * (1 + s * field[pole])
        bottom = field["g0"] * (s if self.at_origin else 1)
        for zero in self.names.zeros:
            bottom = bottom * (1 + s * field[zero])
        expected = wanted + sum(
            self._fraction(t, value) * x for t, x in zip(self.order, (x1, x2), strict=True)
        )
        prove(top / bottom == expected, "1/H of the curve is not its partial fractions")
        known = dict(field) | {"c1": c1, "c2": c2}
        square, linear, constant, below = self._quadratic(known.__getitem__)
        prove(
            square * k1 * k1 + linear * k1 + constant == 0 * s and k2 * below == c2,
            "the strength's quadratic is wrong",
        )

    def _wanted(self, value: Callable[[str], Any], s: Any) -> Any:
        """What D/(g s^a N) has beside its partial fractions."""
        found = self._direct(value) + 0 * s
        if self.loaded:
            product = s
            for pole in self.beyond:
                product = product * value(pole)
            found = found + product / self._lead(value)
        return found
