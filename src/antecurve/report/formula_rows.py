"""Formulas for the page: long ratios taken apart, so that they fit a phone and a sheet of paper."""

from __future__ import annotations

from collections.abc import Mapping
from math import isclose
from typing import TYPE_CHECKING, Any

from antecurve.analysis.playback import time_constants
from antecurve.quantities import format_quantity, format_time_constant
from antecurve.synthesis.formula_text import (
    RATIOS,
    expression_mathml,
    formulas_mathml,
    indexed_name,
    numbers_under,
    ratios_over_coefficients,
)
from antecurve.synthesis.numeric_formulas import NumericFormula, NumericFormulas
from antecurve.synthesis.worked_numbers import roots_used
from antecurve.texts import power_of_ten, unbroken

if TYPE_CHECKING:
    from markupsafe import Markup

    from antecurve.curves.model import Curve
    from antecurve.synthesis.formula_model import FormFormulas

__all__ = ["formula_numbers", "formula_rows", "given_numbers"]


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
    if RATIOS in groups:
        groups[RATIOS] = tuple(Markup(row) for row in _ratio_rows(formulas))
    return groups


def formula_numbers(
    formulas: NumericFormulas, numbers: Mapping[str, float]
) -> dict[str, tuple[Markup, ...]]:
    """Write the worked number of each row.

    Parameters
    ----------
    formulas : NumericFormulas
        The formulas.
    numbers : mapping of str to float
        Worked numbers by name, in SI units; none leaves every row without.

    Returns
    -------
    dict of str to tuple of markupsafe.Markup
        By heading as many texts as `formula_rows` has rows: the number with its unit and, of a
        root, which one it is and why; empty where a row has no number.
    """
    from markupsafe import Markup

    roots = roots_used(formulas, dict(numbers))
    texts: dict[str, tuple[Markup, ...]] = {}
    for heading, rows in formulas.rows.items():
        if heading == RATIOS:
            texts[heading] = tuple(Markup(_coefficient_number(row, numbers)) for row in rows)
            continue
        shown = numbers_under(heading, rows, numbers)
        remarks = {name: f" ({roots[name]})" for name in shown if name in roots}
        texts[heading] = tuple(
            Markup("{}=\N{NO-BREAK SPACE}{}").format(
                _named(row), unbroken(shown[row.name] + remarks.get(row.name, ""))
            )
            if row.name in shown
            else Markup("")
            for row in rows
        )
    return texts


def given_numbers(
    formulas: NumericFormulas, numbers: Mapping[str, float], *, curve: Curve
) -> Markup:
    """Write what the formulas start from: time constants, source and load.

    Parameters
    ----------
    formulas : NumericFormulas
        The formulas.
    numbers : mapping of str to float
        Worked numbers by name, in SI units.
    curve : Curve
        The curve, whose time constants are named.

    Returns
    -------
    markupsafe.Markup
        Names and numbers, separated by commas; empty without numbers.
    """
    from markupsafe import Markup

    equals = "\N{NO-BREAK SPACE}=\N{NO-BREAK SPACE}"
    known = zip(("bass shelf", "turnover", "treble"), time_constants(curve), strict=True)
    roles = {seconds: role for role, seconds in known if seconds}
    given = []
    for name in sorted(formulas.time_constants):
        if name in numbers:
            seconds = numbers[name]
            role = next((r for s, r in roles.items() if isclose(s, seconds)), "ultrasonic pole")
            given.append((name, f"{format_time_constant(seconds)} ({role})"))
    units = {"Rs": "ohm", "RL": "ohm", "CL": "F"}
    given += [
        (n, format_quantity(numbers[n], u, digits=5)) for n, u in units.items() if n in numbers
    ]
    return Markup(", ").join(
        Markup("{}{}{}").format(_indexed(name), equals, unbroken(text)) for name, text in given
    )


def _indexed(name: str) -> Markup:
    """The name of a quantity with its index below the line."""
    from markupsafe import Markup

    letter, _, index = indexed_name(name).partition("_")
    return Markup("{}<sub>{}</sub>" if index else "{}").format(letter, index)


def _named(formula: NumericFormula) -> str:
    """The name of a quantity that its formula shows as the root of an equation only."""
    return _indexed(formula.name) + " " if formula.is_equation else ""


def _coefficient_number(formula: NumericFormula, numbers: Mapping[str, float]) -> str:
    """The number of a coefficient, in SI units of resistances and seconds."""
    values = formula.numbers(numbers)
    return f"=\N{NO-BREAK SPACE}{power_of_ten(f'{values[0]:.5g}')}" if values else ""


def _ratio_rows(formulas: FormFormulas) -> list[str]:
    """H(s), input and output impedance over their coefficients."""
    rows: list[str] = []
    for equation, terms in ratios_over_coefficients(formulas):
        rows.append(_math(expression_mathml(equation), display=True))
        rows += [_coefficient_row(*term) for term in terms]
    return rows


def _coefficient_row(letter: str, power: int, coefficient: Any) -> str:
    """A coefficient; each of its terms is an element of its own, so that lines can break."""
    import sympy

    terms = sympy.Add.make_args(coefficient)
    name = expression_mathml(sympy.Symbol(f"{letter}_{power}"))
    pieces = [_math(f"{name}<mo>=</mo>{expression_mathml(terms[0])}")]
    pieces += [_math(f"<mo form='infix'>+</mo>{expression_mathml(term)}") for term in terms[1:]]
    return " ".join(pieces)


def _math(inner: str, *, display: bool = False) -> str:
    """A ``math`` element in the line; for display, with fractions at full size."""
    style = ' displaystyle="true"' if display else ""
    return f'<math xmlns="http://www.w3.org/1998/Math/MathML"{style}><mrow>{inner}</mrow></math>'
