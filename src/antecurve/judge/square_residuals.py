"""The residuals of a square-wave record: lines, slow movement, unlike halves."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.asymmetry import EdgeSamples, EvenOrders, edge_asymmetry, even_orders
from antecurve.judge.edge_pause import edge_pause
from antecurve.judge.hum import MAINS_HZ
from antecurve.judge.interference import Interference
from antecurve.judge.observation import ResidualFinding, ResidualKind
from antecurve.judge.oscillation import line_on_tops, tops_of
from antecurve.judge.record import quantisation_step
from antecurve.judge.residual_record import ResidualRecord
from antecurve.judge.ringing import RINGS, edge_ringing, phase_margin_deg
from antecurve.judge.slow_movement import slow_movement
from antecurve.judge.straight_edges import straight_edge
from antecurve.quantities import format_quantity

__all__ = ["record_findings"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_CLEAR_PEAK = 45.0  # exponential: exp(-45) by chance, in any of 20,000 lines never
_WINDOW_LINES = 2.5  # half width of the peak of a Hann window, in lines of the spectrum
_STEPS = 0.5  # of a converter's step: its error, a sawtooth at most, has lines of 1/pi of it
_LEAST_LINE = 0.001  # of the half swing: -60 dB, below which pick-up is usual
_LEAST_LINES = 16  # for the median to be the level of the noise
_OSCILLATES = 0.005  # of the half swing: -46 dB, by judgement; pick-up of a sound bench is less
_MOVES = 0.15  # of the swing, by judgement: twice what a unit that settles shows in a record
_LEAST_SWING = 0.01  # of the record's: a fit with less describes nothing of it
_TO_AND_FRO = 0.02  # of the swing: well above 1/f noise of a sound unit
_TURNS_BACK = 0.05  # of the swing, by judgement: what settles goes one way, but for a little
_SWING_MOVES = 0.2  # of the swing: drift and hum beside three low corners leave up to 12 %
_EDGE_SAMPLES = (-2.0, 12.0)  # sampling intervals from an edge that belong to it
_EDGE_S = 50e-6  # at least: three time constants of a pole at 10 kHz
_UNRESOLVED = 12.0  # three turns of the highest harmonic summed: its overshoot is over
_RINGING_S = 200e-6  # behind an edge: twelve turns of 60 kHz
_EDGE_MOST = 0.3  # of a half period
_WHOLE_S = 0.1e-6  # how well an edge is known of which no harmonic is left out, by judgement
_GENERATOR = 0.4  # of the unit's edge: the generator's own then counts
_BY_FILTER = 2.0  # samples: a converter's filter makes the edge of a step 0.9 long, 10 to 90 %
_NOISE_ORDERS = 1.05  # times the highest even order: the noise counts up to there
_HUM_MULTIPLES = 6  # of the mains frequency that supplies bring in strength
_MISSED = 4.0  # mean square of residuals
_HUM_CYCLES = 2.0  # of the mains in a record that tells their levels from a movement
_TOLD_APART = 0.7  # of a line of the spectrum
_MAINS_OFF = 0.005  # of the mains frequency: interconnected grids stay within 0.4 %
_BAND_EDGE = 0.4  # of the sampling rate: a converter's filter may begin there
_LEAST_FREE = 20  # degrees of freedom: a level known to a third or better


def record_findings(record: ResidualRecord) -> list[ResidualFinding]:
    """Describe what a fit does not explain of a record.

    Parameters
    ----------
    record : ResidualRecord
        The record less its fit.

    Returns
    -------
    list of ResidualFinding
        Empty where noise explains it.
    """
    lines, slow = _lines(record), _slow(record)
    if slow:  # of which a line below the square wave is a part
        slowest = record.basis.record.frequency_hz
        lines = [f for f in lines if f.kind is not ResidualKind.LINE or f.frequency_hz > slowest]
    edges = _straight(record) or [*_pause(record), *_halves(record)]
    oscillates = any(f.kind is ResidualKind.OSCILLATION and f.forbids_pass for f in lines)
    if not edges and not oscillates and record.shows_ringing:
        edges = _ringing(record)
    return [*lines, *slow, *edges, *_without_edges(record)]


def _without_edges(record: ResidualRecord) -> list[ResidualFinding]:
    """What a slowly sampled record can't show."""
    if not record.passes_over_edges:
        return []
    rate = _rate_in_words(record.basis.record.rate_hz)
    text = (
        f"{record.name}: {rate} samples a second pass over the edges. A dead zone "
        "and a slew-rate limit do not show in it. Capture a square wave of 200 Hz too, at "
        "500,000 samples a second or more. Or capture the same at a level 10 dB lower"
    )
    return [ResidualFinding(ResidualKind.NO_EDGES, record.name, text, 0.0)]


def _lines(record: ResidualRecord) -> list[ResidualFinding]:
    """A line on the tops, or beside the harmonics of a long record."""
    raw, frequency = record.capture, record.basis.record.frequency_hz
    tops, rate = tops_of(
        record.capture_time_s, raw.volts, frequency_hz=frequency, rising_s=record.rising_s
    )
    line = line_on_tops(tops, rate, step_v=quantisation_step(raw.volts)) if len(tops) else None
    if line is not None and line.amplitude_v > _LEAST_LINE * record.size_v:
        where = "the tops" if line.tops == "both" else f"the {line.tops} tops"
        text = (
            f"{record.name}: a line at {format_quantity(line.frequency_hz, 'Hz', digits=3)} on "
            f"{where}, as sampled {_rate_in_words(rate)} times a second, "
            f"{_line_level(line.amplitude_v, record.size_v)}. The unit oscillates or picks it up. "
            "Look at the output with a fast time base and the drive off, and capture again without "
            "it"
        )
        grave = line.amplitude_v > _OSCILLATES * record.size_v
        kind = ResidualKind.OSCILLATION
        return [ResidualFinding(kind, record.name, text, line.frequency_hz, forbids_pass=grave)]
    beside = _strongest_line(record, record.basis.interference.line_hz)
    if beside is None:
        return []
    level = _line_level(beside[1], record.size_v)
    text = f"{record.name}: a line near {beside[0]:.0f} Hz, {level}: pick-up or oscillation"
    return [ResidualFinding(ResidualKind.LINE, record.name, text, beside[0])]


def _slow(record: ResidualRecord) -> list[ResidualFinding]:
    """Movement from period to period that no sound unit has."""
    basis, time = record.basis, record.capture_time_s
    beside = basis.interference
    volts = record.capture.volts
    length = float(time[-1] - time[0])
    if beside.hum is not None and length * beside.hum.mains_hz > _HUM_CYCLES:
        lines = Interference(beside.hum, beside.noise_v).columns(time)
        amplitudes = basis.interference_amplitudes(record.remainder)[0][beside.drift_order :]
        volts = volts - amplitudes @ lines
    swing = max(float(np.ptp(record.fitted)), _LEAST_SWING * 2.0 * record.size_v)
    moved = slow_movement(time, volts, frequency_hz=basis.record.frequency_hz, swing_v=swing)
    turns = moved.to_and_fro > _TO_AND_FRO or moved.turns_back > _TURNS_BACK
    if moved.mean > _MOVES or turns:
        what = f"the output moves by {100.0 * max(moved.mean, moved.to_and_fro):.0f} %"
    elif moved.swing > _SWING_MOVES:
        what = f"the swing changes by {100.0 * moved.swing:.0f} %"
    else:
        return []
    text = (
        f"{record.name}: {what} of the square wave within the record. The unit motorboats or has "
        "not settled. Wait, and capture a record of 1 s or longer"
    )
    return [ResidualFinding(ResidualKind.SLOW_MOVEMENT, record.name, text, 0.0, forbids_pass=True)]


def _halves(record: ResidualRecord) -> list[ResidualFinding]:
    """Even harmonics and unlike edges."""
    noise, size = record.noise, record.size_v
    step = record.basis.record.step_v
    lower = "Capture again at a level 10 dB lower"
    findings = []
    # Where the fit misses by far, hum may be taken for the other mains frequency.
    hum_told = record.basis.interference.hum is None or record.excess < _MISSED
    even = _even_harmonics(record) if hum_told else None
    if even is not None:
        level = even_orders(even, step_v=step, noise_v=noise, half_swing_v=size)
        if level > 0.0:
            top = int(np.argmax(np.abs(even.error)))
            text = (
                f"{record.name}: even harmonics, {_line_level(level, size)}, most of number "
                f"{even.orders[top]:.0f}. One half of the wave is treated unlike the other: "
                f"one rail is cut, or there is even-order distortion. {lower}"
            )
            at = float(even.orders[top] * record.basis.record.frequency_hz)
            kind = ResidualKind.EVEN_ORDERS
            findings.append(ResidualFinding(kind, record.name, text, at, forbids_pass=True))
    if not record.shows_edges:
        return findings
    early, late = (n / record.basis.record.rate_hz for n in _EDGE_SAMPLES)
    late = max(late, _EDGE_S)
    unlike = edge_asymmetry(
        _edge_samples(record, early, late),
        noise_v=noise,
        timing_s=record.timing_s,
        half_swing_v=size,
    )
    if unlike > 0.0:
        text = (
            f"{record.name}: falling and rising edges differ by {100.0 * unlike / size:.1f} % of "
            "the half swing. One rail is cut, or the output follows one way faster than the other. "
            f"{lower}"
        )
        at = record.basis.record.rate_hz / 2.0
        findings.append(
            ResidualFinding(ResidualKind.EDGES, record.name, text, at, forbids_pass=True)
        )
    return findings


def _pause(record: ResidualRecord) -> list[ResidualFinding]:
    """Edges that halt on their way."""
    edges = record.edges
    share = 0.0 if edges is None else edge_pause(edges)
    if share <= 0.0:
        return []
    text = (
        f"{record.name}: edges pause on their way. The unit has a dead zone about zero, some "
        f"{100.0 * share:.0f} % of the half swing wide to either side: crossover distortion. "
        "Check the bias of the output stage, and capture again at a level 10 dB lower"
    )
    at = record.basis.record.frequency_hz
    return [ResidualFinding(ResidualKind.PAUSE, record.name, text, at, forbids_pass=True)]


def _straight(record: ResidualRecord) -> list[ResidualFinding]:
    """Edges of constant slope."""
    edges = straight_edge(
        record.since_edge_s,
        record.about_middle,
        half_period_s=record.half_period_s,
        noise_v=record.noise,
    )
    if edges is None or record.rise_time_s > _GENERATOR * edges.duration_s:
        return []
    if record.passes_over_edges and edges.duration_s * record.basis.record.rate_hz < _BY_FILTER:
        return []  # as it is said of such a record, it does not show a limit of the slope
    text = (
        f"{record.name}: edges are straight, {_slope_in_words(edges.slope_v_per_s)} over "
        f"{1e6 * edges.duration_s:.3g} µs. The unit reaches its slew-rate limit, or the "
        "generator's edges are as slow. Capture again at a level 10 dB lower: a slew-rate limit "
        "then gives a faster edge"
    )
    at = 0.35 / edges.duration_s
    return [ResidualFinding(ResidualKind.SLOPE, record.name, text, at, forbids_pass=True)]


def _ringing(record: ResidualRecord) -> list[ResidualFinding]:
    """Edges that ring far above the band."""
    rate, timing = record.basis.record.rate_hz, record.timing_s
    near = _edge_samples(record, 0.0, _RINGING_S)
    if not record.folded:  # all of an edge is in the sum, and half the rate is the end
        rate, timing = rate / 2.0, min(timing, _WHOLE_S)
        near = _edge_samples(record, 0.0, _RINGING_S, unresolved=0.0)
    ringing = edge_ringing(
        near,
        rate_hz=rate,
        noise_v=record.noise,
        timing_s=timing,
        half_swing_v=record.size_v,
    )
    if ringing is None or ringing.quality < RINGS:
        return []
    text = (
        f"{record.name}: edges ring at {format_quantity(ringing.frequency_hz, 'Hz', digits=2)} "
        f"with a Q of {ringing.quality:.2g} ({ringing.least_quality:.2g} or more), "
        f"{_line_level(ringing.amplitude_v, record.size_v)} at the edge. The phase margin is some "
        f"{phase_margin_deg(ringing.quality):.0f} degrees. Capture again with the cable and load "
        "of use, at 2 million samples a second or more"
    )
    at, grave = ringing.frequency_hz, ringing.least_quality >= RINGS
    return [ResidualFinding(ResidualKind.RINGING, record.name, text, at, forbids_pass=grave)]


def _even_harmonics(record: ResidualRecord) -> EvenOrders | None:
    """Even harmonics with their covariance; none where the record is too short for any."""
    basis = record.basis
    even = (basis.orders % 2 == 0) & ~_may_be_hum(record)
    if not even.any():
        return None
    rows = np.concatenate([even, even])
    inverse = basis.unwhitener
    raw = inverse @ record.reduced
    of_even = inverse[rows]
    half = raw.size // 2
    error = -(raw[:half] + 1j * raw[half:])[even]
    variance = record.noise**2 * _low_noise(record, float(basis.orders[even].max()))
    covariance = variance * (of_even @ of_even.T)
    own = basis.amplitudes(basis.record.volts)[even]
    square = basis.amplitudes(record.fitted**2 / record.size_v)[even]
    return EvenOrders(basis.orders[even], own, error, record.by_duty[even], square, covariance)


def _may_be_hum(record: ResidualRecord) -> NDArray[np.bool_]:
    """Which harmonics the record does not tell from a line of hum, shape (harmonics,)."""
    reduced = record.basis.record
    frequency = record.basis.orders * reduced.frequency_hz
    apart = _TOLD_APART * reduced.frequency_hz / reduced.periods
    near = np.zeros(frequency.size, dtype=bool)
    for mains in MAINS_HZ:
        multiple = np.clip(np.round(frequency / mains), 1, _HUM_MULTIPLES)
        reach = apart + _MAINS_OFF * multiple * mains
        near |= np.abs(frequency - multiple * mains) < reach
    return near


def _low_noise(record: ResidualRecord, top: float) -> float:
    """Power of the noise at low frequencies over that of white noise, 1 or greater."""
    basis = record.basis
    missed = basis.remainder(record.remainder)
    highest = int(_NOISE_ORDERS * top * basis.record.periods) + 1
    power = np.abs(np.fft.rfft(missed)[: highest + 1]) ** 2 / missed.size
    taken = basis.nuisances + 2 * int(np.sum(basis.orders <= _NOISE_ORDERS * top))
    free = 2 * power.size - 1 - taken
    if free < _LEAST_FREE:
        return 1.0
    total = float(2.0 * power.sum() - power[0])
    return float(max(1.0, total / (free * record.noise**2)))


def _edge_samples(
    record: ResidualRecord, early_s: float, late_s: float, *, unresolved: float = _UNRESOLVED
) -> EdgeSamples:
    """Residuals of the samples about the edges, but for what is nearer than is resolved."""
    reduced = record.basis.record
    half = 0.5 / reduced.frequency_hz
    turn = (reduced.time_s - record.rising_s) / half
    edge = np.floor(turn - early_s / half)
    near = turn - edge < min(late_s / half, _EDGE_MOST)
    near &= np.abs(turn - edge) * half > unresolved * record.timing_s
    sign = np.where(edge[near] % 2 == 0, 1.0, -1.0)
    return EdgeSamples(
        (turn - edge)[near] * half,
        sign,
        record.settled[near],
        *record.derivatives[near].T,
    )


def _line_level(amplitude: float, size: float) -> str:
    level = 20.0 * math.log10(max(amplitude, 1e-12 * size) / size)
    return f"{1e3 * amplitude:.3g} mV, {level:.0f} dB re the square wave"


def _slope_in_words(volts_per_second: float) -> str:
    """In volts or millivolts a microsecond, whichever has no leading zeros."""
    if volts_per_second >= 1e6:
        return f"{1e-6 * volts_per_second:.2g} V/µs"
    return f"{1e-3 * volts_per_second:.2g} mV/µs"


def _rate_in_words(rate_hz: float) -> str:
    """A number of samples a second with the word that keeps it short."""
    if rate_hz >= 1e6:
        return f"{1e-6 * rate_hz:.3g} million"
    return f"{1e-3 * rate_hz:.3g} thousand"


def _strongest_line(
    residual: ResidualRecord, hum_hz: tuple[float, ...]
) -> tuple[float, float] | None:
    """A line beside the harmonics and the hum that stands out of the spectrum, if any."""
    record = residual.basis.record
    length = float(np.ptp(record.time_s))
    count = residual.remainder.size
    grid = np.linspace(record.time_s[0], record.time_s[-1], count)
    window = np.hanning(count)
    spectrum = np.fft.rfft(np.interp(grid, record.time_s, residual.settled) * window)
    frequency = np.arange(spectrum.size) / length
    apart = np.abs(frequency - np.round(frequency / record.frequency_hz) * record.frequency_hz)
    usable = (apart > _WINDOW_LINES / length) & (frequency > 3.0 / length)
    usable &= ~_images(frequency, record.frequency_hz, record.rate_hz, _WINDOW_LINES / length)
    for line in hum_hz:
        usable &= np.abs(frequency - line) > _WINDOW_LINES / length
    if usable.sum() < _LEAST_LINES:
        return None
    power = np.abs(spectrum) ** 2 / (np.sum(window**2) / 2.0)
    level = float(np.median(power[usable])) / math.log(2.0)
    top = int(np.argmax(np.where(usable, power, 0.0)))
    amplitude = 2.0 * float(np.abs(spectrum[top])) / float(window.sum())
    if power[top] < _CLEAR_PEAK * level or amplitude < max(
        _STEPS * record.step_v, _LEAST_LINE * residual.size_v
    ):
        return None
    return float(frequency[top]), amplitude


def _images(frequency: Floats, square_hz: float, rate_hz: float, width_hz: float) -> Bools:
    """Where odd harmonics that a converter's filter lets pass beyond half the rate come back.

    A filter that is down by 6 dB at half the rate has an image of each of them as far below it.
    """
    order = (rate_hz - frequency) / square_hz
    odd = 2.0 * np.round((order - 1.0) / 2.0) + 1.0
    beside = np.abs(order - odd) * square_hz
    return np.asarray((frequency > _BAND_EDGE * rate_hz) & (beside < width_hz))
