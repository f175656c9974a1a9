"""The elements of a cascade in the curve's time constants, and their proof, for CL = 0.

The same formulas as in `antecurve.synthesis.cascade`.  The strengths are roots of a quadratic;
the proof takes the strengths as symbols and shows that the network makes the partial fractions
that the quadratic is made from, and that its root satisfies it.
"""

from __future__ import annotations

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
        In order.
    elements : tuple of Formula
        In the order of the layout, shunt resistors left out.
    conditions : tuple of str
        When every element is positive.
    """

    definitions: tuple[Formula, ...]
    elements: tuple[Formula, ...]
    conditions: tuple[str, ...]


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
        Definitions, elements and conditions.

    Raises
    ------
    ArithmeticError
        When substituting back fails.
    """
    import sympy

    at_origin = names.found.zeros_at_origin
    implied = len(names.poles) < len(names.zeros) + at_origin
    zeros: list[str | None] = [*([None] * at_origin), *names.zeros]
    order = zeros[::-1] if short_first else zeros
    beyond = f"T{len(names.zeros) + len(names.poles) + at_origin + 1}"
    poles = [*names.poles, *([beyond] if implied else [])]
    _prove(names, order, poles)

    def symbol(name: str) -> Any:
        return sympy.Symbol(name, positive=True)

    g0, source, resistance, across = (symbol(n) for n in ("g0", "Rs", "R", "Rp"))
    middle = symbol(shunts[0])
    k1, k2 = (symbol(n) for n in ("k1", "k2"))
    lead = sympy.Mul(*(symbol(z) for z in names.zeros))
    shared = 1 / middle + 1 / across
    definitions = [
        Formula(
            "Rp",
            symbol(shunts[1]) * symbol("RL") / (symbol(shunts[1]) + symbol("RL")),
            "shunt resistance at the output, load included",
        )
    ]
    if implied:
        value = g0 * lead * (1 + source * shared) / sympy.Mul(*(symbol(p) for p in names.poles))
        definitions.append(
            Formula(beyond, value, "pole that any such network has beyond the curve")
        )
        definitions.append(Formula("R", source, "resistance at the input"))
    else:
        limit = sympy.Mul(*(symbol(p) for p in poles)) / (g0 * lead)
        definitions.append(
            Formula("R", (limit - 1) / shared, "resistance at the input, source included")
        )
    for place, time in enumerate(order, start=1):
        definitions.append(
            Formula(
                f"c{place}",
                sympy.factor(_fraction(names, time, poles)),
                f"partial fraction of 1/H for section {place}",
            )
        )
    definitions += _strengths(order, shared, middle, across, resistance)
    elements: list[Formula] = []
    if not implied:
        elements.append(Formula("R", resistance - source, "R_inf"))
    for strength, time in zip((k1, k2), order, strict=True):
        if time is None:
            elements.append(Formula("C", 1 / strength))
        else:
            elements += [Formula("R", strength), Formula("C", symbol(time) / strength)]
    reach = f"g0 {' '.join(names.zeros)}/({' '.join(poles)})"
    limit_text = f"1/(1 + Rs (1/{shunts[0]} + 1/Rp))"
    conditions = () if implied else (f"R >= Rs: {reach} <= {limit_text}",)
    return CascadeFormulas(tuple(definitions), tuple(elements), conditions)


def _fraction(names: SymbolicCurve, time: str | None, poles: list[str]) -> Any:
    """Partial fraction of D/(g s^a N) at one zero, as a sympy expression."""
    import sympy

    def symbol(name: str) -> Any:
        return sympy.Symbol(name, positive=True)

    if time is None:
        return 1 / symbol("g0")
    s = -1 / symbol(time)
    value = sympy.Mul(*(1 + s * symbol(p) for p in poles)) / symbol("g0")
    for other in names.zeros:
        if other != time:
            value /= 1 + s * symbol(other)
    return value / s if names.found.zeros_at_origin else value


def _weights(order: list[Any]) -> tuple[Any, Any]:
    """a1, a2 in x1 x2 = a1 x1 + a2 x2."""
    one, two = order
    if one is None:
        return 1, -two
    if two is None:
        return -one, 1
    return one / (one - two), -two / (one - two)


def _strengths(
    order: list[str | None], shared: Any, middle: Any, across: Any, resistance: Any
) -> list[Formula]:
    import sympy

    times = [None if t is None else sympy.Symbol(t, positive=True) for t in order]
    a1, a2 = _weights(times)
    c1, c2, k1 = (sympy.Symbol(n, positive=True) for n in ("c1", "c2", "k1"))
    w = sympy.Symbol("w", real=True)
    square = sympy.factor(shared * a2 / middle)
    constant = -c1 * (1 + resistance / middle)
    linear = shared * (1 + resistance / middle) + (a1 * c2 - a2 * c1) / middle
    p, q = sympy.symbols("p q")
    general = (sympy.sqrt(w**2 - 4 * p * q) - w) / (2 * p)
    prove(sympy.expand(p * general**2 + w * general + q) == 0, "no root of the quadratic")
    root = general.subs({p: square, q: constant})
    return [
        Formula("w", linear, "linear coefficient of the quadratic for k1"),
        Formula(
            "k1",
            root,
            "strength of the section at the input",
        ),
        Formula(
            "k2",
            c2 * across / (1 + resistance / middle + k1 * a2 / middle),
            "strength of the section at the output",
        ),
    ]


def _prove(names: SymbolicCurve, order: list[str | None], poles: list[str]) -> None:
    """Prove that the network's 1/H has the partial fractions the strengths are solved from."""
    times = [t for t in order if t is not None]
    field = symbol_field([*times, "k1", "k2", "R", "R2", "Rp", "s"])
    s, k1, k2, resistance = (field[n] for n in ("s", "k1", "k2", "R"))
    r, u = 1 / field["R2"], 1 / field["Rp"]
    x1, x2 = (1 / s if t is None else 1 / (1 + s * field[t]) for t in order)
    a1, a2 = _weights([None if t is None else field[t] for t in order])
    inverse = (1 + k2 * u * x2) * (1 + r * (resistance + k1 * x1)) + u * (resistance + k1 * x1)
    c0 = 1 + resistance * (r + u)
    c1 = k1 * (r + u + k2 * u * r * a1)
    c2 = k2 * u * (1 + r * resistance + r * k1 * a2)
    prove(inverse == c0 + c1 * x1 + c2 * x2, "1/H is not its partial fractions")
    # k2 from the third equation, put into the second, is the quadratic.
    b = 1 + r * resistance
    square, linear = (r + u) * r * a2, (r + u) * b + r * a1 * c2 - r * a2 * c1
    prove(square * k1 * k1 + linear * k1 - c1 * b == 0 * b, "the strength's quadratic is wrong")
