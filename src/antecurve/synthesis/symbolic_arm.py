"""The elements of a series arm as expressions in its partial fractions, and their proof.

The rules that make a form's elements from numbers are run on elements of a field of rational
functions: what comes out are the formulas.  The proof puts them back into the arm and compares
with the partial fractions, as rational functions in all symbols and s.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from antecurve.networks.topology import ElementKind
from antecurve.synthesis.formula_model import Formula
from antecurve.synthesis.impedance import RcImpedance, polynomials, zeros_of
from antecurve.synthesis.tree import Leaf, Tree

__all__ = [
    "ELASTANCE",
    "INFINITY",
    "arm_proof",
    "branch_name",
    "impedance_names",
    "prove",
    "symbol_field",
    "symbolic_impedance",
    "tree_impedance",
    "zero_definitions",
]

INFINITY = "R_inf"
ELASTANCE = "K"


def branch_name(time_constant: str) -> str:
    """Return the name of the partial fraction's resistance at a time constant.

    Parameters
    ----------
    time_constant : str
        Such as ``T1``.

    Returns
    -------
    str
        Such as ``r1``.
    """
    return "r" + time_constant[1:]


def prove(statement: bool, what: str) -> None:
    """Stop when a derived formula does not satisfy its own equations.

    Parameters
    ----------
    statement : bool
        Whether an identity holds.
    what : str
        The identity in words.

    Raises
    ------
    ArithmeticError
        When it doesn't: the derivation is wrong.
    """
    if not statement:
        raise ArithmeticError(f"substituting back fails: {what}")


def tree_impedance(tree: Tree, s: Any) -> Any:
    """Return the impedance of an arm.

    Parameters
    ----------
    tree : Tree
        The arm.
    s : element of a field
        The variable s.

    Returns
    -------
    element of a field
        Z(s).
    """
    if isinstance(tree, Leaf):
        return tree.value if tree.kind is ElementKind.RESISTOR else 1 / (s * tree.value)
    parts = [tree_impedance(part, s) for part in tree.parts]
    if tree.joined == "series":
        return sum(parts[1:], parts[0])
    return 1 / sum((1 / part for part in parts[1:]), 1 / parts[0])


def impedance_names(times: Sequence[str]) -> list[str]:
    """Return the symbols of an impedance with given time constants.

    Parameters
    ----------
    times : sequence of str
        Names of the time constants.

    Returns
    -------
    list of str
        Time constants, partial fractions, R_inf, K and zeros.
    """
    fractions = [branch_name(t) for t in times]
    zeros = [f"Tm{k + 1}" for k in range(len(times) + 1)]
    return [*times, *fractions, INFINITY, ELASTANCE, *zeros]


def symbolic_impedance(
    field: Mapping[str, Any], times: Sequence[str], *, infinity: bool, at_origin: bool
) -> RcImpedance:
    """Return an impedance whose partial fractions are symbols.

    Parameters
    ----------
    field : mapping
        Elements of a field by name, those of `impedance_names` among them.
    times : sequence of str
        Names of its time constants.
    infinity, at_origin : bool
        Whether it has R_inf and a pole at the origin.

    Returns
    -------
    RcImpedance
        The impedance.
    """
    return RcImpedance(
        field[INFINITY] if infinity else 0,
        field[ELASTANCE] if at_origin else 0,
        tuple((field[branch_name(t)], field[t]) for t in times),
        tuple(field[f"Tm{k + 1}"] for k in range(len(times) + 1)),
    )


def symbol_field(names: Sequence[str]) -> dict[str, Any]:
    """Return the elements of a field of rational functions by name.

    Parameters
    ----------
    names : sequence of str
        Names of the symbols, all positive.

    Returns
    -------
    dict
        The elements.
    """
    import sympy
    from sympy.polys.fields import field

    symbols = [sympy.Symbol(name, positive=True) for name in names]
    _, *elements = field(symbols, sympy.QQ)
    return dict(zip(names, elements, strict=True))


def arm_proof(
    build: Callable[[RcImpedance], Tree],
    times: Sequence[str],
    *,
    infinity: bool,
    at_origin: bool,
) -> None:
    """Prove that an arm's elements make its impedance.

    Parameters
    ----------
    build : callable
        The form's rule.
    times : sequence of str
        Names of the impedance's time constants.
    infinity, at_origin : bool
        Whether it has R_inf and a pole at the origin.

    Raises
    ------
    ArithmeticError
        When it doesn't.

    Notes
    -----
    The proof is over the zeros of the impedance instead of its partial fractions, because
    these are rational in those: Z = Z0 prod(1 + s Tm)/prod(1 + s T), Z0/s for a pole at the
    origin.  Where a form works with the zeros of Z - R_inf, they are the symbols and R_inf is
    one more; both readings are tried.
    """
    count = len(times)
    names = [*times, "Z0", INFINITY, "s", *(f"Tm{k + 1}" for k in range(count + 1))]
    field = symbol_field(names)
    s, scale = field["s"], field["Z0"]
    readings: list[tuple[bool, Any]] = [(True, 0)] if infinity else []
    readings.append((False, field[INFINITY] if infinity else 0))
    holds = False
    for whole, extra in readings:
        zeros = [field[f"Tm{k + 1}"] for k in range(count - 1 + whole + at_origin)]
        poles = [field[t] for t in times]

        def value(at: Any, poles: Sequence[Any] = poles, zeros: Sequence[Any] = zeros) -> Any:
            total = scale
            for zero in zeros:
                total = total * (1 + at * zero)
            for pole in poles:
                total = total / (1 + at * pole)
            return total

        branches = []
        for pole in poles:
            rest = value(-1 / pole, [p for p in poles if p != pole])
            branches.append((rest * -pole if at_origin else rest, pole))
        end = scale
        for zero in zeros:
            end = end * zero
        for pole in poles:
            end = end / pole
        impedance = RcImpedance(
            end if whole else extra,
            scale if at_origin else 0,
            tuple(branches),
            tuple(zeros) or (field["Tm1"],),
        )
        expected = value(s) / s if at_origin else value(s)
        holds = holds or tree_impedance(build(impedance), s) == expected + extra
    prove(holds, "the elements of the series arm do not make its partial fractions")


def zero_definitions(impedance: RcImpedance) -> tuple[Formula, ...]:
    """Return what the zero symbols stand for.

    Parameters
    ----------
    impedance : RcImpedance
        Symbolic.

    Returns
    -------
    tuple of Formula
        Each zero of Z, an equation from the third order on; empty where the zero is rational.
    """
    import sympy

    zeros = zeros_of(impedance)
    if len(zeros) < 2:
        return ()
    coefficients = [sympy.factor(c.as_expr()) for c in polynomials(impedance).numerator]
    order = len(coefficients) - 1
    found = [
        Formula(f"m{k}", c, f"coefficient of s^{k} in the numerator of the series arm")
        for k, c in enumerate(coefficients)
    ]
    m = [sympy.Symbol(f.name, positive=True) for f in found]
    for index, zero in enumerate(zeros):
        symbol = zero.as_expr()
        if order == 2:
            root = sympy.sqrt(m[1] ** 2 - 4 * m[0] * m[2])
            expression = (m[1] + (root if index == 0 else -root)) / (2 * m[0])
        else:
            terms = ((-1) ** k * m[k] * symbol ** (order - k) for k in range(order + 1))
            expression = sympy.Eq(sympy.Add(*terms), 0)
        remark = f"time constant of zero {index + 1} of the series arm, the longest first"
        found.append(Formula(str(symbol), expression, remark))
    return tuple(found)
