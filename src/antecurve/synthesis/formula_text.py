"""Formulas as LaTeX, as MathML and as plain data."""

from __future__ import annotations

from typing import Any

from antecurve.synthesis.formula_model import FormFormulas, Formula

__all__ = ["formulas_content", "formulas_latex", "formulas_mathml", "plain_expression", "rows_of"]

_MATHML = '<math xmlns="http://www.w3.org/1998/Math/MathML" display="block">{}</math>'


def rows_of(formulas: FormFormulas) -> dict[str, tuple[Formula, ...]]:
    """Return the formulas in the order in which they are read, by headings.

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
        "Response and impedances": ratios,
        "Definitions": formulas.definitions,
        "Definitions with load capacitance": formulas.loaded_definitions,
        "Elements": formulas.elements,
    }
    return {heading: rows for heading, rows in groups.items() if rows}


def _equation(formula: Formula) -> Any:
    """The formula as an equation, not evaluated."""
    import sympy

    if isinstance(formula.expression, sympy.Eq):
        return formula.expression
    name = formula.name
    left = (
        sympy.Function(name[:-3])(sympy.Symbol("s")) if name.endswith("(s)") else sympy.Symbol(name)
    )
    return sympy.Eq(left, formula.expression, evaluate=False)


def formulas_latex(formulas: FormFormulas) -> str:
    """Return the formulas as LaTeX.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas of a form.

    Returns
    -------
    str
        Headings as comments, one display equation each.
    """
    import sympy

    lines = [f"% {formulas.form}: {formulas.description}", f"% {formulas.about_load}"]
    for heading, rows in rows_of(formulas).items():
        lines.append(f"% {heading}")
        for formula in rows:
            remark = f" % {formula.remark}" if formula.remark else ""
            lines.append(rf"\[ {sympy.latex(_equation(formula))} \]{remark}")
    return "\n".join(lines) + "\n"


def formulas_mathml(formulas: FormFormulas) -> dict[str, tuple[str, ...]]:
    """Return the formulas as presentation MathML.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas of a form.

    Returns
    -------
    dict
        Headings and ``math`` elements, in the order of `rows_of`.
    """
    from sympy.printing.mathml import mathml

    def shown(formula: Formula) -> str:
        # A character in place of the named entity, which only HTML knows.
        inner = mathml(_equation(formula), printer="presentation")
        return _MATHML.format(inner.replace("&InvisibleTimes;", "&#8290;"))

    return {
        heading: tuple(shown(formula) for formula in rows)
        for heading, rows in rows_of(formulas).items()
    }


def formulas_content(formulas: FormFormulas) -> dict[str, Any]:
    """Return the formulas as plain data that can be written as JSON.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas of a form.

    Returns
    -------
    dict
        Texts that any program for symbolic algebra reads (``**`` for powers), with LaTeX.
    """
    groups = rows_of(formulas)
    return {
        "form": formulas.form,
        "description": formulas.description,
        "elements_between_nodes": [
            {"ref": e.ref, "kind": e.kind.value, "nodes": list(e.nodes)}
            for e in formulas.topology.elements
        ],
        "transfer": str(formulas.transfer),
        "input_impedance": str(formulas.input_impedance),
        "output_impedance": str(formulas.output_impedance),
        "arms": _rows(groups["Arms"]),
        "definitions": _rows(formulas.definitions),
        "loaded_definitions": _rows(formulas.loaded_definitions),
        "elements": _rows(formulas.elements),
        "time_constants_s": {f.name: f.expression for f in formulas.time_constants},
        "conditions": list(formulas.conditions),
        "load_capacitance": formulas.about_load,
    }


def _rows(rows: tuple[Formula, ...]) -> list[dict[str, str]]:
    import sympy

    return [
        {
            "name": formula.name,
            "expression": plain_expression(formula.expression),
            "latex": sympy.latex(_equation(formula)),
            "remark": formula.remark,
        }
        for formula in rows
    ]


def plain_expression(expression: Any) -> str:
    """Return an expression or an equation as text.

    Parameters
    ----------
    expression : sympy.Expr or sympy.Eq
        The expression.

    Returns
    -------
    str
        With ``**`` for powers and ``=`` between the sides of an equation.
    """
    import sympy

    if isinstance(expression, sympy.Eq):
        return f"{expression.lhs} = {expression.rhs}"
    return str(expression)
