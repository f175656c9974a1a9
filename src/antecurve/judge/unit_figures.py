"""Figures of a unit from its two-channel records."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.judge.channel_figures import crosstalk_figures
from antecurve.judge.conformity import Decision
from antecurve.judge.factor_of_two import gain_question
from antecurve.judge.figure_limits import FigureLimit, figure_decisions, worst_decision
from antecurve.judge.network_estimate import NetworkEstimate, network_log_response, sources_at
from antecurve.judge.played_record import InputReference, PlayedRecord
from antecurve.judge.probe_factor import probe_question
from antecurve.judge.quiet_noise import QuietNoise, quiet_noise
from antecurve.judge.sine_distortion import overload, step_distortions
from antecurve.judge.sweep_distortion import sweep_distortion
from antecurve.judge.two_channel import TwoChannelRecord
from antecurve.judge.unit_figure import UnitFigure
from antecurve.judge.verdict import Verdict
from antecurve.quantities import check_number

__all__ = ["FigureRequest", "unit_figures", "unmeasured_figures", "with_figure_limits"]

Floats = NDArray[np.float64]

_DB_PER_NEPER = 20.0 / math.log(10.0)
_COVERAGE = 2.0  # standard deviations of an expanded uncertainty (JCGM 100:2008, 6.3)
_SEEN = 4.0  # standard deviations: the largest of some thirty steps or third octaves counts
_NEAR = 2.0  # times 1 kHz either way: bands that the gain is taken from
_DRAWS = 256  # of the network: its spread to 5 %
_OVERLOAD = {"overload_1khz": 1e3, "overload_20khz": 20e3}


@checked
@dataclass(frozen=True, slots=True)
class FigureRequest:
    """How figures beside the response are judged.

    Attributes
    ----------
    input_v : float
        Input at 1 kHz that noise, hum and overload are referred to [V rms].
    full_scale_v : float or None
        Of a sine at full scale on the stimulus [V rms], where it is known.
    limits : tuple of FigureLimit
        Limits of figures.

    Raises
    ------
    InputError
        When a voltage is not above 0.
    """

    input_v: float
    full_scale_v: float | None = None
    limits: tuple[FigureLimit, ...] = ()

    def __post_init__(self) -> None:
        check_number(self.input_v, field="input_v", unit="V")
        if self.full_scale_v is not None:
            check_number(self.full_scale_v, field="full_scale_v", unit="V")


def with_figure_limits(verdict: Verdict, limits: Sequence[FigureLimit]) -> Verdict:
    """Decide on the limits of a verdict's figures.

    Parameters
    ----------
    verdict : Verdict
        The verdict on the response, with the unit's figures.
    limits : sequence of FigureLimit
        Limits of figures.

    Returns
    -------
    Verdict
        The worst of all; its findings say which limit ruled, where a figure's did.
    """
    decisions = figure_decisions(verdict.figures, limits)
    worst = worst_decision([verdict.decision, *(d.decision for d in decisions)])
    asked = gain_question(verdict.figures, limits), probe_question(verdict.figures, limits)
    ruled = tuple(d.ruling for d in decisions if d.decision is worst and worst is not Decision.PASS)
    return replace(
        verdict,
        decision=worst,
        levels=verdict.levels if worst is verdict.decision else "",
        figure_decisions=decisions,
        findings=(*ruled, *(text for text in asked if text), *verdict.findings),
    )


def unit_figures(
    records: Sequence[PlayedRecord],
    reference: InputReference,
    verdict: Verdict,
    *,
    mains_hz: float | None = None,
) -> tuple[UnitFigure, ...]:
    """Measure what two-channel records tell beside the response.

    Parameters
    ----------
    records : sequence of PlayedRecord
        Records of one unit.
    reference : InputReference
        What noise, hum and overload are referred to.
    verdict : Verdict
        The verdict on the response by the same records: its band is that of the noise.
    mains_hz : float, optional
        Mains frequency [Hz], where it is known.

    Returns
    -------
    tuple of UnitFigure
        Each figure that a record tells, once, from the first record that does.
    """
    figures: list[UnitFigure] = []
    for played in records:
        own = reference.beside(played)
        if not played.is_stepped:
            gain = _gain(verdict, played.record, reference.network)
            if gain is not None and verdict.overlay is not None:
                figures += _gain_figures(gain, played, reference)
                figures.append(UnitFigure("polarity", float(verdict.overlay.polarity), 0.0))
            noise = quiet_noise(played.record, band_hz=verdict.band_hz, mains_hz=mains_hz)
            if noise is not None and gain is not None:
                figures += _noise_figures(noise, gain, played, own)
        figures += _step_figures(played, own)
        figures += _sweep_figures(played)
        if played.idle is not None:
            figures += crosstalk_figures(played.record.volts, played.idle, played.record.rate_hz)
    first: dict[str, UnitFigure] = {}
    for figure in figures:
        first.setdefault(figure.name, figure)
    return tuple(first.values())


def unmeasured_figures(
    records: Sequence[PlayedRecord], figures: Sequence[UnitFigure]
) -> tuple[str, ...]:
    """Say why records tell no gain, or no noise and hum, and what to do.

    Parameters
    ----------
    records : sequence of PlayedRecord
        Two-channel records of one unit.
    figures : sequence of UnitFigure
        What they tell beside the response.

    Returns
    -------
    tuple of str
        A text each; none where no record is one of two channels.
    """
    names = {f.name for f in figures}
    texts = []
    if "polarity" in names and "gain" not in names:
        texts.append(
            "gain is not measured: the output is in volts, the stimulus re full scale. State the "
            "generator's voltage (rms) at full scale"
        )
    if records and "noise" not in names:
        texts.append(
            "noise and hum are not measured: no record holds 0.2 s of silence. Leave half a second "
            "before the signal, and record again"
        )
    return tuple(texts)


def _gain(
    verdict: Verdict, record: TwoChannelRecord, network: NetworkEstimate
) -> UnitFigure | None:
    """Gain at 1 kHz of a record by the bands about it, the network taken off."""
    trace = next((t for t in verdict.traces if t.name == record.name and not t.over_time), None)
    if trace is None or verdict.overlay is None:
        return None
    near = np.abs(np.log2(trace.position / REFERENCE_FREQUENCY_HZ)) <= math.log2(_NEAR)
    if np.count_nonzero(near) < 3:
        return None
    missed = (trace.captured - trace.fitted)[near]
    position = np.log(trace.position)
    fitted = float(np.interp(math.log(REFERENCE_FREQUENCY_HZ), position, trace.fitted))
    own = _COVERAGE * float(np.std(missed, ddof=1)) / math.sqrt(missed.size)
    hertz, none = np.array([REFERENCE_FREQUENCY_HZ]), np.zeros(network.sources)
    through, parts = 0.0, 0.0
    if record.stimulus_at != "input":
        through = _DB_PER_NEPER * float(network_log_response(network, none, hertz).real[0])
        parts = _COVERAGE * _network_deviation(network)
    value = fitted + float(missed.mean()) - through
    return UnitFigure("gain", value, math.hypot(own, parts), "", "", own)


def _gain_figures(
    gain: UnitFigure, played: PlayedRecord, reference: InputReference
) -> list[UnitFigure]:
    """Gain as output over input in one unit; none where full scale in volts is not known."""
    assumed = ", volts assumed as the file names no unit" if played.assumed_volts else ""
    if played.in_volts and played.output_in_volts:
        return [replace(gain, condition=f"output over input{assumed}")]
    if not played.in_volts and not played.output_in_volts:
        return [_gain_re_full_scale(gain, played, reference)]
    if reference.full_scale_v is None:
        return []
    peak_v = math.sqrt(2.0) * reference.full_scale_v
    value = gain.value - 20.0 * math.log10(peak_v)
    condition = f"output over input by the EMF stated{assumed}"
    return [replace(gain, value=value, condition=condition, scale="emf")]


def _gain_re_full_scale(
    gain: UnitFigure, played: PlayedRecord, reference: InputReference
) -> UnitFigure:
    """Gain of a sound, as far as its two sides have one scale."""
    if played.from_one_input:
        return replace(gain, condition="output over input, both by one input", scale="one input")
    if played.record.from_file:
        words = "record over played file, the levels of the interface included"
        return replace(gain, condition=words, scale="levels")
    words = "output over input, both re full scale"
    if reference.inputs_known:
        return replace(gain, condition=words, scale="known inputs")
    return replace(gain, condition=f"{words}, if both inputs have one gain", scale="inputs")


def _network_deviation(network: NetworkEstimate) -> float:
    """Standard deviation of the network's level at 1 kHz [dB]."""
    if network.sources == 0:
        return 0.0
    drawn = np.random.default_rng(1).uniform(size=(_DRAWS, network.sources))
    levels = network_log_response(
        network, sources_at(network, drawn), np.array([REFERENCE_FREQUENCY_HZ])
    )
    return _DB_PER_NEPER * float(np.std(levels.real))


def _noise_figures(
    noise: QuietNoise, gain: UnitFigure, played: PlayedRecord, reference: InputReference
) -> list[UnitFigure]:
    """Noise and hum over the output that the stated input makes."""
    at = played.record.stimulus_at
    peak_db = reference.stimulus_db(at) + reference.network_db(REFERENCE_FREQUENCY_HZ, at)
    output_db = gain.value + peak_db - 10.0 * math.log10(2.0)
    entries = (
        ("noise", noise.plain, noise.plain_deviation, "hum included"),
        ("noise_a_weighted", noise.a_weighted, noise.a_deviation, "hum included"),
        ("hum", noise.hum, noise.hum_deviation, f"{noise.mains_hz:.0f} Hz and harmonics"),
    )
    figures = []
    for name, power, deviation, words in entries:
        condition = f"{reference.text}, {words}, from {noise.seconds:.1f} s of silence"
        if power > _COVERAGE * deviation:
            spread = 10.0 * math.log10(1.0 + _COVERAGE * deviation / power)
            reach = math.hypot(spread, gain.expanded_uncertainty)
            value = 10.0 * math.log10(power) - output_db
            figures.append(UnitFigure(name, value, reach, "", condition))
        elif power + deviation > 0.0:
            most = 10.0 * math.log10(power + _COVERAGE * deviation) - output_db
            if name == "hum":  # the mains frequency is that of more hum, where there is any
                condition = condition.replace(words, "no line of the mains stands out")
            figures.append(UnitFigure(name, most, 0.0, "at most", condition))
    return figures


def _step_figures(played: PlayedRecord, reference: InputReference) -> list[UnitFigure]:
    """Distortion of sines below overload, and the input at which the unit clips."""
    steps = step_distortions(played)
    figures = []
    sound = [s for s in steps if s.harmonics and not s.converter_limited]
    for name, frequency in _OVERLOAD.items():
        clips = overload(steps, frequency)
        if clips is None:
            continue
        at = played.record.stimulus_at
        value = reference.input_db(clips.stimulus_db, frequency_hz=frequency, stimulus_at=at)
        sound = [
            s for s in sound
            if s.frequency_hz != clips.frequency_hz or s.level_db < clips.stimulus_db
            or not clips.reached
        ]  # fmt: skip
        figures.append(
            UnitFigure(
                name, value, clips.half_step_db, "" if clips.reached else "at least",
                reference.text,
            )
        )  # fmt: skip
    if sound:
        worst = max(sound, key=lambda s: s.share + _COVERAGE * s.deviation)
        words = f"at {worst.frequency_hz:.0f} Hz, {worst.level_db:g} dB re full scale played"
        figures.append(_distortion(worst.share, worst.deviation, words))
    return figures


def _sweep_figures(played: PlayedRecord) -> list[UnitFigure]:
    """The largest distortion over a sweep."""
    swept = sweep_distortion(played)
    if swept is None:
        return []
    worst = int(np.argmax(swept.share + _COVERAGE * swept.deviation))
    words = f"at {swept.frequency_hz[worst]:.0f} Hz, {swept.level_db:g} dB re full scale played"
    return [_distortion(float(swept.share[worst]), float(swept.deviation[worst]), words)]


def _distortion(share: float, deviation: float, words: str) -> UnitFigure:
    """Distortion from the harmonics' share of the power."""
    condition = f"re the fundamental, {words}"
    if share > _SEEN * deviation:
        reach = 10.0 * math.log10(1.0 + _COVERAGE * deviation / share)
        return UnitFigure("distortion", 10.0 * math.log10(share), reach, "", condition)
    most = max(share, 0.0) + _SEEN * deviation
    return UnitFigure("distortion", 10.0 * math.log10(max(most, 1e-30)), 0.0, "at most", condition)
