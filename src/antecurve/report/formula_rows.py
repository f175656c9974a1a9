"""Formulas for the page: long ratios taken apart, so that they fit a phone and a sheet of paper."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from antecurve.synthesis.formula_text import expression_mathml, formulas_mathml

if TYPE_CHECKING:
    from markupsafe import Markup

    from antecurve.synthesis.formula_model import FormFormulas

__all__ = ["formula_rows"]

_RATIOS = "Response and impedances"


def formula_rows(formulas: FormFormulas) -> dict[str, tuple[Markup, ...]]:
    """Write the formulas of a form as MathML by heading.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas.

    Returns
    -------
    dict of str to tuple of markupsafe.Markup
        One row a formula; of the ratios one row a coefficient, with places to break.
    """
    from markupsafe import Markup

    groups: dict[str, tuple[Markup, ...]] = {}
    for heading, rows in formulas_mathml(formulas).items():
        groups[heading] = tuple(Markup(row) for row in rows)
    if _RATIOS in groups:
        groups[_RATIOS] = tuple(Markup(row) for row in _ratio_rows(formulas))
    return groups


def _ratio_rows(formulas: FormFormulas) -> list[str]:
    """H(s), input and output impedance over their coefficients; equal denominators once."""
    import sympy

    s = sympy.Symbol("s")
    ratios = (
        ("H", "a", formulas.transfer),
        ("Zin", "b", formulas.input_impedance),
        ("Zout", "c", formulas.output_impedance),
    )
    rows: list[str] = []
    denominators: dict[Any, str] = {}
    for name, letter, ratio in ratios:
        top, bottom = (_coefficients(p, s) for p in sympy.fraction(sympy.together(ratio)))
        rows.append("")
        first = len(rows) - 1
        rows += _coefficient_rows(letter, top)
        under = denominators.get(bottom)
        if under is None:
            under = denominators[bottom] = "def"[len(denominators)]
            rows += _coefficient_rows(under, bottom)
        symbols = [
            sum(sympy.Symbol(f"{x}_{k}") * s**k for k, c in enumerate(p) if c != 0)
            for x, p in ((letter, top), (under, bottom))
        ]
        equation = sympy.Eq(
            sympy.Function(name)(s), sympy.Mul(symbols[0], 1 / symbols[1]), evaluate=False
        )
        rows[first] = _math(expression_mathml(equation), display=True)
    return rows


def _coefficients(polynomial: Any, s: Any) -> tuple[Any, ...]:
    """Coefficients in s by ascending power, multiplied out."""
    import sympy

    return tuple(reversed(sympy.Poly(sympy.expand(polynomial), s).all_coeffs()))


def _coefficient_rows(letter: str, coefficients: tuple[Any, ...]) -> list[str]:
    """One row a coefficient; each term is an element of its own, so that lines can break."""
    import sympy

    rows = []
    for power, coefficient in enumerate(coefficients):
        if coefficient == 0:
            continue
        terms = sympy.Add.make_args(coefficient)
        name = expression_mathml(sympy.Symbol(f"{letter}_{power}"))
        pieces = [_math(f"{name}<mo>=</mo>{expression_mathml(terms[0])}")]
        pieces += [_math(f"<mo form='infix'>+</mo>{expression_mathml(term)}") for term in terms[1:]]
        rows.append(" ".join(pieces))
    return rows


def _math(inner: str, *, display: bool = False) -> str:
    """A ``math`` element in the line; for display, with fractions at full size."""
    style = ' displaystyle="true"' if display else ""
    return f'<math xmlns="http://www.w3.org/1998/Math/MathML"{style}><mrow>{inner}</mrow></math>'
