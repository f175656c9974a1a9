"""The half-section with a resistive shunt arm: its series arm for a curve, exactly.

Notation: Rp = R0 || RL is the shunt arm, tau = Rp CL the load's own time constant,
H(s) = g N(s)/D(s) with N, D the products of the curve's (1 + s T).  Then the series arm is

.. math:: Z(s) = \\frac{R_p}{1 + s\\tau} \\Bigl(\\frac{D(s)}{g N(s)} - 1\\Bigr) - R_s ,

an RC impedance for a curve whose time constants interlace.  The load's capacitance puts a pole
at -1/tau into Z unless D(-1/tau) = g N(-1/tau); one more pole T5 in D makes it so:

.. math:: T_5 = \\tau \\Bigl(1 - g\\,N(-1/\\tau) / D(-1/\\tau)\\Bigr)

with D without T5 on the right.  A curve with one pole too few to be finite at high frequency
is met with R_inf = 0; the pole that results is the implied one.  (design.md, section 2.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve, Factors, factors
from antecurve.errors import UnattainableError
from antecurve.networks.topology import Loading
from antecurve.quantities import format_quantity
from antecurve.synthesis.impedance import RcImpedance

__all__ = ["SeriesArm", "series_arm"]

_ROUNDS = 60
_NEGLIGIBLE = 1e-9


@dataclass(frozen=True, slots=True)
class SeriesArm:
    """The series arm of a half-section that makes a curve.

    Attributes
    ----------
    impedance : RcImpedance
        Z(s) of the series arm, source resistance not counted.
    load_pole_s : float or None
        T5 [s], the one pole beyond the curve that the load's capacitance adds.
    implied_poles_s : tuple of float
        Poles [s] that the curve did not ask for but that any network of the form has.
    """

    impedance: RcImpedance
    load_pole_s: float | None
    implied_poles_s: tuple[float, ...]


def _product(time_constants: tuple[float, ...], s: float) -> float:
    return math.prod(1.0 + s * t for t in time_constants)


def _magnitude(time_constants: tuple[float, ...]) -> float:
    w = 2.0 * math.pi * REFERENCE_FREQUENCY_HZ
    return math.prod(math.hypot(1.0, w * t) for t in time_constants)


def series_arm(
    curve: Curve, *, form: str, loading: Loading, gain: float, shunt_resistance: float
) -> SeriesArm:
    """Return the series arm that makes a curve at a gain with a given shunt resistor.

    Parameters
    ----------
    curve : Curve
        The curve; zeros and poles must interlace, a zero first from low frequency.
    form : str
        Name of the form, for messages.
    loading : Loading
        Source and load.
    gain : float
        Magnitude of H at 1 kHz, above 0 and below 1.
    shunt_resistance : float
        R0 [ohm], above 0, the resistor across the output; the impedance level.

    Returns
    -------
    SeriesArm
        Its impedance by partial fractions, and the poles that come on top of the curve.

    Raises
    ------
    UnattainableError
        When a branch or R_inf would be negative; the message says which level or pole works.
    """
    found = factors(curve)
    if found.poles_at_origin or found.zeros_at_origin > 1:
        raise UnattainableError(
            form,
            "the curve rises towards DC without end",
            "state a bound towards DC (low_end_bound) or choose another form",
        )
    degree_n = len(found.zeros_s) + found.zeros_at_origin
    excess = degree_n - len(found.poles_s)
    if excess not in (0, 1):
        raise UnattainableError(
            form,
            f"the curve has {degree_n} zeros and {len(found.poles_s)} poles",
            "this form needs as many poles as zeros, or one fewer",
        )
    arm = _solve_arm(found, loading, gain, shunt_resistance, implied=excess == 1)
    _check(arm, found, form, loading, gain, shunt_resistance)
    if arm.impedance.resistance_at_infinity <= _NEGLIGIBLE * shunt_resistance:
        impedance = RcImpedance(0.0, arm.impedance.elastance_at_origin, arm.impedance.branches)
        return SeriesArm(impedance, arm.load_pole_s, arm.implied_poles_s)
    return arm


def _solve_arm(
    found: Factors, loading: Loading, gain: float, shunt: float, *, implied: bool
) -> SeriesArm:
    """Solve for g, T5 and, if the curve lacks a pole, the implied one, by fixed point."""
    rl, rs = loading.load_resistance, loading.source_resistance
    rp = shunt * rl / (shunt + rl)
    tau = rp * loading.load_capacitance
    zeros, at_origin = found.zeros_s, found.zeros_at_origin
    lead_n = math.prod(zeros)
    w_a = (2.0 * math.pi * REFERENCE_FREQUENCY_HZ) ** at_origin
    t_load, t_implied = 0.0, 0.0
    poles = found.poles_s
    g = gain
    for _ in range(_ROUNDS):
        poles = found.poles_s + ((t_implied,) if t_implied else ())
        last = (g, t_load, t_implied)
        g = gain * _magnitude(poles) * math.hypot(1.0, 2e3 * math.pi * t_load)
        g /= _magnitude(zeros) * w_a
        if tau:
            s = -1.0 / tau
            t_load = tau * (1.0 - g * s**at_origin * _product(zeros, s) / _product(poles, s))
        if implied:
            ratio = g * lead_n / math.prod(found.poles_s)
            t_implied = ratio * (rs * tau / (rp * t_load) if tau else (rp + rs) / rp)
        now = (g, t_load, t_implied)
        if all(abs(a - b) <= 1e-16 * abs(a) for a, b in zip(now, last, strict=True)):
            break
    poles = found.poles_s + ((t_implied,) if t_implied else ())
    everything = poles + ((t_load,) if t_load else ())
    branches = []
    for index, zero in enumerate(zeros):
        s = -1.0 / zero
        rest = _product(zeros[:index] + zeros[index + 1 :], s) * s**at_origin
        branches.append((rp * _product(everything, s) / ((1.0 + s * tau) * g * rest), zero))
    elastance = rp / g if at_origin else 0.0
    if implied:
        infinity = 0.0
    elif tau:
        infinity = rp * math.prod(everything) / (tau * g * lead_n) - rs
    else:
        infinity = rp * (math.prod(everything) / (g * lead_n) - 1.0) - rs
    impedance = RcImpedance(infinity, elastance, tuple(branches))
    if not implied:
        return SeriesArm(impedance, t_load or None, ())
    # Which of the two poles the load makes is a matter of words: the lower in frequency counts.
    first, *second = sorted((t for t in (t_implied, t_load) if t), reverse=True)
    return SeriesArm(impedance, second[0] if second else None, (first,))


def _check(
    arm: SeriesArm, found: Factors, form: str, loading: Loading, gain: float, shunt: float
) -> None:
    for resistance, time_constant in arm.impedance.branches:
        if not resistance > 0:
            raise UnattainableError(
                form,
                f"the branch at {format_quantity(time_constant, 's')} would need "
                f"{format_quantity(resistance, 'ohm')}, so the curve's time constants do not "
                "interlace (zero, pole, zero, pole from low frequency) or the gain is too high",
                "choose another form, or a level below the EMF by more than the curve's rise",
            )
    infinity = arm.impedance.resistance_at_infinity
    if infinity < -_NEGLIGIBLE * shunt:
        best = _largest_gain(found, loading, shunt)
        open_ended = Factors(found.zeros_s, found.poles_s[:-1], found.zeros_at_origin)
        pole = _solve_arm(open_ended, loading, gain, shunt, implied=True).implied_poles_s
        reach = f"; or a highest pole at or below {_hertz(pole[0])}" if pole else ""
        raise UnattainableError(
            form,
            f"at {20 * math.log10(gain):.2f} dB at 1 kHz with a highest pole at "
            f"{_hertz(found.poles_s[-1])} the resistor in series would be "
            f"{format_quantity(infinity, 'ohm')}, below 0",
            f"at most {20 * math.log10(best):.2f} dB at 1 kHz can be had with that pole{reach}",
        )


def _hertz(time_constant: float) -> str:
    return format_quantity(1.0 / (2.0 * math.pi * time_constant), "Hz")


def _largest_gain(found: Factors, loading: Loading, shunt: float) -> float:
    """Bisect for the gain at which R_inf is 0."""
    low, high = 1e-12, 1.0
    for _ in range(100):
        middle = math.sqrt(low * high)
        arm = _solve_arm(found, loading, middle, shunt, implied=False)
        if arm.impedance.resistance_at_infinity >= 0:
            low = middle
        else:
            high = middle
    return low
