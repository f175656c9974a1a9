"""Formulas as LaTeX, as MathML, as lines of text and as text to evaluate."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from html import unescape
from typing import Any

from antecurve.quantities import format_quantity
from antecurve.synthesis.formula_model import FormFormulas, Formula
from antecurve.synthesis.numeric_formulas import NumericFormula, NumericFormulas

__all__ = [
    "RATIOS",
    "as_written",
    "condition_lines",
    "expression_mathml",
    "formulas_latex",
    "formulas_mathml",
    "indexed_name",
    "numbers_under",
    "numeric_formulas",
    "plain_formula",
    "ratios_over_coefficients",
    "rows_of",
]

RATIOS = "Response and impedances"
"""Heading of the ratios of polynomials in s."""
_HTML_ENTITY = re.compile(r"&(?!amp;|lt;|gt;|quot;|apos;)\w+;")
_POWER = re.compile(r"\*\*(\d+)")
_SIGNS = {"sqrt(": "√(", "2000*pi": "2000π", "*": "·", "->": "→", ">=": "≥", "<=": "≤"}
_RAISED = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")
_MATHML = '<math xmlns="http://www.w3.org/1998/Math/MathML" display="block">{}</math>'


def rows_of(formulas: FormFormulas) -> dict[str, tuple[Formula, ...]]:
    """Group the formulas under headings, in the order in which they are read.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas of a form.

    Returns
    -------
    dict
        Headings and what stands below them; empty groups are left out.
    """
    ratios = (
        Formula("H(s)", formulas.transfer, "output voltage over EMF"),
        Formula("Zin(s)", formulas.input_impedance, "at in, load connected"),
        Formula("Zout(s)", formulas.output_impedance, "at the output, source connected"),
    )
    groups = {
        "Arms": formulas.arms,
        RATIOS: ratios,
        "Level": formulas.level,
        "Definitions": formulas.definitions,
        "Definitions with load capacitance": formulas.loaded_definitions,
        "Elements": formulas.elements,
    }
    return {heading: rows for heading, rows in groups.items() if rows}


def _equation(formula: Formula) -> Any:
    """The formula as an equation, not evaluated."""
    import sympy

    if isinstance(formula.expression, sympy.Eq) or str(formula.expression) == formula.name:
        return formula.expression
    name = formula.name
    side = (
        sympy.Function(name[:-3])(sympy.Symbol("s")) if name.endswith("(s)") else sympy.Symbol(name)
    )
    return sympy.Eq(side, formula.expression, evaluate=False)


def condition_lines(formulas: FormFormulas) -> list[str]:
    """State in sentences when the formulas hold.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas of a form.

    Returns
    -------
    list of str
        One for each condition, saying for which load capacitance.
    """
    lines = [f"With {formulas.conditions_for}, holds when {c}." for c in formulas.conditions]
    return lines + [f"With CL > 0, holds when {c}." for c in formulas.loaded_conditions]


def numbers_under(
    heading: str, rows: Iterable[Formula | NumericFormula], numbers: Mapping[str, float]
) -> dict[str, str]:
    """Write worked numbers as they stand beside the formulas under a heading.

    Parameters
    ----------
    heading : str
        As in `rows_of`.
    rows : iterable of Formula or NumericFormula
        The formulas under it.
    numbers : mapping of str to float
        Worked numbers by name, in SI units.

    Returns
    -------
    dict of str to str
        Numbers with their units by name.  Both sets of definitions use the same names; the
        numbers belong to one of them.
    """
    loaded = "T_load" in numbers
    if heading == ("Definitions" if loaded else "Definitions with load capacitance"):
        return {}
    return {row.name: _with_unit(row, numbers[row.name]) for row in rows if row.name in numbers}


def _with_unit(formula: Formula | NumericFormula, value: float) -> str:
    """A number by the first letter of its name; other names are ratios and coefficients."""
    units = {"R": "ohm", "r": "ohm", "C": "F", "T": "s", "t": "s"}
    unit = "F" if formula.remark.startswith("capacitance") else units.get(formula.name[0])
    return format_quantity(value, unit, digits=5) if unit else f"{value:.5g}"


def formulas_latex(formulas: FormFormulas, numbers: Mapping[str, float] | None = None) -> str:
    """Write the formulas as LaTeX.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas of a form.
    numbers : mapping of str to float, optional
        Worked numbers by name, in SI units, shown beside the symbols.

    Returns
    -------
    str
        Headings as comments, one display equation each.
    """
    lines = [f"% {formulas.form}: {formulas.description}", f"% {formulas.about_load}"]
    lines += [f"% {line}" for line in condition_lines(formulas)]
    for heading, rows in rows_of(formulas).items():
        lines.append(f"% {heading}")
        shown = numbers_under(heading, rows, numbers or {})
        for formula in rows:
            remark = f" % {formula.remark}" if formula.remark else ""
            worked = _latex_number(formula, shown)
            lines.append(rf"\[ {formula.latex}{worked} \]{remark}")
    return "\n".join(lines) + "\n"


def _latex_number(formula: Formula, shown: Mapping[str, str]) -> str:
    """The number of a quantity behind its symbols; a root's own name before it."""
    import sympy

    if formula.name not in shown:
        return ""
    number, _, unit = shown[formula.name].partition(" ")
    signs = {"µ": r"\mu ", "Ω": r"\Omega "}
    upright = "".join(signs.get(letter, rf"\mathrm{{{letter}}}") for letter in unit)
    mantissa, _, exponent = number.partition("e")
    if exponent:
        mantissa += rf" \cdot 10^{{{int(exponent)}}}"
    name = formula.latex.partition(":")[0] if isinstance(formula.expression, sympy.Eq) else ""
    return rf"\quad {name} = {mantissa}" + (rf"\,{upright}" if unit else "")


def formulas_mathml(formulas: FormFormulas) -> dict[str, tuple[str, ...]]:
    """Write the formulas as presentation MathML.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas of a form.

    Returns
    -------
    dict
        Headings and ``math`` elements, in the order of `rows_of`.
    """
    return {
        heading: tuple(_MATHML.format(expression_mathml(_equation(formula))) for formula in rows)
        for heading, rows in rows_of(formulas).items()
    }


def expression_mathml(expression: Any) -> str:
    """Write an expression as presentation MathML, with indices below the line.

    Parameters
    ----------
    expression : sympy.Basic
        The expression.

    Returns
    -------
    str
        What stands inside a ``math`` element.
    """
    import sympy
    from sympy.printing.mathml import MathMLPresentationPrinter

    class Printer(MathMLPresentationPrinter):  # type: ignore[misc]
        def _print_AppliedUndef(self, e: Any) -> Any:
            """A function, its name as it is written: by default it comes out in lower case."""
            row = self.dom.createElement("mrow")
            row.appendChild(self._print(sympy.Symbol(e.func.__name__)))
            row.appendChild(self._paren_comma_separated(*e.args))
            return row

        def _print_Symbol(self, sym: Any, style: str = "plain") -> Any:
            return super()._print_Symbol(sympy.Symbol(indexed_name(sym.name)), style)

    # Characters in place of the named entities that only HTML knows.
    return _HTML_ENTITY.sub(lambda entity: unescape(entity[0]), Printer().doprint(expression))


def indexed_name(name: str) -> str:
    """Tell the index of a name from its letter.

    Parameters
    ----------
    name : str
        Name of a quantity.

    Returns
    -------
    str
        Letter and index with a low line between them; a name without an index as it is.

    Examples
    --------
    >>> [indexed_name(name) for name in ("RL", "T_load", "Zin", "tau", "s")]
    ['R_L', 'T_load', 'Z_in', 'tau', 's']
    """
    if len(name) == 1 or (name.isalpha() and name.islower()):
        return name
    index = name[1:].lstrip("_")
    return f"{name[0]}_{'∞' if index == 'inf' else index}"


def as_written(text: str) -> str:
    """Write powers as raised digits and products with a dot, as one does by hand.

    Parameters
    ----------
    text : str
        A formula as the program writes it, alone or in a sentence.

    Returns
    -------
    str
        The same in the signs of print.

    Examples
    --------
    >>> as_written("sqrt(T1**2*w1**2 + 1) >= 2*R1")
    '√(T1²·w1² + 1) ≥ 2·R1'
    """
    raised = _POWER.sub(lambda power: power[1].translate(_RAISED), text)
    for plain, sign in _SIGNS.items():
        raised = raised.replace(plain, sign)
    return raised


def plain_formula(formula: Formula) -> str:
    """Write a formula as one line of text.

    Parameters
    ----------
    formula : Formula
        The formula.

    Returns
    -------
    str
        The name and what it is equal to, or the equation that it is a root of.
    """
    import sympy

    shown = formula.text
    if isinstance(formula.expression, sympy.Limit):
        inner, variable, end, _ = formula.expression.args
        shown = f"limit of {inner} as {variable} -> {end}"
    shown = as_written(shown)
    if isinstance(formula.expression, sympy.Eq):
        return f"{formula.name}: root {formula.name} of {shown}"
    return shown if shown == formula.name else f"{formula.name} = {shown}"


def ratios_over_coefficients(
    formulas: FormFormulas,
) -> list[tuple[Any, list[tuple[str, int, Any]]]]:
    """Write H(s), input and output impedance over named coefficients.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas of a form.

    Returns
    -------
    list of tuple
        Each ratio as an equation, with the coefficients that are new in it: letter, power of s,
        expression.
    """
    import sympy

    s = sympy.Symbol("s")
    ratios = (
        ("H", "a", formulas.transfer),
        ("Zin", "b", formulas.input_impedance),
        ("Zout", "c", formulas.output_impedance),
    )
    blocks = []
    denominators: dict[Any, str] = {}
    for name, letter, ratio in ratios:
        top, bottom = (_coefficients(p, s) for p in sympy.fraction(ratio))
        new = {letter: top}
        if bottom not in denominators:
            denominators[bottom] = "def"[len(denominators)]
            new[denominators[bottom]] = bottom
        symbols = [
            sum(sympy.Symbol(f"{x}_{k}") * s**k for k, c in enumerate(p) if c != 0)
            for x, p in ((letter, top), (denominators[bottom], bottom))
        ]
        equation = sympy.Eq(
            sympy.Function(name)(s), sympy.Mul(symbols[0], 1 / symbols[1]), evaluate=False
        )
        terms = [(x, k, c) for x, p in new.items() for k, c in enumerate(p) if c != 0]
        blocks.append((equation, terms))
    return blocks


def _coefficients(polynomial: Any, s: Any) -> tuple[Any, ...]:
    """Coefficients in s by ascending power, multiplied out."""
    import sympy

    return tuple(reversed(sympy.Poly(sympy.expand(polynomial), s).all_coeffs()))


def numeric_formulas(formulas: FormFormulas) -> NumericFormulas:
    """Write derived formulas as text.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas.

    Returns
    -------
    NumericFormulas
        The same as text.
    """
    rows = {
        heading: tuple(NumericFormula(f.name, f.text, f.remark) for f in below)
        for heading, below in rows_of(formulas).items()
    }
    rows[RATIOS] = tuple(
        row
        for _, terms in ratios_over_coefficients(formulas)
        for row in (
            NumericFormula("", ""),
            *(NumericFormula(f"{letter}_{power}", str(term)) for letter, power, term in terms),
        )
    )
    times = {f.name: f.expression for f in formulas.time_constants if f.expression is not None}
    return NumericFormulas(formulas.topology.refs, times, rows)
