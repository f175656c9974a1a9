"""The level at which a unit is measured: raised from -40 dB until something nearly clips."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.signals.request import SignalRequest
from antecurve.signals.waveforms import run_waveform
from antecurve.sound.interface import SoundInterface, recorded_whole

__all__ = ["ramp_burst", "ramp_levels", "ramped_level"]

Floats = NDArray[np.float64]

_LOWEST_DB = -40.0  # a unit of 40 dB too much gain does not clip the input yet
_STEP_DB = 4.0  # up from where it nearly clips it does not: 0.6 of full scale becomes 0.95
_BURST_S = 0.2  # two periods of the lowest frequency played
_NEARLY_CLIPS = 0.6  # of full scale: a further step would reach it
_CLIPS = 0.99  # of full scale
_COMPRESSED_DB = 0.1  # less than a step: a unit that clips
_STEPS_BACK = 2  # from there: a step lower it may clip for moments
_AUDIBLE = 10.0  # times the power of the noise: below, nothing came back
_CLEAR = 1000.0  # times it: a step is then told to 0.1 dB


def ramp_levels(*, highest_db: float) -> tuple[float, ...]:
    """List the levels of the ramp.

    Parameters
    ----------
    highest_db : float
        Highest level re full scale [dB].

    Returns
    -------
    tuple of float
        Ascending, the highest one last [dB].
    """
    steps = math.ceil(max(0.0, highest_db - _LOWEST_DB) / _STEP_DB)
    return (*(_LOWEST_DB + _STEP_DB * k for k in range(steps)), highest_db)


def ramp_burst(request: SignalRequest, *, level_db: float) -> Floats:
    """Compute the burst of one level.

    Parameters
    ----------
    request : SignalRequest
        The signal that is to be played after the ramp.
    level_db : float
        Peak level re full scale [dB].

    Returns
    -------
    numpy.ndarray of float, shape (samples,)
        A fifth of a second of such a signal; for sine steps of several tones.
    """
    kind = "multitone" if request.kind == "sines" else request.kind
    frequency = request.frequency_hz if kind == "square" else ()
    short = SignalRequest(kind, request.rate_hz, _BURST_S, (level_db,), frequency, cue=False)
    return np.asarray(run_waveform(short) * 10.0 ** (level_db / 20.0))


def ramped_level(
    interface: SoundInterface, request: SignalRequest, *, say: Callable[[str], object] = str
) -> float:
    """Raise the level from -40 dB until the input or the unit nearly clips.

    Parameters
    ----------
    interface : SoundInterface
        The interface; its first input is watched.
    request : SignalRequest
        The signal, at the highest level allowed.
    say : callable, optional
        Is told why the ramp ends below the highest level.

    Returns
    -------
    float
        Level at which neither clips [dB re full scale].

    Raises
    ------
    InputError
        When the lowest level clips, or nothing comes back.
    """
    levels = ramp_levels(highest_db=max(request.level_db))
    powers: list[float] = []
    heard = clear = False
    for index, level_db in enumerate(levels):
        peak, power, noise = _heard(interface, request, level_db)
        if peak >= _CLIPS:
            if index == 0:
                raise InputError(
                    "input", f"clipped at {level_db:g} dB",
                    "turn the interface's input down, and measure again",
                )  # fmt: skip
            say(f"The input clips at {level_db:g} dB.")
            return levels[index - 1]
        heard = power > _AUDIBLE * noise
        rise_db = 10.0 * math.log10(power / powers[-1]) if powers and powers[-1] > 0.0 else 0.0
        step_db = level_db - levels[index - 1] if index else 0.0
        if clear and rise_db < step_db - _COMPRESSED_DB:
            # Once more: a sound server that stumbles repeats samples, a unit repeats its limit.
            before = _heard(interface, request, levels[index - 1])[1]
            peak, power, noise = _heard(interface, request, level_db)
            if 10.0 * math.log10(power / before) < step_db - _COMPRESSED_DB:
                say(
                    f"At {level_db:g} dB the record no longer rises with what is played: the unit "
                    "clips, or the interface lost samples."
                )
                return levels[max(0, index - _STEPS_BACK)]
        if peak >= _NEARLY_CLIPS:
            if level_db < levels[-1]:
                share = 20.0 * math.log10(peak)
                say(f"At {level_db:g} dB the input is at {share:.1f} dB re full scale.")
            return level_db
        clear = power > _CLEAR * noise
        powers.append(power)
    if not heard:
        raise InputError("input", "silence", "check the leads, the levels and the supply")
    return levels[-1]


def _heard(
    interface: SoundInterface, request: SignalRequest, level_db: float
) -> tuple[float, float, float]:
    """Peak of what comes back of a burst, its power, and that of what is quietest."""
    burst = ramp_burst(request, level_db=level_db)
    record = recorded_whole(interface, burst)[:, 0]
    record = record - np.median(record)
    return float(np.abs(record).max()), *_powers(record, burst.size)


def _powers(record: Floats, samples: int) -> tuple[float, float]:
    """Mean power of the loudest stretch as long as a burst, and of what is quietest as long."""
    total = np.concatenate([[0.0], np.cumsum(record**2)])
    stretches = np.maximum((total[samples:] - total[:-samples]) / samples, 0.0)
    # An interface that is silent but for rounding has no noise to compare with.
    return float(stretches.max()), max(float(stretches.min()), 1e-14)
