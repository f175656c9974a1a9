"""The kinds of section, one object in each module; their forms, and the network of one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from difflib import get_close_matches
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from antecurve.algebra.zero_pole_gain import COINCIDENT, ZeroPoleGain
from antecurve.errors import InputError
from antecurve.networks.topology import Network
from antecurve.quantities import format_time_constant
from antecurve.results import Result
from antecurve.synthesis.sections.cascade import CASCADE_LONG_FIRST, CASCADE_SHORT_FIRST
from antecurve.synthesis.sections.half_section import HALF_SECTION
from antecurve.synthesis.sections.output_capacitor import OUTPUT_CAPACITOR
from antecurve.synthesis.sections.rc_shunt import RC_SHUNT
from antecurve.synthesis.sections.section import Form, Requirements
from antecurve.synthesis.tree import lay_out, leaf_values
from antecurve.synthesis.violation import Violation, at_level

if TYPE_CHECKING:
    import pandas

__all__ = ["ExactNetwork", "form_names", "named_form", "realise"]

_SECTIONS = (HALF_SECTION, RC_SHUNT, OUTPUT_CAPACITOR, CASCADE_LONG_FIRST, CASCADE_SHORT_FIRST)
_FORMS = {form.name: form for section in _SECTIONS for form in section.forms()}


def form_names() -> tuple[str, ...]:
    """List the names of all built-in forms.

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
        near = get_close_matches(name, _FORMS, n=1)
        meant = f"did you mean {near[0]}? " if near else ""
        raise InputError("network.forms", name, f"{meant}the forms are {', '.join(_FORMS)}")
    return _FORMS[name]


@dataclass(frozen=True, slots=True)
class ExactNetwork(Result):
    """A network whose values make the curve exactly.

    Attributes
    ----------
    network : Network
        The exact values; its topology carries the series-parallel tree of each arm.
    gain : float
        Magnitude of H at 1 kHz.
    shunt_resistance : float
        The resistor across the output [ohm]: what sets the impedance of the whole.
    load_pole_s : float or None
        T5 [s]: with load capacitance the values are exact for E/(1 + s T5).
    implied_poles_s : tuple of float
        Poles [s] on top of the curve because it has no ultrasonic pole of its own.
    gain_constant : float
        The factor g in H(s) = g s^a N(s)/D(s), D with the poles above; the gain at zero
        frequency unless the curve has a zero at the origin.
    """

    network: Network
    gain: float
    shunt_resistance: float
    load_pole_s: float | None
    implied_poles_s: tuple[float, ...]
    gain_constant: float

    def to_frame(self) -> pandas.DataFrame:
        """Tabulate the elements.

        Returns
        -------
        pandas.DataFrame
            See `Network.to_frame`.
        """
        return self.network.to_frame()


def realise(form: Form, requirements: Requirements) -> ExactNetwork | Violation:
    """Make the exact network of a form, or state the condition that does not hold.

    Nothing else that would work is looked for: searches over levels and shunt resistances are
    built on this.

    Parameters
    ----------
    form : Form
        The form.
    requirements : Requirements
        Curve, loading, gain and the freely chosen values.

    Returns
    -------
    ExactNetwork or Violation
        The network, or why there is none.
    """
    curve = requirements.curve.lowest_terms()
    if not (curve.zeros_s or curve.poles_s):
        return Violation("the curve must have a zero or a pole left, but it is flat", True)
    double = _double_pole(curve)
    if double is not None:
        return double
    try:
        made = form.section.realise(form.arm, replace(requirements, curve=curve))
    except (ZeroDivisionError, OverflowError, np.linalg.LinAlgError):
        made = Violation(
            "the element values must lie within the range of floating-point numbers, but they do "
            f"not {at_level(requirements.gain)}"
        )
    if isinstance(made, Violation):
        return made
    values = [float(value) for tree, _, _ in made.arms for value in leaf_values(tree)]
    return ExactNetwork(
        Network(lay_out(form.name, made.arms), np.array(values)),
        requirements.gain,
        requirements.shunt_resistance,
        made.load_pole_s,
        made.implied_poles_s,
        made.gain_constant,
    )


def _double_pole(curve: ZeroPoleGain[float]) -> Violation | None:
    for longer, shorter in pairwise(curve.poles_s):
        if longer - shorter <= COINCIDENT * longer:
            return Violation(
                "the poles of a passive RC voltage ratio are simple. All of them must differ, but "
                f"two are the same, {format_time_constant(longer)}",
                structural=True,
            )
    return None
