"""Exact networks: one call for every form."""

from __future__ import annotations

from dataclasses import dataclass

from antecurve.curves.model import Curve
from antecurve.errors import InputError
from antecurve.networks.topology import Loading, Network
from antecurve.synthesis.form import Form
from antecurve.synthesis.forms import cauer_1, cauer_2, foster_1, foster_2
from antecurve.synthesis.half_section import series_arm
from antecurve.synthesis.impedance import exact_fractions
from antecurve.synthesis.tree import Layout, resistor

__all__ = ["ExactNetwork", "exact_network", "form_names"]

_FORMS: dict[str, Form] = {
    form.name: form for form in (foster_1.FORM, foster_2.FORM, cauer_1.FORM, cauer_2.FORM)
}


@dataclass(frozen=True, slots=True)
class ExactNetwork:
    """A network whose values make the curve exactly.

    Attributes
    ----------
    network : Network
        The exact values.
    gain : float
        Magnitude of H at 1 kHz.
    impedance_level : float
        The shunt resistor [ohm] for half-sections: what sets the impedance of the whole.
    load_pole_s : float or None
        T5 [s]: with load capacitance the values are exact for E/(1 + s T5).
    implied_poles_s : tuple of float
        Poles [s] on top of the curve because it has no ultrasonic pole of its own.
    """

    network: Network
    gain: float
    impedance_level: float
    load_pole_s: float | None = None
    implied_poles_s: tuple[float, ...] = ()


def form_names() -> tuple[str, ...]:
    """Return the names of all built-in forms.

    Returns
    -------
    tuple of str
        The names.
    """
    return tuple(_FORMS)


def exact_network(
    form: str, curve: Curve, *, loading: Loading, gain: float, impedance_level: float
) -> ExactNetwork:
    """Return the exact network of a form for a curve, between a source and a load.

    Parameters
    ----------
    form : str
        Name of the form, one of `form_names`.
    curve : Curve
        The curve to impose.
    loading : Loading
        Source and load.
    gain : float
        Magnitude of output level / EMF at 1 kHz, above 0 and below 1.
    impedance_level : float
        The shunt resistor [ohm] for half-sections, above 0.

    Returns
    -------
    ExactNetwork
        The network with its exact values.

    Raises
    ------
    InputError
        When there is no such form, or gain or impedance level are out of range.
    UnattainableError
        When an element would be negative; the message says what would work.
    """
    if form not in _FORMS:
        raise InputError("network.forms", form, f"the forms are {', '.join(form_names())}")
    if not 0 < gain < 1:
        raise InputError(
            "target.level", gain, "the level must lie above 0 and below the generator's EMF"
        )
    if not impedance_level > 0:
        raise InputError("impedance_level", impedance_level, "it must be above 0 ohm")
    arm = series_arm(curve, form=form, loading=loading, gain=gain, shunt_resistance=impedance_level)
    build = _FORMS[form].series_arm
    layout = Layout()
    layout.add(build(exact_fractions(arm.impedance)), "in", "out")
    layout.add(resistor(impedance_level), "out", "0")
    network = layout.network(form)
    return ExactNetwork(network, gain, impedance_level, arm.load_pole_s, arm.implied_poles_s)
