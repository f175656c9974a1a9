"""Exact networks: one call for every form."""

from __future__ import annotations

import math

from antecurve.checked import checked
from antecurve.curves.model import Curve, zero_pole_gain
from antecurve.errors import InputError, UnattainableError
from antecurve.networks.topology import Loading
from antecurve.synthesis.sections import ExactNetwork, form_names, named_form, realise
from antecurve.synthesis.sections.section import Form, Requirements

__all__ = [
    "ExactNetwork",
    "exact_network",
    "exact_network_or_none",
    "form_description",
    "form_names",
    "free_parameters",
]


@checked
def exact_network(
    form: str,
    curve: Curve,
    *,
    loading: Loading,
    gain: float,
    shunt_resistance: float,
    section_ratio: float = 1.0,
    source_level_v: float | None = None,
) -> ExactNetwork:
    """Make the exact network of a form for a curve, between a source and a load.

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
    shunt_resistance : float
        The resistor across the output [ohm], above 0, in every form; a cascade's shunt
        resistor in the middle is `shunt_resistance` / `section_ratio`.
    section_ratio : float, optional
        For a cascade: the shunt resistor across the output over that in the middle, above 0.
    source_level_v : float, optional
        EMF [V, rms], for a refusal to say levels in volts as well.

    Returns
    -------
    ExactNetwork
        The network with its exact values.

    Raises
    ------
    InputError
        When there is no such form, or gain, shunt resistance or ratio are out of range.
    UnattainableError
        When an element would be negative; the message says what would work.

    Examples
    --------
    >>> from antecurve.curves.catalogue import named_curve
    >>> from antecurve.curves.construct import with_limits
    >>> curve = with_limits(named_curve("disc"), ultrasonic_poles_hz=[50e3])
    >>> exact = exact_network(
    ...     "cauer-1", curve, loading=Loading(50.0, 47e3, 0.0), gain=0.01, shunt_resistance=500.0
    ... )
    >>> exact.network.topology.refs
    ('C1', 'R1', 'C2', 'R2', 'R3', 'R4')
    """
    chosen = _validated(form, gain, shunt_resistance, section_ratio)
    requirements = Requirements(
        zero_pole_gain(curve), loading, gain, shunt_resistance, section_ratio
    )
    result = realise(chosen, requirements)
    if isinstance(result, ExactNetwork):
        return result
    from antecurve.synthesis.nearest_feasible import nearest_feasible
    from antecurve.synthesis.remedy import remedy

    candidates = nearest_feasible(chosen, curve, requirements, structural=result.structural)
    raise UnattainableError(
        form, result.condition, remedy(candidates, requirements, source_level_v=source_level_v)
    )


def exact_network_or_none(
    form: str,
    curve: Curve,
    *,
    loading: Loading,
    gain: float,
    shunt_resistance: float,
    section_ratio: float = 1.0,
    closely: bool = False,
    near: ExactNetwork | None = None,
) -> ExactNetwork | None:
    """Make the exact network of a form, or ``None`` where there is none.

    For searches over levels and shunt resistances: nothing else that would work is looked for.

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
    shunt_resistance : float
        The resistor across the output [ohm], above 0.
    section_ratio : float, optional
        For a cascade: the shunt resistor across the output over that in the middle.
    closely : bool, optional
        Whether to look where a solution is hard to see, as `exact_network` does; it takes longer
        where there is none.
    near : ExactNetwork or None, optional
        One of the same form for nearly the same gain, resistance and ratio: a cascade is then
        followed from there, and looked for everywhere only where that leads to none.  Of several
        networks that make the curve it gives the one that follows.

    Returns
    -------
    ExactNetwork or None
        The network, or ``None`` when an element would be negative.

    Raises
    ------
    InputError
        When there is no such form, or gain, shunt resistance or ratio are out of range.
    """
    chosen = _validated(form, gain, shunt_resistance, section_ratio)
    poles = () if near is None else (*near.implied_poles_s, near.load_pole_s)
    result = realise(
        chosen,
        Requirements(
            zero_pole_gain(curve),
            loading,
            gain,
            shunt_resistance,
            section_ratio,
            explain=False,
            closely=closely,
            near_pole_s=poles[0] if poles else None,
        ),
    )
    return result if isinstance(result, ExactNetwork) else None


def form_description(name: str) -> str:
    """Describe a form in one line.

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


def free_parameters(name: str) -> tuple[str, ...]:
    """Name what may be chosen freely for a form, once curve, loading and gain are given.

    Parameters
    ----------
    name : str
        Name of the form.

    Returns
    -------
    tuple of str
        Arguments of `exact_network`: ``shunt_resistance``, for a cascade ``section_ratio`` too.

    Raises
    ------
    InputError
        When there is no such form.
    """
    return named_form(name).section.free_parameters


def _validated(form: str, gain: float, shunt_resistance: float, section_ratio: float) -> Form:
    chosen = named_form(form)
    if not 0 < gain < 1:
        raise InputError(
            "target.level",
            f"{gain:.4g} times the EMF",
            "the level must lie above 0 and below the generator's EMF",
        )
    for name, value, unit in (
        ("shunt_resistance", shunt_resistance, " ohm"),
        ("section_ratio", section_ratio, ""),
    ):
        if not (math.isfinite(value) and value > 0):
            raise InputError(name, value, f"it must be finite and above 0{unit}")
    return chosen
