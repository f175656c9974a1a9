"""The built-in forms by name."""

from __future__ import annotations

from antecurve.errors import InputError
from antecurve.synthesis.form import Form
from antecurve.synthesis.forms import (
    cascade,
    cauer_1,
    cauer_1_inside,
    cauer_2,
    cauer_2_inside,
    cauer_2_whole,
    foster_1,
    foster_1_inside,
    foster_2,
    foster_2_inside,
    foster_2_whole,
    output_capacitor,
    rc_shunt,
)

__all__ = ["form_description", "form_names", "named_form"]

_FORMS: dict[str, Form] = {
    form.name: form
    for form in (
        foster_1.FORM,
        foster_2.FORM,
        cauer_1.FORM,
        cauer_2.FORM,
        *foster_1_inside.FORMS,
        *foster_2_inside.FORMS,
        foster_2_whole.FORM,
        cauer_1_inside.FORM,
        cauer_2_inside.FORM,
        cauer_2_whole.FORM,
        *rc_shunt.FORMS,
        *output_capacitor.FORMS,
        *cascade.FORMS,
    )
}


def form_names() -> tuple[str, ...]:
    """Return the names of all built-in forms.

    Returns
    -------
    tuple of str
        The names, the four canonical half-sections first.
    """
    return tuple(_FORMS)


def named_form(name: str) -> Form:
    """Return a built-in form.

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


def form_description(name: str) -> str:
    """Return one line about a form.

    Parameters
    ----------
    name : str
        Name of the form.

    Returns
    -------
    str
        What its network is made of.

    Raises
    ------
    InputError
        When there is no such form.
    """
    return named_form(name).description
