"""A two-channel record with what is known of its signal and its scale."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.judge.network_estimate import NetworkEstimate, network_log_response
from antecurve.judge.two_channel import TwoChannelRecord
from antecurve.signals.request import SignalRequest
from antecurve.signals.signal import run_start

__all__ = ["InputReference", "PlayedRecord", "held_at_its_limit"]

Floats = NDArray[np.float64]

_HELD = 3  # equal samples in a row at the largest value: a converter's end, not a crest
_TIMES = 3  # so often, so that no plateau of a quiet file counts


@dataclass(frozen=True, slots=True, eq=False)
class PlayedRecord:
    """A record beside its stimulus.

    Attributes
    ----------
    record : TwoChannelRecord
        Stimulus and output.
    request : SignalRequest or None
        What the played file was made from, where it says so.
    first : int
        Sample of the file, at the record's rate, at which the record's stimulus begins.
    idle : numpy.ndarray of float, shape (samples,), or None
        Output of the other channel, whose input idles, beside the same samples.
    in_volts : bool
        Whether the stimulus is in volts, not re full scale.
    output_in_volts : bool
        Whether the output is.
    assumed_volts : bool
        Whether the file names no unit for a channel, and volts are assumed.
    from_one_input : bool
        Whether the input that recorded the output had recorded the stimulus before.
    """

    record: TwoChannelRecord
    request: SignalRequest | None = None
    first: int = 0
    idle: Floats | None = None
    in_volts: bool = False
    output_in_volts: bool = False
    assumed_volts: bool = False
    from_one_input: bool = False

    @property
    def run_first(self) -> int:
        """First sample of the first run in the record; 0 without a request."""
        if self.request is None:
            return 0
        return self._at_rate(run_start(self.request)) - self.first

    @property
    def is_stepped(self) -> bool:
        """Whether it tells levels alone: sines of several levels."""
        return self.request is not None and len(self.request.level_db) > 1

    def step_samples(self, *, first: int, last: int) -> slice:
        """Locate a step of the first run in the record's samples.

        Parameters
        ----------
        first, last : int
            Samples of the run, as in `SineStep`.

        Returns
        -------
        slice
            Cut to the record.
        """
        begin, end = (self.run_first + self._at_rate(n) for n in (first, last))
        return slice(max(0, begin), max(0, end))

    def _at_rate(self, samples: int) -> int:
        assert self.request is not None
        return round(samples * self.record.rate_hz / self.request.rate_hz)


@dataclass(frozen=True, slots=True, eq=False)
class InputReference:
    """The input to which noise, hum and overload are referred.

    Attributes
    ----------
    input_v : float
        The unit's input at 1 kHz [V rms].
    full_scale_v : float or None
        Of a sine at full scale on the stimulus [V rms]; ``None`` where it is not known: then full
        scale itself is the reference.
    network : NetworkEstimate
        The network.
    assumed_volts : bool
        Whether the stimulus is in volts by assumption.
    inputs_known : bool
        Whether the gain of one input re the other is known, by a reference or as both are stated.
    """

    input_v: float
    full_scale_v: float | None
    network: NetworkEstimate
    assumed_volts: bool = False
    inputs_known: bool = False

    @property
    def text(self) -> str:
        """What figures are relative to."""
        if self.full_scale_v is None:
            return "re a stimulus of full scale at 1 kHz"
        assumed = ", volts assumed," if self.assumed_volts else ""
        return f"re an input of {1e3 * self.input_v:.3g} mV{assumed} at 1 kHz"

    def beside(self, played: PlayedRecord) -> InputReference:
        """Take the scale of a record in volts, where none is stated.

        Parameters
        ----------
        played : PlayedRecord
            The record.

        Returns
        -------
        InputReference
            The reference for its figures.
        """
        known = self.full_scale_v is not None or not played.in_volts
        if known:
            return self
        return replace(self, full_scale_v=math.sqrt(0.5), assumed_volts=played.assumed_volts)

    def network_db(self, frequency_hz: float, stimulus_at: str) -> float:
        """Compute the level of the network from the stimulus to the unit's input.

        Parameters
        ----------
        frequency_hz : float
            Frequency [Hz].
        stimulus_at : str
            As in `TwoChannelRecord`; the drop of the source is passed over.

        Returns
        -------
        float
            Level [dB].
        """
        if stimulus_at == "input":
            return 0.0
        none = np.zeros(self.network.sources)
        log = network_log_response(self.network, none, np.array([frequency_hz]))
        return 20.0 / math.log(10.0) * float(log.real[0])

    def stimulus_db(self, stimulus_at: str) -> float:
        """Compute the peak level of the stimulus at 1 kHz that makes the stated input.

        Parameters
        ----------
        stimulus_at : str
            As in `TwoChannelRecord`.

        Returns
        -------
        float
            Level re full scale [dB]; 0 where the scale is not known.
        """
        if self.full_scale_v is None:
            return 0.0
        through = self.network_db(REFERENCE_FREQUENCY_HZ, stimulus_at)
        return 20.0 * math.log10(self.input_v / self.full_scale_v) - through

    def input_db(self, stimulus_db: float, *, frequency_hz: float, stimulus_at: str) -> float:
        """Compute the unit's input at a frequency re the reference.

        Parameters
        ----------
        stimulus_db : float
            Peak level of the stimulus re full scale [dB].
        frequency_hz : float
            Frequency [Hz].
        stimulus_at : str
            As in `TwoChannelRecord`.

        Returns
        -------
        float
            Level [dB].
        """
        rise = self.network_db(frequency_hz, stimulus_at) - self.network_db(
            REFERENCE_FREQUENCY_HZ, stimulus_at
        )
        return stimulus_db - self.stimulus_db(stimulus_at) + rise


def held_at_its_limit(samples: Floats) -> bool:
    """Tell whether a converter clipped: equal samples in a row at the largest value.

    Parameters
    ----------
    samples : numpy.ndarray of float, shape (samples,)
        A channel.

    Returns
    -------
    bool
        Whether its top or its bottom is held three times or more.
    """
    for end in (samples.max(), samples.min()):
        at_end = samples == end
        held = np.convolve(at_end, np.ones(_HELD), mode="valid") >= _HELD
        starts = int(np.count_nonzero(held[1:] & ~held[:-1])) + int(held[0])
        if starts >= _TIMES:
            return True
    return False
