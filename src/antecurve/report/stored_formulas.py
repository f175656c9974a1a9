"""Formulas of the built-in forms as the page shows them, derived once and kept beside the page.

They depend on the order of the curve's time constants alone, not on their numbers.  For a curve
of another order, and where the numbers decide which zero the shunt arm makes, they are derived
when asked for.  ``tests/unit/test_stored_formulas.py`` derives all of them anew.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Any

from antecurve.curves.model import Curve
from antecurve.networks.topology import Topology
from antecurve.report.formula_rows import formula_rows
from antecurve.synthesis.exact import form_names
from antecurve.synthesis.formulas import form_formulas
from antecurve.synthesis.sections import named_form
from antecurve.synthesis.symbolic_curve import symbolic_curve

__all__ = ["derived_formulas", "page_formulas", "storable_forms"]

_FILE = "formulas.json.gz"


def storable_forms() -> tuple[str, ...]:
    """List the forms whose formulas the order of the time constants decides.

    Returns
    -------
    tuple of str
        Names of forms.
    """
    return tuple(name for name in form_names() if not name.startswith("rc-shunt"))


def page_formulas(topology: Topology, curve: Curve) -> Mapping[str, tuple[Any, ...]]:
    """Look up the formulas of a form for a page.

    Parameters
    ----------
    topology : Topology
        The network.
    curve : Curve
        Its curve.

    Returns
    -------
    mapping of str to tuple of markupsafe.Markup
        Rows of MathML by heading; none for a network of the user's own.
    """
    from markupsafe import Markup

    form = topology.form
    if form not in form_names():
        return {}
    if form in storable_forms():
        kept = _stored()[form]
        if kept["order"] == _order(form, curve) and kept["refs"] == list(topology.refs):
            return {h: tuple(map(Markup, rows)) for h, rows in kept["rows"].items()}
    return formula_rows(form_formulas(form, curve))


def derived_formulas(form: str) -> dict[str, Any]:
    """Derive what is kept of a form.

    Parameters
    ----------
    form : str
        Name of the form.

    Returns
    -------
    dict
        Order of the time constants, references of the elements, rows of MathML by heading.
    """
    formulas = form_formulas(form)
    rows = {heading: list(map(str, r)) for heading, r in formula_rows(formulas).items()}
    return {"order": _order(form, None), "refs": list(formulas.topology.refs), "rows": rows}


@lru_cache(maxsize=1)
def _stored() -> dict[str, Any]:
    data = files("antecurve.report").joinpath(_FILE).read_bytes()
    content: dict[str, Any] = json.loads(gzip.decompress(data))
    return content


def _order(form: str, curve: Curve | None) -> list[str]:
    """Names of the time constants, longest first, after the zeros at the origin."""
    names = symbolic_curve(named_form(form).section.default_curve, curve)
    times = [*names.curve.zeros_s, *names.curve.poles_s]
    corners = sorted(zip(times, (*names.zeros, *names.poles), strict=True), reverse=True)
    origin = names.curve.zeros_at_origin - names.curve.poles_at_origin
    return [f"s^{origin}", *(name for _, name in corners)]
