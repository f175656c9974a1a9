"""A test signal as a file holds it: silence, cue, runs, cue, silence."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.checked import checked
from antecurve.results import Result
from antecurve.signals.cue import CUE_S, cue_waveform
from antecurve.signals.request import SignalRequest
from antecurve.signals.waveforms import multitone_lines, played_hz, run_waveform

__all__ = ["Edge", "Signal", "make_signal", "run_start"]

Floats = NDArray[np.float64]

_SILENCE_S = 0.5  # before, between and behind: a low corner of 1 Hz has died away
_CUE_BELOW_DB = 12.0  # the highest level: heard in noise, and no surprise to an ear


@dataclass(frozen=True, slots=True)
class Edge:
    """What the end of the band leaves of a square wave's edge.

    Attributes
    ----------
    frequency_hz : float
        Frequency of the square wave, with whole periods in a run [Hz].
    harmonics : int
        Odd harmonics played.
    rise_time_s : float
        From 10 to 90 % of the step [s].
    overshoot : float
        Beyond the top, over the step.
    """

    frequency_hz: float
    harmonics: int
    rise_time_s: float
    overshoot: float


@dataclass(frozen=True, slots=True, eq=False)
class Signal(Result):
    """A test signal.

    Attributes
    ----------
    request : SignalRequest
        What was asked for.
    samples : numpy.ndarray of float, shape (samples,)
        Samples re full scale.
    crest_db : float
        Peak over root mean square of a run [dB].
    rms_db : float
        Root mean square of a run re that of a sine at full scale [dB].
    edge : Edge or None
        Of a square wave.
    """

    request: SignalRequest
    samples: Floats
    crest_db: float
    rms_db: float
    edge: Edge | None

    @property
    def seconds(self) -> float:
        """Length of the file [s]."""
        return self.samples.size / self.request.rate_hz

    @property
    def tones_hz(self) -> Floats:
        """Frequencies of a multitone [Hz]; none of another kind."""
        if self.request.kind != "multitone":
            return np.empty(0)
        spacing = self.request.rate_hz / self.request.period_samples
        return np.asarray(multitone_lines(self.request) * spacing, dtype=np.float64)

    @property
    def ends_hz(self) -> tuple[float, float]:
        """Lowest and highest frequency of a sweep, a multitone or noise [Hz]."""
        tones = self.tones_hz
        return (float(tones[0]), float(tones[-1])) if tones.size else self.request.ends_hz

    def to_dict(self) -> dict[str, object]:
        """Convert the signal's description to plain data, as a file holds it.

        Returns
        -------
        dict
            Without the samples.
        """
        asked, edge = self.request, self.edge
        return {
            "format": "antecurve-signal-1",
            "kind": asked.kind,
            "rate_hz": asked.rate_hz,
            "seconds": self.seconds,
            "run_seconds": asked.run_samples / asked.rate_hz,
            "repetitions": asked.repetitions,
            "cue": asked.cue,
            "level_db": list(asked.level_db),
            "rms_db": self.rms_db,
            "crest_db": self.crest_db,
            "frequency_hz": [edge.frequency_hz] if edge else list(asked.frequencies_hz),
            "band_hz": None if asked.frequencies_hz else list(self.ends_hz),
            "rise_time_s": edge.rise_time_s if edge else None,
            "overshoot": edge.overshoot if edge else None,
        }


@checked
def make_signal(request: SignalRequest) -> Signal:
    """Compute a test signal.

    Parameters
    ----------
    request : SignalRequest
        What it is to be.

    Returns
    -------
    Signal
        The samples, and what they are.

    Raises
    ------
    InputError
        When the request can't be met.
    """
    highest = 10.0 ** (max(request.level_db) / 20.0)
    run = run_waveform(request) * (1.0 if request.kind == "sines" else highest)
    quiet = np.zeros(round(_SILENCE_S * request.rate_hz))
    parts = [quiet, *[run] * request.repetitions, quiet]
    if request.cue:
        level = highest * 10.0 ** (-_CUE_BELOW_DB / 20.0)
        before, behind = (
            level * cue_waveform(request.rate_hz, rising=rising) for rising in (True, False)
        )
        parts = [quiet, before, *parts, behind, quiet]
    rms = math.sqrt(float(np.mean(run**2)))
    return Signal(
        request,
        np.concatenate(parts),
        20.0 * math.log10(highest / rms),
        20.0 * math.log10(rms * math.sqrt(2.0)),
        _edge(request) if request.kind == "square" else None,
    )


def run_start(request: SignalRequest) -> int:
    """Locate the first sample of the first run in the file.

    Parameters
    ----------
    request : SignalRequest
        The signal.

    Returns
    -------
    int
        Samples before it.
    """
    quiet, cue = round(_SILENCE_S * request.rate_hz), round(CUE_S * request.rate_hz)
    return 2 * quiet + cue if request.cue else quiet


def _edge(request: SignalRequest) -> Edge:
    """The edge of sum sin(n x)/n over the odd harmonics that are played."""
    frequency = played_hz(request)
    orders = np.arange(1, math.floor(request.highest_hz / frequency * (1.0 + 1e-12)) + 1, 2)
    # The first top is half a period of the first harmonic left out away.
    time = np.linspace(0.0, 1.0 / (frequency * (orders[-1] + 1)), 2000)
    turns = 2.0 * np.pi * frequency * time
    wave = 4.0 / np.pi * np.sum(np.sin(np.outer(turns, orders)) / orders, axis=1)
    rise = slice(int(np.argmax(wave)) + 1)
    reached = float(np.interp(0.8, wave[rise], time[rise]))
    return Edge(frequency, orders.size, 2.0 * reached, float(wave.max() - 1.0) / 2.0)
