"""What an oscilloscope shows: traces of a square wave, and their tilt, overshoot, rise time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.bracketed_root import bracketed_root
from antecurve.algebra.partial_fractions import PartialFractions, partial_fractions
from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.analysis.peaks import largest_magnitude, peak_voltage, search_times
from antecurve.analysis.playback import IDEAL, Playback, common_faults, playback_chain
from antecurve.analysis.subject import job_wave
from antecurve.analysis.waveform import SquareWave, drive, response_to_square_wave
from antecurve.arrays import hold_read_only
from antecurve.checked import checked
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.poles_and_zeros import network_zero_pole_gain
from antecurve.quantities import CORNER_FREQUENCIES, check_count, check_number
from antecurve.results import Result

__all__ = [
    "FaultSheet",
    "FaultTrace",
    "LimitedPeaks",
    "ScopeTrace",
    "TraceMeasures",
    "fault_sheet",
    "limited_peaks",
    "measure_trace",
    "scope_trace",
]

_MOST_SAMPLES = 10_000_000  # what the memory of an oscilloscope, and of a machine, holds
Floats = NDArray[np.float64]
_LEAST_TOP = 1e-9  # of the peak: below it the top is rounding
_REVEALS = 2.0  # times a low corner: tops fall by 1 - exp(-pi/2), four fifths
_EDGE_SHARE = 0.2  # of the half period: what is faster belongs to the edge


@dataclass(frozen=True, slots=True)
class TraceMeasures(Result):
    """Numbers read off a half period that follows a rising edge.

    Attributes
    ----------
    start_v : float
        Top at its start [V]: what has a time constant below a fifth of the half period belongs
        to the edge and is taken as settled, the rest of the trace is carried back to the edge.
    end_v : float
        Top at its end, just before the next edge [V].
    peak_v : float
        Largest magnitude [V].
    tilt : float or None
        (start - end)/start, a fraction (definition: Troubleshooting Electronic
        Equipment, McGraw-Hill 2006, p. 589); ``None`` where there is no top.
    overshoot : float or None
        How far the trace goes beyond the start of the top, as a fraction of the step from the
        end of the lower top to the start of the upper one; 0 where it doesn't; ``None`` where
        there is no top.
    rise_time_s : float or None
        From 10 % to 90 % of that step [s], 0 for a jump; ``None`` where the trace doesn't pass
        both, or there is no top.

    Notes
    -----
    There is no top where the start of it is not above 0, or not above the end of the lower one,
    or the trace overshoots by more than the step: such a trace is all edges, and its peak is
    what it shows.
    """

    start_v: float
    end_v: float
    peak_v: float
    tilt: float | None
    overshoot: float | None
    rise_time_s: float | None


@dataclass(frozen=True, slots=True, eq=False)
class ScopeTrace(Result):
    """One period of a square wave in steady state: behind the network, and after playback.

    From a rising edge on; arrays of shape (samples,), read-only.

    Attributes
    ----------
    wave : SquareWave
        The wave of EMF.
    playback : Playback
        What follows the network.
    time_s : numpy.ndarray of float
        Times [s], ascending, the first 0, closer together after an edge; at an edge the value
        after it.
    input_v : numpy.ndarray of float
        EMF [V].
    network_v : numpy.ndarray of float
        At the unit's input [V].
    playback_v : numpy.ndarray of float
        After playback with unit gain at 1 kHz [V].
    network_measures, playback_measures : TraceMeasures
        Tilt, overshoot and rise time of the two traces.
    set_to : str
        Curve that the unit is set to, in words; empty for that of the network.
    """

    _keys: ClassVar = (
        "frequency_hz:wave.frequency_hz",
        "amplitude_v:wave.amplitude_v",
        "rise_time_s:wave.rise_time_s",
        "samples:time_s.size",
        "playback:playback.name",
        "network:network_measures",
        "after_playback:playback_measures",
    )

    wave: SquareWave
    playback: Playback
    time_s: Floats
    input_v: Floats
    network_v: Floats
    playback_v: Floats
    network_measures: TraceMeasures
    playback_measures: TraceMeasures
    set_to: str = ""

    def __post_init__(self) -> None:
        hold_read_only(self, "time_s", "input_v", "network_v", "playback_v")


@dataclass(frozen=True, slots=True, eq=False)
class FaultTrace(Result):
    """What one fault looks like.

    Attributes
    ----------
    playback : Playback
        The fault.
    playback_v : numpy.ndarray of float, shape (samples,)
        Trace after playback [V], read-only.
    measures : TraceMeasures
        Its numbers.
    wave : SquareWave
        The wave of EMF: of a low corner one slow enough to show it.
    time_s : numpy.ndarray of float, shape (samples,)
        One period of it [s], read-only.
    ideal_v : numpy.ndarray of float, shape (samples,)
        The same wave after ideal playback [V], read-only.
    """

    _keys: ClassVar = (
        "playback:playback.name", "square_wave_hz:wave.frequency_hz", "*:measures",
        "remark:playback.remark",
    )  # fmt: skip

    playback: Playback
    playback_v: Floats
    measures: TraceMeasures
    wave: SquareWave
    time_s: Floats
    ideal_v: Floats

    def __post_init__(self) -> None:
        hold_read_only(self, "playback_v", "time_s", "ideal_v")


@dataclass(frozen=True, slots=True, eq=False)
class FaultSheet(Result):
    """Common faults side by side.

    Attributes
    ----------
    wave : SquareWave
        The wave of EMF.
    time_s : numpy.ndarray of float, shape (samples,)
        One period [s], read-only.
    traces : tuple of FaultTrace
        Ideal playback first.
    set_to : str
        Curve that the unit is set to, in words; empty for that of the network.
    """

    _rows: ClassVar = "traces"

    wave: SquareWave
    time_s: Floats
    traces: tuple[FaultTrace, ...]
    set_to: str = ""

    def __post_init__(self) -> None:
        hold_read_only(self, "time_s")


@checked
def scope_trace(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    wave: SquareWave | None = None,
    samples: int = 4000,
    playback: Playback = IDEAL,
    edges: bool = True,
) -> ScopeTrace:
    """Trace a square wave behind a network and after playback.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    wave : SquareWave, optional
        The wave of EMF; by default 1 kHz with the peak of the conditions' sine wave.
    samples : int, optional
        Number of evenly spaced samples in the period, 2 or more.
    playback : Playback, optional
        Playback with a fault.
    edges : bool, optional
        Whether more samples follow each edge, so that the trace holds its peaks.

    Returns
    -------
    ScopeTrace
        One period in steady state.

    Raises
    ------
    InputError
        When the number of samples is too small, the playback doesn't fit the curve, or the
        chain passes infinite frequencies without limit.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    curve, loading = conditions.playback_curve, conditions.loading
    wave = wave or job_wave(conditions)
    time = _period(wave, samples)
    emphasis = network_zero_pole_gain(network, loading=loading)
    behind = partial_fractions(emphasis)
    after = partial_fractions(emphasis.times(playback_chain(curve, playback)))
    if edges:
        time = np.unique(np.concatenate([time, _edges(behind, wave), _edges(after, wave)]))
    return ScopeTrace(
        wave,
        playback,
        time,
        drive(wave, time),
        response_to_square_wave(behind, wave, time),
        response_to_square_wave(after, wave, time),
        measure_trace(behind, wave),
        measure_trace(after, wave),
        conditions.set_to,
    )


@dataclass(frozen=True, slots=True)
class LimitedPeaks(Result):
    """What is left of a peak at the unit's input behind real instruments.

    Attributes
    ----------
    peak_v : float
        With the wave's own edge and an oscilloscope without limit [V].
    rise_time_s : float
        Edge of the generator from end to end [s].
    rise_time_peak_v : float
        With that edge [V].
    bandwidth_hz : float
        Corner of the oscilloscope, one pole [Hz].
    bandwidth_peak_v : float
        Seen through that pole [V].
    """

    peak_v: float
    rise_time_s: float
    rise_time_peak_v: float
    bandwidth_hz: float
    bandwidth_peak_v: float


@checked
def limited_peaks(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    wave: SquareWave | None = None,
    rise_time_s: float = 35e-9,
    bandwidth_hz: float = 10e6,
) -> LimitedPeaks:
    """Work out what a generator's edge or an oscilloscope's bandwidth leaves of a peak.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    wave : SquareWave, optional
        The wave of EMF; by default 1 kHz with the peak of the conditions' sine wave.
    rise_time_s : float, optional
        Edge of the generator from end to end [s], above 0 and within half a period; what a
        bandwidth of 10 MHz makes of a step from 10 % to 90 % by default (0.35 / bandwidth).
    bandwidth_hz : float, optional
        Corner frequency of the oscilloscope [Hz], above 0.

    Returns
    -------
    LimitedPeaks
        Peaks at the unit's input.

    Raises
    ------
    InputError
        When a value is out of range.
    """
    conditions = conditions_of(design, conditions)
    wave = wave or job_wave(conditions)
    CORNER_FREQUENCIES.check(bandwidth_hz, field="bandwidth_hz")
    check_number(rise_time_s, field="rise time", unit="s")
    emphasis = network_zero_pole_gain(network_of(design), loading=conditions.loading)
    slower = SquareWave(
        wave.frequency_hz,
        wave.amplitude_v,
        min(max(rise_time_s, wave.rise_time_s), wave.half_period_s),
    )
    oscilloscope: ZeroPoleGain[complex] = ZeroPoleGain((), (1.0 / (2.0 * math.pi * bandwidth_hz),))
    behind = partial_fractions(emphasis)
    seen = partial_fractions(emphasis.times(oscilloscope))
    return LimitedPeaks(
        peak_v=peak_voltage(behind, wave),
        rise_time_s=slower.rise_time_s,
        rise_time_peak_v=peak_voltage(behind, slower),
        bandwidth_hz=bandwidth_hz,
        bandwidth_peak_v=peak_voltage(seen, wave),
    )


def _edges(response: PartialFractions, wave: SquareWave) -> Floats:
    """Times that resolve both edges of a period, those of the peaks among them."""
    times = search_times(response, wave)
    peak = largest_magnitude(lambda t: response_to_square_wave(response, wave, t), times)
    half = np.append(times, peak.time_s)
    return np.concatenate([half, wave.half_period_s + half])


def _period(wave: SquareWave, samples: int) -> Floats:
    check_count(samples, field="samples", least=2, most=_MOST_SAMPLES)
    return np.asarray(np.arange(samples) * (2.0 * wave.half_period_s / samples))


@checked
def fault_sheet(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    wave: SquareWave | None = None,
    samples: int = 1000,
    playbacks: Sequence[Playback] | None = None,
) -> FaultSheet:
    """Work out what the common faults of playback look like, side by side.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    wave : SquareWave, optional
        The wave of EMF; by default 1 kHz with the peak of the conditions' sine wave.
    samples : int, optional
        Number of samples in the period, 2 or more.
    playbacks : sequence of Playback, optional
        The faults; those of `common_faults` by default.

    Returns
    -------
    FaultSheet
        One trace a fault.

    Raises
    ------
    InputError
        As in `scope_trace`.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    curve, loading = conditions.playback_curve, conditions.loading
    wave = wave or job_wave(conditions)
    emphasis: ZeroPoleGain[complex] = network_zero_pole_gain(network, loading=loading)
    flat = partial_fractions(emphasis.times(playback_chain(curve)))
    ideals = dict[SquareWave, tuple[Floats, Floats]]()
    traces = []
    if playbacks is None:
        ideal, *faults = common_faults(curve)
        if set_to := conditions.set_to:
            ideal = replace(ideal, remark=f"What a correct unit set to {set_to} shows.")
        playbacks = (ideal, *faults)
    for playback in playbacks:
        fractions = partial_fractions(emphasis.times(playback_chain(curve, playback)))
        shown = _revealing_wave(playback, wave)
        if shown not in ideals:
            period = _period(shown, samples)
            ideals[shown] = period, response_to_square_wave(flat, shown, period)
        time, ideal_v = ideals[shown]
        values = response_to_square_wave(fractions, shown, time)
        measures = measure_trace(fractions, shown)
        traces.append(FaultTrace(playback, values, measures, shown, time, ideal_v))
    return FaultSheet(wave, _period(wave, samples), tuple(traces), conditions.set_to)


def _revealing_wave(playback: Playback, wave: SquareWave) -> SquareWave:
    """The wave itself, or one slow enough for a low corner to bend its tops."""
    corner_hz = playback.low_corner_hz
    if corner_hz is None or wave.frequency_hz <= _REVEALS * corner_hz:
        return wave
    return replace(wave, frequency_hz=_REVEALS * corner_hz)


def measure_trace(fractions: PartialFractions, wave: SquareWave) -> TraceMeasures:
    """Measure tilt, overshoot and rise time of a square wave behind a chain.

    Parameters
    ----------
    fractions : PartialFractions
        Partial fractions of the chain.
    wave : SquareWave
        The wave.

    Returns
    -------
    TraceMeasures
        The numbers, by the definitions stated there.
    """
    times = search_times(fractions, wave)

    def trace(time: Floats) -> Floats:
        return response_to_square_wave(fractions, wave, time)

    end = float(trace(times[-1:])[0])
    start = _start_of_top(fractions, wave)
    peak = largest_magnitude(trace, times).magnitude
    step = start + end
    values = trace(times)
    beyond = max(0.0, float(values.max()) - start)
    if start <= _LEAST_TOP * peak or step <= 0.0 or beyond > step:
        return TraceMeasures(start, end, peak, None, None, None)
    return TraceMeasures(
        start_v=start,
        end_v=end,
        peak_v=peak,
        tilt=(start - end) / start,
        overshoot=beyond / step,
        rise_time_s=_rise_time(fractions, wave, times, values, -end, step),
    )


def _start_of_top(fractions: PartialFractions, wave: SquareWave) -> float:
    """Slow modes at the edge, and fast ones as they settle."""
    fast = np.abs(fractions.poles) * wave.half_period_s * _EDGE_SHARE > 1.0
    fast_modes = np.sum(fractions.residues[fast] / fractions.poles[fast])
    settled = fractions.direct - float(fast_modes.real)
    slow = PartialFractions(settled, fractions.poles[~fast], fractions.residues[~fast])
    sharp = SquareWave(wave.frequency_hz, wave.amplitude_v)
    return float(response_to_square_wave(slow, sharp, np.zeros(1))[0])


def _rise_time(
    fractions: PartialFractions,
    wave: SquareWave,
    times: Floats,
    values: Floats,
    base: float,
    step: float,
) -> float | None:
    """Time between the first crossings of 10 % and 90 % of the step."""

    def beyond(level: float, time_s: float) -> float:
        return float(response_to_square_wave(fractions, wave, np.array([time_s]))[0] - level)

    crossings = []
    for share in (0.1, 0.9):
        level = base + share * step
        above = np.flatnonzero((values - level) * np.sign(step) >= 0)
        if not len(above):
            return None
        first = int(above[0])
        if first == 0:
            crossings.append(0.0)
            continue
        crossings.append(
            bracketed_root(
                partial(beyond, level), first=float(times[first - 1]), second=float(times[first])
            )
        )
    return float(crossings[1] - crossings[0])
