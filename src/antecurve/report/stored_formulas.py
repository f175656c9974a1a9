"""Formulas of the built-in forms as the page shows them, derived once and kept beside the page.

They depend on the order of the curve's time constants alone, not on their numbers.  For a curve
of another order, and where the numbers decide which zero the shunt arm makes, they are derived
when asked for.  ``tests/unit/test_stored_formulas.py`` derives all of them anew.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

from antecurve.curves.model import Curve
from antecurve.networks.topology import Topology
from antecurve.report.formula_rows import formula_rows
from antecurve.synthesis.exact import form_names
from antecurve.synthesis.formula_model import FormFormulas
from antecurve.synthesis.formula_text import numeric_formulas
from antecurve.synthesis.formulas import form_formulas
from antecurve.synthesis.numeric_formulas import NumericFormula, NumericFormulas
from antecurve.synthesis.sections import named_form
from antecurve.synthesis.symbolic_curve import SymbolicCurve, symbolic_curve

__all__ = ["PageFormulas", "derived_formulas", "page_formulas", "storable_forms"]

_FILE = "formulas.json.gz"


@dataclass(frozen=True, slots=True)
class PageFormulas:
    """The formulas of a form as a page shows them.

    Attributes
    ----------
    rows : mapping of str to tuple of markupsafe.Markup
        Rows of MathML by heading.
    numeric : NumericFormulas
        The same rows as text to evaluate.
    """

    rows: Mapping[str, tuple[Any, ...]]
    numeric: NumericFormulas

    @classmethod
    def derived(cls, formulas: FormFormulas) -> PageFormulas:
        """Write derived formulas for the page.

        Parameters
        ----------
        formulas : FormFormulas
            The formulas.

        Returns
        -------
        PageFormulas
            Their rows.
        """
        return cls(formula_rows(formulas), numeric_formulas(formulas))


def storable_forms() -> tuple[str, ...]:
    """List the forms whose formulas the order of the time constants decides.

    Returns
    -------
    tuple of str
        Names of forms.
    """
    return tuple(name for name in form_names() if not name.startswith("rc-shunt"))


def page_formulas(topology: Topology, curve: Curve) -> PageFormulas | None:
    """Look up the formulas of a form for a page.

    Parameters
    ----------
    topology : Topology
        The network.
    curve : Curve
        Its curve.

    Returns
    -------
    PageFormulas or None
        None for a network of the user's own.
    """
    form = topology.form
    if form not in form_names():
        return None
    if form in storable_forms():
        kept, names = _stored()[form], _named_times(form, curve)
        if kept["order"] == _order(names) and kept["refs"] == list(topology.refs):
            return _page_formulas(kept, names)
    return PageFormulas.derived(form_formulas(form, curve))


def derived_formulas(form: str) -> dict[str, Any]:
    """Derive what is kept of a form.

    Parameters
    ----------
    form : str
        Name of the form.

    Returns
    -------
    dict
        Order of the time constants, references of the elements, rows of MathML by heading, and
        the name, text and remark of each row.
    """
    formulas = PageFormulas.derived(form_formulas(form))
    return {
        "order": _order(_named_times(form, None)),
        "refs": list(formulas.numeric.refs),
        "rows": {heading: list(map(str, rows)) for heading, rows in formulas.rows.items()},
        "texts": {
            heading: [[row.name, row.text, row.remark] for row in rows]
            for heading, rows in formulas.numeric.rows.items()
        },
    }


@lru_cache(maxsize=1)
def _stored() -> dict[str, Any]:
    data = files("antecurve.report").joinpath(_FILE).read_bytes()
    content: dict[str, Any] = json.loads(gzip.decompress(data))
    return content


def _page_formulas(kept: dict[str, Any], names: SymbolicCurve) -> PageFormulas:
    from markupsafe import Markup

    texts = {h: tuple(NumericFormula(*row) for row in rows) for h, rows in kept["texts"].items()}
    numeric = NumericFormulas(tuple(kept["refs"]), names.time_constants, texts)
    return PageFormulas({h: tuple(map(Markup, rows)) for h, rows in kept["rows"].items()}, numeric)


def _named_times(form: str, curve: Curve | None) -> SymbolicCurve:
    return symbolic_curve(named_form(form).section.default_curve, curve)


def _order(names: SymbolicCurve) -> list[str]:
    """Names of the time constants, longest first, after the zeros at the origin."""
    corners = sorted(((time, name) for name, time in names.time_constants.items()), reverse=True)
    origin = names.curve.zeros_at_origin - names.curve.poles_at_origin
    return [f"s^{origin}", *(name for _, name in corners)]
