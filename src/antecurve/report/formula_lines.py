"""Formulas of the forms line by line, for the terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from antecurve.quantities import format_time_constant
from antecurve.report.text_table import TextTable, declared, table_from
from antecurve.synthesis.exact import form_description, form_names
from antecurve.synthesis.formula_text import (
    as_written,
    condition_lines,
    numbers_under,
    numeric_formulas,
    plain_formula,
    rows_of,
)
from antecurve.synthesis.worked_numbers import roots_used

if TYPE_CHECKING:
    from antecurve.synthesis.formula_model import FormFormulas

__all__ = ["described_forms", "formula_lines"]


def described_forms() -> TextTable:
    """Tabulate the forms and what each is.

    Returns
    -------
    TextTable
        One row a form.
    """
    return table_from(
        form_names(),
        declared("form", str, right=False),
        declared("what it is", form_description, right=False),
    )


def formula_lines(formulas: FormFormulas, numbers: Mapping[str, float] | None = None) -> list[str]:
    """Write the formulas of a form with its elements, conditions and time constants.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas.
    numbers : mapping of str to float, optional
        Worked numbers by name, in SI units, shown beside the symbols.

    Returns
    -------
    list of str
        One line a formula, under headings.
    """
    lines = [f"{formulas.form}: {formulas.description}"]
    lines += [f"  {e.ref} {e.nodes[0]} {e.nodes[1]}" for e in formulas.topology.elements]
    lines.append(f"Load capacitance: {formulas.about_load}.")
    roots = roots_used(numeric_formulas(formulas), dict(numbers)) if numbers else {}
    for heading, rows in rows_of(formulas).items():
        lines += ["", heading]
        shown = numbers_under(heading, rows, numbers or {})
        for row in rows:
            remarks = [row.remark, roots.get(row.name, "") if row.name in shown else ""]
            remark = as_written("; ".join(filter(None, remarks)))
            worked = f" = {shown[row.name]}" if row.name in shown else ""
            lines.append(f"  {plain_formula(row)}{worked}" + (f"   ({remark})" if remark else ""))
    conditions = condition_lines(formulas)
    if conditions:
        lines += ["", "Conditions"]
    lines += [f"  {as_written(line)}" for line in conditions]
    lines += ["", "Time constants"]
    for time in formulas.time_constants:
        value = (
            "" if time.expression is None else f" = {format_time_constant(float(time.expression))}"
        )
        lines.append(f"  {time.name}{value}: {time.remark.removesuffix(' [s]')}")
    return lines
