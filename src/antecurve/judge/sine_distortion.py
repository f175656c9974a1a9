"""Harmonics of a sine and the level at which a unit clips, from steps of a played signal."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.played_record import PlayedRecord, held_at_its_limit
from antecurve.signals.request import HIGHEST_SHARE

__all__ = ["Overload", "StepDistortion", "overload", "step_distortions"]

Floats = NDArray[np.float64]

_HIGHEST_ORDER = 10  # beyond, harmonics of a sound unit are below its noise
_EDGE = 0.15  # of a step at either end: fades, delay, what rings
_LEAST_PERIODS = 16  # between harmonics there is noise then, and nothing of them
_WINDOW = 20.0  # Kaiser's beta: side lobes below -140 dB, 6.5 lines to either side
_CLIPPED = 0.01  # total harmonic distortion, the usual mark (IEC 60268-3:2018, 14.12)
_COMPRESSED_DB = 0.056  # of gain: what a sine loses that is clipped to 1 % of harmonics
_SURE = 2.0  # standard deviations
_LOWEST = 3  # levels, which set the usual gain: few, so that none of them is clipped
_LEAST_LEVELS = 4  # one beyond the lowest ones that set the usual gain
_CLEAR = 10.0  # times the noise: a fundamental whose level is known to 1 dB


@dataclass(frozen=True, slots=True)
class StepDistortion:
    """Harmonics of one step.

    Attributes
    ----------
    frequency_hz, level_db : float
        Frequency [Hz] and peak level of the stimulus re full scale [dB].
    output : float
        Amplitude of the fundamental at the output.
    output_deviation_db : float
        Standard deviation of its level [dB].
    harmonics : int
        Harmonics within reach of the record.
    share : float
        Power of the harmonics over that of the fundamental, noise taken off; may be below 0.
    deviation : float
        Standard deviation of that.
    converter_limited : bool
        Whether the record stands at the converter's end.
    """

    frequency_hz: float
    level_db: float
    output: float
    output_deviation_db: float
    harmonics: int
    share: float
    deviation: float
    converter_limited: bool


@dataclass(frozen=True, slots=True)
class Overload:
    """The level at which a unit clips.

    Attributes
    ----------
    frequency_hz : float
        Frequency [Hz].
    stimulus_db : float
        Peak level of the stimulus re full scale [dB]; the highest played where it does not clip.
    half_step_db : float
        How far it may be off [dB]; 0 for a bound.
    reached : bool
        Whether the unit clips; otherwise the level is a lower bound.
    """

    frequency_hz: float
    stimulus_db: float
    half_step_db: float
    reached: bool


def step_distortions(played: PlayedRecord) -> list[StepDistortion]:
    """Measure the harmonics of each step of sines.

    Parameters
    ----------
    played : PlayedRecord
        A record of stepped sines.

    Returns
    -------
    list of StepDistortion
        Steps of sixteen periods or more within the record.
    """
    if played.request is None:
        return []
    measured = []
    for step in played.request.steps:
        inside = played.step_samples(first=step.first, last=step.last)
        samples = played.record.volts[inside]
        edge = int(_EDGE * samples.size)
        samples = samples[edge : samples.size - edge]
        entry = _of_step(samples, played.record.rate_hz, step.frequency_hz, step.level_db)
        if entry is not None:
            measured.append(entry)
    return measured


def _of_step(
    samples: Floats, rate_hz: float, frequency_hz: float, level_db: float
) -> StepDistortion | None:
    """Lines at harmonics, and halfway between them for the noise."""
    if samples.size < _LEAST_PERIODS * rate_hz / frequency_hz:
        return None
    highest = max(1, min(_HIGHEST_ORDER, int(HIGHEST_SHARE * rate_hz / frequency_hz)))
    orders = np.arange(1.0, highest + 1.0)
    power = _line_powers(samples, frequency_hz / rate_hz, orders)
    beside = _line_powers(samples, frequency_hz / rate_hz, np.append(orders, highest + 1.0) - 0.5)
    noise = (beside[:-1] + beside[1:]) / 2.0
    if power[0] < _CLEAR * noise[0]:
        return None
    share = float(np.sum(power[1:] - noise[1:]) / power[0])
    # A line of power a^2 in noise n: variance 2 a^2 n + n^2.
    variance = float(np.sum(2.0 * np.maximum(power[1:] - noise[1:], 0.0) * noise[1:]))
    variance += 2.0 * float(np.sum(noise[1:] ** 2))  # once more for the noise, from two lines
    return StepDistortion(
        frequency_hz,
        level_db,
        math.sqrt(float(power[0])),
        20.0 / math.log(10.0) * math.sqrt(float(noise[0] / power[0]) / 2.0),
        highest - 1,
        share,
        math.sqrt(variance) / float(power[0]),
        held_at_its_limit(samples),
    )


def _line_powers(samples: Floats, cycles: float, orders: Floats) -> Floats:
    """Squared amplitudes of lines, of cycles per sample times the orders."""
    from scipy.signal.windows import kaiser

    window = kaiser(samples.size, _WINDOW)
    weighted = (samples - samples.mean()) * window
    phase = -2.0 * np.pi * cycles * np.arange(samples.size)
    lines = [np.exp(1j * n * phase) @ weighted for n in orders]
    return np.asarray(np.abs(2.0 * np.array(lines) / window.sum()) ** 2)


def overload(steps: list[StepDistortion], frequency_hz: float) -> Overload | None:
    """Find the level at which a unit clips.

    Parameters
    ----------
    steps : list of StepDistortion
        Steps of a record.
    frequency_hz : float
        The frequency, to a per cent [Hz].

    Returns
    -------
    Overload or None
        Between the last level without and the first with 1 % of harmonics or the loss of gain
        that goes with it, against the three lowest levels; ``None`` with fewer than four.
    """
    own = [s for s in steps if abs(s.frequency_hz / frequency_hz - 1.0) < 0.01]
    if len(own) < _LEAST_LEVELS:
        return None
    gain = np.array([20.0 * math.log10(s.output) - s.level_db for s in own])
    weight = np.array([s.output_deviation_db**-2.0 for s in own])
    usual = float(np.average(gain[:_LOWEST], weights=weight[:_LOWEST]))
    deviation = np.sqrt(1.0 / weight + 1.0 / weight[:_LOWEST].sum())
    lost = usual - gain > _COMPRESSED_DB + _SURE * deviation
    bent = [s.share > _CLIPPED**2 + _SURE * s.deviation for s in own]
    clipped = lost | np.array(bent)
    last = next((k for k, s in enumerate(own) if clipped[k] or s.converter_limited), len(own))
    if last == 0:
        return None
    if last == len(own) or own[last].converter_limited:
        return Overload(own[0].frequency_hz, own[last - 1].level_db, 0.0, reached=False)
    low, high = own[last - 1].level_db, own[last].level_db
    return Overload(own[0].frequency_hz, (low + high) / 2.0, (high - low) / 2.0, reached=True)
