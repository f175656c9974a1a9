"""One try at an exact network: the elements, or the condition that does not hold.

No exception and no search for a remedy: what `antecurve.synthesis.exact` and searches over
levels and impedances are built on.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from antecurve.algebra.zero_pole_gain import COINCIDENT, ZeroPoleGain
from antecurve.networks.topology import Loading, Network
from antecurve.quantities import format_quantity
from antecurve.synthesis.cascade import solve_cascade
from antecurve.synthesis.form import Form
from antecurve.synthesis.forms.cascade import lay_out
from antecurve.synthesis.half_section import Section, solve_section
from antecurve.synthesis.impedance import RcImpedance, exact_fractions
from antecurve.synthesis.rational import Violation, at_level
from antecurve.synthesis.tree import Layout, Tree, capacitor, resistor, series

__all__ = ["ExactNetwork", "realise"]


@dataclass(frozen=True, slots=True)
class ExactNetwork:
    """A network whose values make the curve exactly.

    Attributes
    ----------
    network : Network
        The exact values.
    gain : float
        Magnitude of H at 1 kHz.
    shunt_resistance : float
        The resistor across the output [ohm]: what sets the impedance of the whole.
    load_pole_s : float or None
        T5 [s]: with load capacitance the values are exact for E/(1 + s T5).
    implied_poles_s : tuple of float
        Poles [s] on top of the curve because it has no ultrasonic pole of its own.
    level : float
        The constant g in H(s) = g s^a N(s)/D(s), D with the poles above; the gain at zero
        frequency unless the curve has a zero at the origin.
    """

    network: Network
    gain: float
    shunt_resistance: float
    load_pole_s: float | None
    implied_poles_s: tuple[float, ...]
    level: float


def realise(
    form: Form,
    found: ZeroPoleGain[float],
    *,
    loading: Loading,
    gain: float,
    shunt_resistance: float,
    section_ratio: float = 1.0,
    explain: bool = True,
    closely: bool = True,
) -> ExactNetwork | Violation:
    """Return the exact network of a form, or the condition that does not hold.

    Parameters
    ----------
    form : Form
        The form.
    found : ZeroPoleGain
        The curve.
    loading : Loading
        Source and load.
    gain : float
        Magnitude of H at 1 kHz, above 0 and below 1.
    shunt_resistance : float
        The resistor across the output [ohm], above 0.
    section_ratio : float, optional
        For a cascade: the shunt resistor across the output over that in the middle.
    explain : bool, optional
        Whether the very inequality that does not hold is wanted; a search does without.
    closely : bool, optional
        Whether to look where a solution is hard to see before there is said to be none.

    Returns
    -------
    ExactNetwork or Violation
        The network, or why there is none.
    """
    found = found.lowest_terms()
    if not (found.zeros_s or found.poles_s):
        return Violation("the curve must have a zero or a pole left, but it is flat", True)
    double = _double_pole(found)
    if double is not None:
        return double
    try:
        effort = (explain, closely)
        return _solved(form, found, loading, gain, shunt_resistance, section_ratio, effort)
    except (ZeroDivisionError, OverflowError, np.linalg.LinAlgError):
        return Violation(
            "the element values must lie within the range of floating-point numbers, but they do "
            f"not {at_level(gain)}"
        )


def _solved(
    form: Form,
    found: ZeroPoleGain[float],
    loading: Loading,
    gain: float,
    shunt_resistance: float,
    section_ratio: float,
    effort: tuple[bool, bool],
) -> ExactNetwork | Violation:
    if form.series_arm is None:
        cascade = solve_cascade(
            found,
            loading=loading,
            gain=gain,
            shunt_resistance=shunt_resistance,
            section_ratio=section_ratio,
            short_first=form.short_first,
        )
        if isinstance(cascade, Violation):
            return cascade
        return ExactNetwork(
            lay_out(cascade).network(form.name),
            gain,
            shunt_resistance,
            cascade.load_pole_s,
            cascade.implied_poles_s,
            cascade.level,
        )
    section = solve_section(
        found,
        kind=form.section,
        loading=loading,
        gain=gain,
        shunt_resistance=shunt_resistance,
        explain=effort[0],
        closely=effort[1],
    )
    if isinstance(section, Violation):
        return section
    degenerate = _degenerate(form, section)
    if degenerate is not None:
        return degenerate
    layout = Layout()
    layout.add(_series_tree(form.series_arm, section.series), "in", "out")
    for resistance, capacitance in section.shunt.branches:
        layout.add(series(resistor(resistance), capacitor(capacitance)), "out", "0")
    if section.shunt.capacitance:
        layout.add(capacitor(section.shunt.capacitance), "out", "0")
    layout.add(resistor(section.shunt.resistance), "out", "0")
    return ExactNetwork(
        layout.network(form.name),
        gain,
        shunt_resistance,
        section.load_pole_s,
        section.implied_poles_s,
        section.level,
    )


def _series_tree(build: Callable[[RcImpedance], Tree], arm: RcImpedance) -> Tree:
    if not arm.branches and not arm.elastance_at_origin:
        return resistor(arm.resistance_at_infinity)
    return build(exact_fractions(arm))


def _double_pole(found: ZeroPoleGain[float]) -> Violation | None:
    for longer, shorter in pairwise(found.poles_s):
        if longer - shorter <= COINCIDENT * longer:
            return Violation(
                "the poles of a passive RC voltage ratio are simple: all of them must differ, but "
                f"two are the same, {format_quantity(longer, 's')}",
                structural=True,
            )
    return None


def _degenerate(form: Form, section: Section) -> Violation | None:
    """Say where a form would have an element of 0 ohm or be no form of its own."""
    arm = section.series
    if form.needs_infinity and not (arm.resistance_at_infinity and arm.branches):
        return Violation(
            "the series arm's resistance at infinite frequency must be above 0 and the curve "
            "must have a zero apart from the origin, R_inf > 0, but "
            + ("R_inf is 0" if arm.branches else "there is no such zero")
            + " (a curve without ultrasonic pole has R_inf = 0)",
            structural=True,
        )
    if form.needs_direct_path and arm.elastance_at_origin:
        return Violation(
            "the series arm must pass direct current, but a zero at the origin puts a capacitor "
            "in series with all of it",
            structural=True,
        )
    return None
