"""Peak and slew of a square wave behind a chain, and the largest one that an input takes."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.partial_fractions import PartialFractions, partial_fractions
from antecurve.analysis.subject import job_wave
from antecurve.analysis.waveform import SquareWave, response_to_square_wave, slope
from antecurve.checked import checked
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.poles_and_zeros import network_zero_pole_gain
from antecurve.quantities import check_number
from antecurve.results import Result

__all__ = [
    "Extreme",
    "PeakReport",
    "largest_magnitude",
    "peak_report",
    "peak_voltage",
    "search_times",
]

Floats = NDArray[np.float64]
_POINTS_PER_DECADE = 40  # of time: neighbours 6 % apart, well below the time constant of a mode
_REFINED_TIMES = 33  # of a refinement, which narrows the bracket to a sixteenth
_REFINEMENTS = 6  # to 6e-8 of the first bracket, and a smooth peak's value to its rounding


@dataclass(frozen=True, slots=True)
class Extreme(Result):
    """The largest magnitude of a trace.

    Attributes
    ----------
    time_s : float
        When [s], after a rising edge.
    magnitude : float
        Magnitude, in the unit of the trace.
    """

    time_s: float
    magnitude: float


@dataclass(frozen=True, slots=True)
class PeakReport(Result):
    """A square wave at the unit's input.

    Attributes
    ----------
    wave : SquareWave
        The wave of EMF.
    peak_v : float
        Largest magnitude at the unit's input [V].
    peak_time_s : float
        When it is reached after a rising edge [s].
    slew_v_per_s : float
        Largest magnitude of the slope at the unit's input [V/s]; infinite where an edge without
        rise time comes through the network as a jump.
    overload_v : float or None
        Peak voltage that overloads the input [V].
    largest_amplitude_v : float or None
        Amplitude of EMF that reaches it [V]: peaks are proportional to the amplitude.
    """

    _keys: ClassVar = (
        "frequency_hz:wave.frequency_hz",
        "amplitude_v:wave.amplitude_v",
        "rise_time_s:wave.rise_time_s",
        "peak_v",
        "peak_time_s",
        "slew_v_per_s",
        "overload_v",
        "overloads",
        "largest_amplitude_v",
    )

    wave: SquareWave
    peak_v: float
    peak_time_s: float
    slew_v_per_s: float
    overload_v: float | None
    largest_amplitude_v: float | None

    @property
    def overloads(self) -> bool | None:
        """Whether the wave overloads the input; ``None`` where no overload level is stated."""
        return None if self.overload_v is None else self.peak_v > self.overload_v


def search_times(fractions: PartialFractions, wave: SquareWave) -> Floats:
    """Choose times of a half period that resolve every mode, from an edge on.

    Parameters
    ----------
    fractions : PartialFractions
        Partial fractions.
    wave : SquareWave
        The wave.

    Returns
    -------
    numpy.ndarray of float, shape (times,)
        Ascending, from 0 to half a period [s]: 40 a decade from a hundredth of the shortest
        time constant, after the start of the edge and after its end, and evenly spaced ones.
    """
    half, rise = wave.half_period_s, wave.rise_time_s
    moving = np.abs(fractions.poles[fractions.poles != 0])
    shortest = min(half, 1.0 / float(moving.max())) if len(moving) else half
    count = math.ceil(_POINTS_PER_DECADE * math.log10(half / shortest * 100.0)) + 1
    steps = np.geomspace(shortest / 100.0, half, count)
    times = np.concatenate([[0.0], np.linspace(0.0, half, 201), steps])
    if rise:
        times = np.concatenate([times, np.linspace(0.0, rise, 101), rise + steps])
    # Just before the next edge, not on it.
    return np.unique(np.minimum(times, half * (1.0 - 1e-14)))


def largest_magnitude(function: Callable[[Floats], Floats], times: Floats) -> Extreme:
    """Find the largest magnitude of a trace.

    Parameters
    ----------
    function : callable
        Times [s] to values.
    times : numpy.ndarray of float, shape (times,)
        Ascending times that resolve the trace [s].

    Returns
    -------
    Extreme
        Where it is and what it is, refined between the samples.
    """
    best = Extreme(float(times[0]), -math.inf)
    for _ in range(_REFINEMENTS + 1):
        sampled = np.abs(function(times))
        top = int(np.argmax(sampled))
        known = Extreme(float(times[top]), float(sampled[top]))
        best = max(best, known, key=lambda extreme: extreme.magnitude)
        around = times[max(top - 1, 0)], times[min(top + 1, len(times) - 1)]
        times = np.linspace(*around, _REFINED_TIMES)
    return best


def peak_voltage(fractions: PartialFractions, wave: SquareWave) -> float:
    """Find the largest magnitude of a square wave behind a chain.

    Parameters
    ----------
    fractions : PartialFractions
        Partial fractions of the chain.
    wave : SquareWave
        The wave of EMF.

    Returns
    -------
    float
        Peak [V].
    """
    times = search_times(fractions, wave)
    return largest_magnitude(lambda t: response_to_square_wave(fractions, wave, t), times).magnitude


@checked
def peak_report(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    wave: SquareWave | None = None,
    overload_v: float | None = None,
) -> PeakReport:
    """Find peak and slew of a square wave at the unit's input.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    wave : SquareWave, optional
        The wave of EMF; by default 1 kHz with the peak of the conditions' sine wave.
    overload_v : float, optional
        Peak voltage that overloads the input [V], above 0.

    Returns
    -------
    PeakReport
        Peak, slew, and the largest square wave that stays at the overload level.

    Raises
    ------
    InputError
        When the overload level is not above 0.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    loading = conditions.loading
    if overload_v is not None:
        check_number(overload_v, field="overload level", unit="V")
    wave = wave or job_wave(conditions)
    fractions = partial_fractions(network_zero_pole_gain(network, loading=loading))
    times = search_times(fractions, wave)
    peak = largest_magnitude(lambda t: response_to_square_wave(fractions, wave, t), times)
    if fractions.direct and not wave.rise_time_s:
        slew = math.inf
    else:
        slew = largest_magnitude(lambda t: slope(fractions, wave, t), times).magnitude
    largest = None if overload_v is None else wave.amplitude_v * overload_v / peak.magnitude
    return PeakReport(wave, peak.magnitude, peak.time_s, slew, overload_v, largest)
