"""Formulas as Python functions, to be pasted into a program of one's own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from textwrap import wrap
from typing import Any

from antecurve.synthesis.formula_model import FormFormulas, Formula
from antecurve.synthesis.formula_text import condition_lines

__all__ = ["formulas_python"]

_WIDTH = 96  # columns: as wide as code is in this package


def formulas_python(formulas: FormFormulas, numbers: Mapping[str, float] | None = None) -> str:
    """Write the formulas as a Python module that needs the standard library alone.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas of a form.
    numbers : mapping of str to float, optional
        Worked numbers by name, in SI units, which the module then calls its functions with.

    Returns
    -------
    str
        Functions of the response, the impedances and the elements.  A quantity that is the root
        of an equation is an argument, and the docstring has the equation.
    """
    lines = [f'"""{formulas.form}: {formulas.description}."""', ""]
    lines += [f"# {line}" for line in condition_lines(formulas)]
    lines += ["from math import pi, sqrt"]
    for name, expression, remark in (
        ("transfer", formulas.transfer, "Output voltage over EMF."),
        ("input_impedance", formulas.input_impedance, "At in, load connected [ohm]."),
        ("output_impedance", formulas.output_impedance, "At the output, source connected [ohm]."),
    ):
        others = sorted(x.name for x in expression.free_symbols if x.name != "s")
        lines += ["", "", f"def {name}(s, *, {', '.join(others)}):", f'    """{remark}"""']
        lines.append(f"    return {expression}")
    sets = {"elements": formulas.definitions, "elements_loaded": formulas.loaded_definitions}
    for name, definitions in sets.items():
        if definitions:
            lines += ["", "", *_function(name, definitions, formulas.elements)]
    if numbers:
        loaded = "T_load" in numbers
        definitions = formulas.loaded_definitions if loaded else formulas.definitions
        given = _arguments((*definitions, *formulas.elements))
        values = [f"{n}={numbers[n]!r}" for n in given]
        lines += ["", "", f"values = elements{'_loaded' if loaded else ''}("]
        lines += [f"    {value}," for value in values] + [")"]
    return "\n".join(lines) + "\n"


def _function(name: str, definitions: Iterable[Formula], elements: Iterable[Formula]) -> list[str]:
    """Lines of the function that works the elements out from one set of definitions."""
    rows = (*definitions, *elements)
    head = wrap(f"def {name}(*, {', '.join(_arguments(rows))}):", _WIDTH, subsequent_indent="    ")
    roots = [row for row in rows if _is_root(row)]
    body = ["Work out the elements [ohm, F]."]
    if roots:
        body += ["", "Solve these equations first, and give their roots:"]
    body += [f"{row.name}: {row.text}; {row.remark}" for row in roots]
    documented = [f"    {line}" if line else "" for line in body]
    documented[0] = documented[0].replace("Work", '"""Work')
    if roots:
        documented.append('    """')
    else:
        documented[0] += '"""'
    assigned = [
        f"    {row.name} = {row.expression}" + (f"  # {row.remark}" if row.remark else "")
        for row in rows
        if not _is_root(row) and str(row.expression) != row.name
    ]
    pairs = ", ".join(f'"{row.name}": {row.name}' for row in elements)
    return [*head, *documented, *assigned, f"    return {{{pairs}}}"]


def _is_root(row: Formula) -> bool:
    import sympy

    return isinstance(row.expression, sympy.Eq)


def _arguments(rows: Iterable[Formula]) -> list[str]:
    """Names that the rows need before they can be worked out in their order."""
    known: set[str] = set()
    needed: list[str] = []
    for row in rows:
        own: Any = [] if _is_root(row) else row.expression.free_symbols
        asked = sorted({x.name for x in own}) if own else [row.name]
        needed += [name for name in asked if name not in known and name not in needed]
        known.add(row.name)
    return needed
