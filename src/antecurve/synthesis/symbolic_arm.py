"""A series arm in symbols: its partial fractions, coefficients and zeros, and their meaning.

The rules that make a form's elements from numbers are run on elements of a field of rational
functions: what comes out are the formulas.  `antecurve.synthesis.symbolic_proof` puts them back.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from antecurve.networks.tree import with_leaves
from antecurve.synthesis.formula_model import Formula
from antecurve.synthesis.impedance import Ratio, RcImpedance, polynomials, zeros_of
from antecurve.synthesis.tree import ElementValue, Tree

__all__ = [
    "ELASTANCE",
    "INFINITY",
    "RemainderNames",
    "branch_name",
    "coefficient_definitions",
    "relabelled",
    "symbol_field",
    "symbolic_impedance",
    "zero_count",
    "zero_definitions",
]

INFINITY = "R_inf"
ELASTANCE = "K"


def branch_name(time_constant: str) -> str:
    """Name the partial fraction's resistance at a time constant.

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


def symbolic_impedance(
    times: Sequence[str],
    *,
    infinity: bool,
    at_origin: bool,
    by_coefficients: bool = False,
    whole: bool = False,
    naming: RemainderNames | None = None,
) -> RcImpedance:
    """Make an impedance whose partial fractions are symbols.

    Parameters
    ----------
    times : sequence of str
        Names of its time constants.
    infinity, at_origin : bool
        Whether it has R_inf and a pole at the origin.
    by_coefficients : bool, optional
        Whether the coefficients of its polynomials get names of their own.
    whole : bool, optional
        Whether R_inf is in these coefficients.
    naming : RemainderNames, optional
        Names the remainders of a continued fraction as it is taken.

    Returns
    -------
    RcImpedance
        The impedance, with names for its zeros.
    """
    order = len(times) + at_origin
    zeros = [f"Tm{k + 1}" for k in range(len(times) + 1)]
    top = [f"m{k}" for k in range(order + (infinity and whole))]
    bottom = [f"d{k}" for k in range(order + 1)]
    fractions = [branch_name(t) for t in times]
    slopes = [f"Rm{k + 1}" for k in range(len(zeros))]
    names = [*times, *fractions, INFINITY, ELASTANCE, *zeros, *slopes, *top, *bottom, "s"]
    remainders = [f"b{k + 1}" for k in range(order * order + order)] if naming is not None else []
    field = symbol_field([*names, *remainders])
    if naming is not None:
        naming.symbols = iter([field[n] for n in remainders])
    return RcImpedance(
        field[INFINITY] if infinity else 0,
        field[ELASTANCE] if at_origin else 0,
        tuple((field[r], field[t]) for r, t in zip(fractions, times, strict=True)),
        tuple(field[z] for z in zeros),
        tuple(field[r] for r in slopes),
        _named(field, top, bottom, at_origin, naming) if by_coefficients else None,
    )


class RemainderNames:
    """Names for the coefficients of the remainders of a continued fraction."""

    def __init__(self) -> None:
        self.symbols: Iterator[Any] = iter(())
        self.formulas: list[Formula] = []

    def __call__(self, remainder: tuple[Any, ...]) -> tuple[Any, ...]:
        """Name what is longer than one symbol."""
        named = []
        for value in remainder:
            # A number stays as it is; only sums of symbols are longer than one.
            if value and not isinstance(value, int) and not value.as_expr().is_Atom:
                symbol = next(self.symbols)
                expression = value.as_expr()
                self.formulas.append(
                    Formula(str(symbol.as_expr()), expression, "remainder of the expansion")
                )
                value = symbol
            named.append(value)
        return tuple(named)


def _named(
    field: Mapping[str, Any],
    top: list[str],
    bottom: list[str],
    at_origin: bool,
    naming: RemainderNames | None,
) -> Ratio:
    """Coefficients by name; the lowest of the denominator is 1 by the partial fractions."""
    lowest = [0, 1] if at_origin else [1]
    return Ratio(
        tuple(field[n] for n in top),
        (*lowest, *(field[n] for n in bottom[len(lowest) :])),
        naming,
    )


def symbol_field(names: Sequence[str]) -> dict[str, Any]:
    """Make a field of rational functions, its elements by name.

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


def relabelled(tree: Tree, values: Iterator[Any]) -> Tree:
    """Put other values into the same tree.

    Parameters
    ----------
    tree : Tree
        The arm.
    values : iterator
        One for each element, in the order of the layout.

    Returns
    -------
    Tree
        The arm with them.
    """
    return with_leaves(tree, lambda element: ElementValue(element.kind, next(values)))


def zero_count(times: Sequence[str], *, whole: bool, at_origin: bool) -> int:
    """Count the zeros of an impedance.

    Parameters
    ----------
    times : sequence of str
        Its time constants.
    whole : bool
        Whether R_inf is counted in.
    at_origin : bool
        Whether it has a pole at the origin.

    Returns
    -------
    int
        One between any two neighbouring poles, and one beyond with R_inf.
    """
    return len(times) - 1 + whole + at_origin


def coefficient_definitions(impedance: RcImpedance) -> tuple[Formula, ...]:
    """Define the coefficients of the arm's polynomials by its partial fractions.

    Parameters
    ----------
    impedance : RcImpedance
        Symbolic.

    Returns
    -------
    tuple of Formula
        m0, m1, ... of the numerator and those of the denominator that are not 0 or 1.
    """
    import sympy

    ratio = polynomials(replace(impedance, coefficients=None))
    formulas = [
        Formula(f"m{k}", sympy.factor(c.as_expr()), f"numerator of the series arm at s^{k}")
        for k, c in enumerate(ratio.numerator)
    ]
    formulas += [
        Formula(f"d{k}", sympy.factor(c.as_expr()), f"denominator of the series arm at s^{k}")
        for k, c in enumerate(ratio.denominator)
        if not isinstance(c, int)
    ]
    return tuple(formulas)


def zero_definitions(impedance: RcImpedance) -> tuple[Formula, ...]:
    """Define the zero symbols.

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

    impedance = replace(impedance, coefficients=None)
    zeros = zeros_of(impedance)
    if len(zeros) < 2:
        return ()
    coefficients = [sympy.factor(c.as_expr()) for c in polynomials(impedance).numerator]
    order = len(coefficients) - 1
    formulas = [
        Formula(f"m{k}", c, f"numerator of the series arm at s^{k}")
        for k, c in enumerate(coefficients)
    ]
    m = [sympy.Symbol(f.name, positive=True) for f in formulas]
    for index, zero in enumerate(zeros):
        symbol = zero.as_expr()
        if order == 2:
            root = sympy.sqrt(m[1] ** 2 - 4 * m[0] * m[2])
            expression = (m[1] + (root if index == 0 else -root)) / (2 * m[0])
        else:
            terms = ((-1) ** k * m[k] * symbol ** (order - k) for k in range(order + 1))
            expression = sympy.Eq(sympy.Add(*terms), 0)
        remark = f"time constant of zero {index + 1} of the series arm, the longest first"
        if order == 2:
            remark += "; both roots are used, each for its own branch"
        formulas.append(Formula(str(symbol), expression, remark))
    slopes = impedance.zero_resistances[: len(zeros)]
    for zero, slope in zip(zeros, slopes, strict=True):
        value = _slope(impedance, [z.as_expr() for z in zeros], zero.as_expr())
        formulas.append(Formula(str(slope.as_expr()), value, "s dZ/ds there"))
    return tuple(formulas)


def _slope(impedance: RcImpedance, zeros: Sequence[Any], zero: Any) -> Any:
    """s dZ/ds at a zero as a product over zeros and poles, a sympy expression."""
    import sympy

    if impedance.elastance_at_origin:
        value = impedance.elastance_at_origin.as_expr() * zero
    else:
        value = -sympy.Symbol("m0", positive=True)
    above = [1 - other / zero for other in zeros if other != zero]
    below = [1 - time.as_expr() / zero for _, time in impedance.branches]
    return sympy.factor(value * sympy.Mul(*above) / sympy.Mul(*below))
