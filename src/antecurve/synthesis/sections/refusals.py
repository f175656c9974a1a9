"""What keeps a section's elements from being positive, as an inequality with its numbers."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.quantities import format_quantity, format_time_constant
from antecurve.synthesis.violation import Violation, at_level

if TYPE_CHECKING:
    from antecurve.synthesis.sections.one_stage import Balance, StageProblem

__all__ = [
    "alternating",
    "branch_violation",
    "capacitor_violation",
    "infinity_violation",
    "listed",
    "load_pole_violation",
    "no_series_violation",
    "shunt_branch_violation",
]


def branch_violation(
    problem: StageProblem, balance: Balance, *, zero: float, resistance: float
) -> Violation:
    """Say that a partial fraction of the series arm is not positive.

    Parameters
    ----------
    problem : StageProblem
        The curve, level and loading.
    balance : Balance
        Its unknowns.
    zero : float
        The zero [s] of the branch.
    resistance : float
        What its resistance would be [ohm].

    Returns
    -------
    Violation
        The condition.
    """
    structural = not problem.taken and not problem.own_capacitor and not alternating(problem.curve)
    return Violation(partial(_branch_words, problem, balance, zero, resistance), structural)


def _branch_words(problem: StageProblem, balance: Balance, zero: float, resistance: float) -> str:
    outcome = (
        f"the branch at {format_time_constant(zero)} would be {format_quantity(resistance, 'ohm')}"
    )
    if not problem.taken and not problem.own_capacitor:
        if not alternating(problem.curve):
            return f"{_alternation(problem.curve)}. Then {outcome}"
        what, time = _longest_extra(balance)
        return (
            f"{what} must be below the curve's shortest zero: {format_time_constant(time)} < "
            f"{format_time_constant(zero)} does not hold {at_level(problem.gain)}. Then {outcome}"
        )
    return (
        "each branch of the series arm must have a resistance above 0, Rp D(-1/T)/(g0 Q(-1/T) "
        f"(1 - T'/T)...) > 0. Here {outcome}; Q's time constants are {listed(balance.times)} (of "
        f"the roots of D = g0 N) {at_level(problem.gain)}"
    )


def _longest_extra(balance: Balance) -> tuple[str, float]:
    """The longest of the poles beyond the curve and the capacitance's time constant."""
    extra = [("the pole that the network adds", balance.implied_pole)]
    extra.append(("the pole that the load's capacitance adds", balance.load_pole))
    extra += [("the time constant across the output", time) for time in balance.times[-1:]]
    return max(extra, key=lambda item: item[1])


def shunt_branch_violation(balance: Balance, *, zero: float, capacitance: float) -> Violation:
    """Say that a branch of the shunt arm has no positive capacitance.

    Parameters
    ----------
    balance : Balance
        The unknowns.
    zero : float
        The zero [s] of the branch.
    capacitance : float
        What its capacitance would be [F].

    Returns
    -------
    Violation
        The condition.
    """
    return Violation(
        f"the shunt branch at {format_time_constant(zero)} must have a capacitance above 0, "
        f"-T Q(-1/T)/Rp > 0; it would be {format_quantity(capacitance, 'F')}. Q's time "
        f"constants are {listed(balance.times)}"
    )


def capacitor_violation(problem: StageProblem, total: float) -> Violation:
    """Say that the capacitance across the output is less than the load's.

    Parameters
    ----------
    problem : StageProblem
        The curve, level and loading.
    total : float
        The whole capacitance across the output [F].

    Returns
    -------
    Violation
        The condition.
    """
    load = format_quantity(problem.loading.load_capacitance, "F")
    return Violation(
        "the whole capacitance across the output, Tc.../(Rp Tz...), must be greater than the "
        f"load's: {format_quantity(total, 'F')} > {load} does not hold "
        f"{at_level(problem.gain)}. The resistor across the output is "
        f"{format_quantity(problem.shunt, 'ohm')}"
    )


def load_pole_violation(curve: ZeroPoleGain[float], *, gain: float, load_pole: float) -> Violation:
    """Say that the pole of the load's capacitance does not lie above the curve's own poles.

    Parameters
    ----------
    curve : ZeroPoleGain
        The curve.
    gain : float
        Magnitude of H at 1 kHz.
    load_pole : float
        T5 [s], as it came out.

    Returns
    -------
    Violation
        The condition.
    """
    shortest = curve.poles_s[-1]
    return Violation(
        "the pole that the load's capacitance adds must lie above the curve's highest pole, "
        f"0 < T5 <= {format_time_constant(shortest)}, but T5 = {format_time_constant(load_pole)} "
        f"{at_level(gain)}. The level is too high, or the load's "
        "capacitance too large for the resistor across the output"
    )


def no_series_violation(problem: StageProblem, infinity: float) -> Violation:
    """Say that nothing is left for the series arm.

    Parameters
    ----------
    problem : StageProblem
        The curve, level and loading.
    infinity : float
        What its resistance would be [ohm].

    Returns
    -------
    Violation
        The condition.
    """
    return Violation(
        "the series arm must have a resistance above 0, "
        f"{format_quantity(infinity, 'ohm')} > 0 Ω does not hold {at_level(problem.gain)}"
    )


def infinity_violation(problem: StageProblem, balance: Balance, infinity: float) -> Violation:
    """Say that R_inf is negative.

    Parameters
    ----------
    problem : StageProblem
        The curve, level and loading.
    balance : Balance
        Its unknowns.
    infinity : float
        What R_inf would be [ohm].

    Returns
    -------
    Violation
        The condition.
    """
    return Violation(partial(_infinity_words, problem, balance, infinity))


def _infinity_words(problem: StageProblem, balance: Balance, infinity: float) -> str:
    curve, source = problem.curve, problem.loading.source_resistance
    highest = format_quantity(1.0 / (2.0 * math.pi * curve.poles_s[-1]), "Hz")
    if problem.own_capacitor or problem.loaded:
        condition = (
            "the resistance in series at high frequency must be at least the source's: "
            f"{format_quantity(infinity + source, 'ohm')} >= "
            f"{format_quantity(source, 'ohm')} does not hold"
        )
    else:
        z = problem.elements(balance).shunt_at_infinity()
        reach = problem.transfer(balance.beyond).leading_ratio()
        limit = "Rp/(Rp + Rs)"
        if problem.taken:
            limit = f"Z/(Z + Rs) with Z = Rp Tz.../Tq... = {format_quantity(z, 'ohm')}"
        condition = (
            "the gain at high frequency, g0 T1 T3.../(T2 T4...), must be at most "
            f"{limit}: {reach:.4g} <= {z / (z + source):.4g} does not hold"
        )
    return (
        f"{condition} {at_level(problem.gain)}. With the highest pole at {highest} the resistor "
        f"in series would be {format_quantity(infinity, 'ohm')}"
    )


def alternating(curve: ZeroPoleGain[float]) -> bool:
    """Tell whether zeros and poles alternate from low frequency, a zero first.

    Parameters
    ----------
    curve : ZeroPoleGain
        The curve.

    Returns
    -------
    bool
        Whether they do; a second ultrasonic pole beyond the last zero does not count.
    """
    corners = [(t, 0) for t in curve.zeros_s] + [(t, 1) for t in curve.poles_s]
    kinds = [0] * curve.zeros_at_origin + [kind for _, kind in sorted(corners, reverse=True)]
    if len(curve.poles_s) > len(curve.zeros_s) + curve.zeros_at_origin:
        kinds = kinds[:-1]
    return all(kind == index % 2 for index, kind in enumerate(kinds))


def _alternation(curve: ZeroPoleGain[float]) -> str:
    corners = [(t, "zero") for t in curve.zeros_s] + [(t, "pole") for t in curve.poles_s]
    order = [f"{word} {format_time_constant(t)}" for t, word in sorted(corners, reverse=True)]
    order = ["zero at the origin"] * curve.zeros_at_origin + order
    return (
        "zeros and poles must alternate from low frequency, a zero first (T1 > T2 > T3 > ...), "
        f"but the curve has {', '.join(order)}"
    )


def listed(times: tuple[float, ...]) -> str:
    """Write time constants one after the other.

    Parameters
    ----------
    times : tuple of float
        Time constants [s].

    Returns
    -------
    str
        Such as ``3.18 ms, 75 µs``; ``none`` where there is none.
    """
    return ", ".join(format_time_constant(t) for t in times) or "none"
