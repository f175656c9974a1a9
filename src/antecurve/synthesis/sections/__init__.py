"""The kinds of section, one object in each module, and the table of their forms."""

from __future__ import annotations

from antecurve.errors import InputError
from antecurve.synthesis.sections.cascade import CASCADE_LONG_FIRST, CASCADE_SHORT_FIRST
from antecurve.synthesis.sections.half_section import HALF_SECTION
from antecurve.synthesis.sections.output_capacitor import OUTPUT_CAPACITOR
from antecurve.synthesis.sections.rc_shunt import RC_SHUNT
from antecurve.synthesis.sections.section import Form

__all__ = ["form_names", "named_form"]

_SECTIONS = (HALF_SECTION, RC_SHUNT, OUTPUT_CAPACITOR, CASCADE_LONG_FIRST, CASCADE_SHORT_FIRST)
_FORMS = {form.name: form for section in _SECTIONS for form in section.forms()}


def form_names() -> tuple[str, ...]:
    """Return the names of all built-in forms.

    Returns
    -------
    tuple of str
        The names, the four canonical half-sections first.
    """
    return tuple(_FORMS)


def named_form(name: str) -> Form:
    """Look up a built-in form.

    Parameters
    ----------
    name : str
        Its name.

    Returns
    -------
    Form
        The form.

    Raises
    ------
    InputError
        When there is no such form; the message lists those there are.
    """
    if name not in _FORMS:
        raise InputError("network.forms", name, f"the forms are {', '.join(_FORMS)}")
    return _FORMS[name]
