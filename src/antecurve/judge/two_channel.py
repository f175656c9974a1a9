"""Two-channel records: the signal before or behind the network, and the unit's output."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, inverse_response
from antecurve.errors import InputError
from antecurve.judge.capture import Capture, DirectResponse, Levels, ObservationSettings
from antecurve.judge.channel_alignment import aligned_channels
from antecurve.judge.channel_clipping import refuse_clipped_output, refuse_clipped_stimulus
from antecurve.judge.clicks import both_jump, click_window, isolated_click, starts_or_stops
from antecurve.judge.columns import ascending_column, equal_columns, finite_column
from antecurve.judge.interruption import (
    CLICK,
    is_sweep,
    refuse_interrupted_sweep,
    refuse_jumps,
    refuse_parts_amiss,
    refuse_unexplained,
)
from antecurve.judge.network_estimate import NetworkEstimate, network_log_response
from antecurve.judge.record import limit_share, quantisation_step
from antecurve.judge.response_estimate import (
    Channels,
    ResponseEstimate,
    measured_response,
    rate_problem,
)
from antecurve.judge.spectral_filter import Response, quiet_samples
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.stimulus_noise import noise_ceiling
from antecurve.judge.stimulus_place import STIMULUS_AT, source_drop, stimulus_question
from antecurve.judge.sweep_phase import refuse_unlike_phase
from antecurve.judge.two_channel_observation import (
    TwoChannelObservation,
    band_frequencies,
    bands_tell_clocks,
    noise_counts,
)
from antecurve.quantities import DB_PER_NEPER, check_number

if TYPE_CHECKING:
    from antecurve.judge.deviation import Deviation

__all__ = ["LARGEST_RECORD", "STIMULUS_AT", "TwoChannelRecord"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

LARGEST_RECORD = 20_000_000
"""Most samples of a channel: 100 s at 192 kHz; the transforms then take 2 GB."""

_FAINTEST, _LOUDEST = 1e-30, 1e30  # whose squares a float holds, far beyond volts and counts
_LEAST_SAMPLES = 4096  # bands of twelve lines from 10 Hz up at the lowest rate of a sound file
_UNEVEN = 0.01  # of a sampling interval; printed times are rounded
_ALIKE = 1e-8  # of the power: a network of preferred values alone leaves ten times as much
_ROUNDS_OF_CLICKS = 4  # each finds one, and tells those before it better
_SWAPPED = 3.0  # times straighter the other way round
_LOUD = 0.1  # of the peak: no silence
_COURSE = 0.3  # of the mean: deviation of a sine 0.48; a square wave with droop has 0.2
_TELLS_ORDER = 0.35  # neper, 3 dB: a path flatter than that turned round is a unit's own top


@checked
@dataclass(frozen=True, slots=True, eq=False)
class TwoChannelRecord(Capture):
    """A stimulus of any kind and the unit's output, recorded at once.

    Attributes
    ----------
    rate_hz : float
        Sampling rate [Hz], above 0.
    stimulus : numpy.ndarray of float, shape (samples,)
        The signal before the unit, in any unit.
    volts : numpy.ndarray of float, shape (samples,)
        The unit's output [V], or in the stimulus's unit; offset, delay and polarity do not matter.
    stimulus_at : str
        One of `STIMULUS_AT`.
    name : str
        How messages call it, such as the name of the file.
    two_clocks : bool
        Whether another clock than the record's may have played the stimulus.
    from_file : bool
        Whether the stimulus is a file that was played: then the capture chain does not cancel.

    Raises
    ------
    InputError
        When a value is not finite, a channel is silent, or there are fewer than 4,096 samples or
        more than `LARGEST_RECORD`.
    """

    kind: ClassVar[str] = "two-channel record"
    kind_in_files: ClassVar[str] = "two-channel"
    known_columns: ClassVar[tuple[str, ...]] = ("time_s", "stimulus", "volts")
    columns_rule: ClassVar[str] = "time_s, stimulus, volts"

    rate_hz: float
    stimulus: Floats
    volts: Floats
    stimulus_at: str = "generator"
    name: str = "record"
    two_clocks: bool = False
    from_file: bool = False

    def __post_init__(self) -> None:
        check_number(self.rate_hz, field=f"{self.name}: sampling rate", unit="Hz")
        stimulus, volts = equal_columns(self.name, stimulus=self.stimulus, volts=self.volts)
        if self.stimulus_at not in STIMULUS_AT:
            raise InputError(
                "stimulus_at", self.stimulus_at, f"use one of {', '.join(STIMULUS_AT)}"
            )
        if not _LEAST_SAMPLES <= volts.size <= LARGEST_RECORD:
            raise InputError(
                self.name,
                f"{volts.size:,} samples",
                f"from {_LEAST_SAMPLES:,} to {LARGEST_RECORD:,} are judged; ten seconds are good",
            )
        _check_signals(stimulus, volts, self.name)
        object.__setattr__(self, "stimulus", stimulus)
        object.__setattr__(self, "volts", volts)

    @classmethod
    def fits(cls, header: Collection[str]) -> bool:
        """Tell whether there are times and two channels, documented in `Capture`."""
        return set(header) == set(cls.known_columns)

    @classmethod
    def from_columns(cls, columns: Mapping[str, Floats], name: str) -> Self:
        """Make a record of the columns of a file, documented in `Capture`."""
        time = finite_column(columns["time_s"], "time_s", name)
        ascending_column(time, columns["volts"], name="time_s", other_name="volts", capture=name)
        step = float(np.ptp(time)) / max(1, time.size - 1)
        uneven = np.abs(time - time[0] - step * np.arange(time.size)) > _UNEVEN * step
        if np.any(uneven):
            row = int(np.argmax(uneven)) + 1
            raise InputError(
                f"{name}: time_s, data row {row}",
                float(time[row - 1]),
                "two channels need evenly spaced times; record without gaps",
            )
        return cls(1.0 / step, columns["stimulus"], columns["volts"], name=name)

    @property
    def highest_seen_hz(self) -> float:
        """Infinite [Hz]: levels tell a corner beyond the highest frequency."""
        return math.inf

    def reach_problem(self, band_hz: tuple[float, float]) -> InputError | None:
        """Say why the sampling is too coarse, documented in `Capture`."""
        return rate_problem(self.rate_hz, band_hz, field=f"{self.name}: sampling rate")

    def saturation_text(self) -> str:
        """Say when a channel stands at its limits, documented in `Capture`."""
        for channel, values in (("stimulus", self.stimulus), ("output", self.volts)):
            share = limit_share(values)
            if share > 0.0 and np.unique(values[:_LEAST_SAMPLES]).size > 16:
                return (
                    f"{self.name}: the {channel} is at its limit for {100.0 * share:.1g} % of the "
                    "samples. Reduce the level or set a larger range, and record again"
                )
        if not self._is_square:
            return ""
        square = self._square(self.volts)
        return square.saturation_text() if square else ""

    def _square(self, channel: Floats) -> SquareWaveCapture | None:
        """A square wave where it sounds, by itself; ``None`` where it is in no volts."""
        sounds = channel[slice(*self._ends())]
        time = np.arange(sounds.size) / self.rate_hz
        try:
            return SquareWaveCapture(time, sounds, name=self.name)
        except InputError:  # counts of a converter, of which a capture by itself is refused
            return None

    @property
    def _is_square(self) -> bool:
        """Whether the stimulus stands at one of two levels nearly all the time."""
        size = np.abs(self.stimulus - self.stimulus.mean())
        sounds = size[size > _LOUD * size.max()]
        return bool(np.std(sounds) < _COURSE * np.mean(sounds))

    def observation(self, settings: ObservationSettings) -> TwoChannelObservation:
        """Estimate the response between the channels, documented in `Capture`."""

        self._refuse_equal()
        flattening = self._from_stimulus(settings.network, partial(self._nominal, settings))
        channels = self._aligned(flattening)
        channels, estimate, clicks_s = self._checked(channels, flattening, settings.highest_hz)
        two_clocks = self.two_clocks or channels.alignment.clock_ratio != 0.0
        counts = noise_counts(estimate)
        return TwoChannelObservation(
            self,
            channels,
            partial(self._from_stimulus, settings.network),
            partial(self._nominal, settings),
            settings.highest_hz,
            estimate,
            self._nominal(settings, band_frequencies(estimate)),
            estimate.noise_share / 2.0 * counts,
            clicks_s=clicks_s,
            clock_is_free=two_clocks and bands_tell_clocks(channels, estimate),
            noise_is_free=counts,
            reference=settings.reference_for(self, needed=False),
        )

    @classmethod
    def direct_responses(
        cls, references: Sequence[Self], highest_hz: float, through: NetworkEstimate
    ) -> tuple[DirectResponse, ...]:
        """Estimate the response between the channels, documented in `Capture`."""
        if len(references) > 1:
            names = ", ".join(r.name for r in references)
            raise InputError("reference", names, "one two-channel record serves all; give one")
        return tuple(r._bypassed(highest_hz, through) for r in references)

    def _bypassed(self, highest_hz: float, through: NetworkEstimate) -> DirectResponse:
        """The response with the unit bypassed, straight or through the network."""
        if np.array_equal(self.stimulus, self.volts):
            raise InputError(
                f"reference {self.name}",
                "two channels that hold the same samples",
                "two inputs never do; record both inputs, or judge without a reference",
            )

        def straight(frequency_hz: Floats) -> Complex:
            return np.ones(frequency_hz.shape, dtype=complex)

        path = partial(network_log_response, through, np.zeros(through.sources))
        channels, estimate, _ = self._checked(self._aligned(straight), straight, highest_hz)
        middle = estimate.middle_hz
        level, total = np.log(np.abs(estimate.ratio)), np.zeros(middle.size, dtype=complex)
        if np.std(level - path(middle).real) < np.std(level):
            flattening = self._from_stimulus(through, path)
            channels, estimate, _ = self._checked(self._aligned(flattening), flattening, highest_hz)
            middle = estimate.middle_hz
            total = path(middle)
        return DirectResponse(
            middle,
            estimate.log_ratio + total,
            estimate.variance,
            estimate.noise_error[None, :].astype(complex),
            gain_told=True,
            polarity=channels.alignment.polarity,
        )

    def _aligned(self, flattening: Response) -> Channels:
        sweep = is_sweep(self.stimulus, self.rate_hz)
        if sweep:
            self._check_edges()
        channels = aligned_channels(
            self.stimulus,
            self.volts,
            rate_hz=self.rate_hz,
            flattening=flattening,
            sweep=sweep,
            name=self.name,
        )
        noise = 0.0 if self.from_file else noise_ceiling(self.stimulus, self.rate_hz)
        return replace(channels, from_file=self.from_file, stimulus_noise=noise)

    def _nominal(self, settings: ObservationSettings, frequency_hz: Floats) -> Complex:
        """ln of the path from EMF, or from the unit's input, with ideal playback."""
        total = np.log(inverse_response(settings.curve, frequency_hz, published=True))
        if self.stimulus_at == "input":
            return np.asarray(total)
        none = np.zeros(settings.network.sources)
        return np.asarray(total + network_log_response(settings.network, none, frequency_hz))

    def turned_round(self) -> TwoChannelRecord:
        """Swap the channels, documented in `Capture`."""
        return replace(self, stimulus=self.volts, volts=self.stimulus)

    def question(self, network: NetworkEstimate, deviation: Deviation, limit_db: Floats) -> str:
        """Ask where the stimulus was recorded, or what flat tops are, documented in `Capture`."""
        asked = stimulus_question(
            self.name,
            self.stimulus_at,
            network=network,
            deviation=deviation,
            limit_db=limit_db,
        )
        if asked or not self._is_square:
            return asked
        # Flat tops of what droops before the unit are those of channels that are swapped.
        squares = [self._square(channel) for channel in (self.volts, self.stimulus)]
        texts = [s.question(network, deviation, limit_db) if s else "" for s in squares]
        return texts[0] if all(texts) else ""

    def network_levels(self, network: NetworkEstimate, band_hz: tuple[float, float]) -> Levels:
        """Estimate the levels of a network by itself, documented in `Capture`."""
        if self.stimulus_at == "input":
            rule = "the output of a network is its load; record the generator, or name what played"
            raise InputError(f"{self.name}: stimulus_at", self.stimulus_at, rule)
        path = partial(network_log_response, network, np.zeros(network.sources))
        self._refuse_equal()
        flattening = self._from_stimulus(network, path)
        estimate = self._aligned(flattening).estimate(flattening, highest_hz=band_hz[1])
        self._check_order(estimate, flattening)
        middle, ratio = estimate.middle_hz, estimate.log_ratio.real
        if _SWAPPED * np.std(ratio + path(middle).real) < np.std(ratio):
            raise InputError(
                self.name,
                "an output that is flat where the network is not: that of a unit",
                "take the unit out and record the network's own output, with its load",
            )
        inside = middle >= band_hz[0]
        level = DB_PER_NEPER * (ratio + path(middle).real)
        # An error that all bands share: each has as much as leaves it to their mean.
        shared = middle.size * estimate.noise_error**2
        deviation = DB_PER_NEPER * np.sqrt(estimate.variance + shared)
        off = DB_PER_NEPER * ratio
        at = float(np.interp(np.log(REFERENCE_FREQUENCY_HZ), np.log(middle), off))
        return Levels(middle[inside], level[inside], deviation[inside], at)

    def _from_stimulus(self, known: NetworkEstimate, path: Callable[[Floats], Complex]) -> Response:
        """The response from the stimulus whose path from the EMF has a logarithm.

        At the generator's terminals the stimulus is the EMF less the drop of the source.
        """
        if self.stimulus_at != "generator":
            return lambda frequency_hz: np.exp(path(frequency_hz))

        def response(frequency_hz: Floats) -> Complex:
            return np.asarray(np.exp(path(frequency_hz)) * source_drop(known, frequency_hz))

        return response

    def _check_order(self, estimate: ResponseEstimate, flattening: Response) -> None:
        """Refuse channels that are the wrong way round, where the response tells."""
        level = np.log(np.abs(estimate.ratio))
        path = np.log(np.abs(flattening(estimate.middle_hz)))
        other = level + 2.0 * path
        if np.std(path) < _TELLS_ORDER:
            return
        if _SWAPPED * np.std(other) < np.std(level):
            raise InputError(
                self.name,
                "the output looks like the stimulus and the stimulus like the output",
                "the channels are the wrong way round; name the other one as stimulus",
            )

    def _refuse_equal(self) -> None:
        """Refuse channels that hold one signal; beside a file a straight loop is no wrong wire."""
        one, other = (x - x.mean() for x in (self.stimulus, self.volts))
        gain = float(one @ other) / float(one @ one)
        difference = other - gain * one
        alike = float(difference @ difference) < _ALIKE * float(other @ other)
        if alike and not self.from_file:
            raise InputError(
                self.name,
                "two channels that hold the same signal",
                "record the stimulus on one channel and the unit's output on the other",
            )

    def _check_edges(self) -> None:
        """Refuse a sweep that begins or ends at the edge of the record: its ends can't be told."""
        stimulus, output = (
            all(quiet_samples(end, self.rate_hz) for end in (channel, channel[::-1]))
            for channel in (self.stimulus, self.volts)
        )
        if stimulus:
            return
        if output:
            raise InputError(
                f"{self.name}: stimulus",
                "a sweep with more noise about it than the output has",
                "where the channels are the wrong way round, name the other one as stimulus",
            )
        ends = (self.stimulus, self.stimulus[::-1])
        if all(quiet_samples(end, self.rate_hz, noisy=True) for end in ends):
            raise InputError(
                f"{self.name}: stimulus",
                "a sweep with noise before it or after it, less than 60 dB below its peak",
                "raise the level of that channel, and record again",
            )
        raise InputError(
            f"{self.name}: stimulus",
            "a sweep at the edge of the record",
            "leave a tenth of a second of silence before the sweep and after it",
        )

    def _checked(
        self, channels: Channels, flattening: Response, highest_hz: float
    ) -> tuple[Channels, ResponseEstimate, tuple[float, ...]]:
        """Check channels by what the estimate between them explains, clicks left out.

        Returns
        -------
        tuple
            Channels without clicks, the estimate, and the times of the clicks [s].
        """
        two_clocks = self.two_clocks or channels.alignment.clock_ratio != 0.0
        estimate = channels.estimate(flattening, highest_hz=highest_hz, timed=two_clocks)
        self._check_order(estimate, flattening)
        measured = measured_response(estimate, flattening)
        explained, output = channels.waveforms(measured)
        stimulus = channels.stimulus
        told = channels.before(output, measured)
        alike = channels.alike_below(explained, output)
        refuse_parts_amiss(output, alike, rate_hz=self.rate_hz, name=self.name)
        refuse_unexplained(output, alike, name=self.name)
        refuse_clipped_output(
            *channels.as_sampled(alike),
            square=self._is_square,
            step=quantisation_step(self.volts),
            rate_hz=self.rate_hz,
            name=self.name,
        )
        places: list[int] = []
        cleared, recorded = channels, output
        for _ in range(_ROUNDS_OF_CLICKS):
            missed = (output - explained, stimulus - told)
            places = sorted({*places, *self._clicks(missed, stimulus, output)[:1]})
            if not places:
                break
            window = click_window(places, output.size, rate_hz=self.rate_hz)
            cleared = channels.replaced(window * (explained - recorded))
            estimate = cleared.estimate(flattening, highest_hz=highest_hz, timed=two_clocks)
            measured = measured_response(estimate, flattening)
            explained, output = cleared.waveforms(measured)
            told = cleared.before(output, measured)
            alike = cleared.alike_below(explained, output)
        self._check_whole(cleared, estimate, alike, output)
        told = channels.alike_below(told, stimulus)
        refuse_clipped_stimulus(stimulus, told, sweep=channels.sweep, name=self.name)
        return cleared, estimate, tuple(at / self.rate_hz for at in places)

    def _clicks(self, missed: Sequence[Floats], stimulus: Floats, output: Floats) -> list[int]:
        """Samples of clicks on the output, and on the stimulus as the output tells it."""
        places = (isolated_click(m, self.rate_hz) for m in missed)
        return [
            at
            for at in places
            if at is not None
            and not both_jump(stimulus, output, at, rate_hz=self.rate_hz)
            and not starts_or_stops(stimulus, at, rate_hz=self.rate_hz)
        ]

    def _check_whole(
        self, channels: Channels, estimate: ResponseEstimate, explained: Floats, output: Floats
    ) -> None:
        """Refuse a record that was clipped or interrupted, by phases of a sweep or by a jump."""
        sweep = channels.sweep
        if sweep:
            middle = estimate.middle_hz
            refuse_interrupted_sweep(
                middle, estimate.ratio, estimate.variance, rate_hz=self.rate_hz, name=self.name
            )
        # Where a sweep stops, what lies beyond the bands is no jump.
        edges = [at for at in self._ends() if 0 < at < output.size]
        ends = click_window(edges, output.size, rate_hz=self.rate_hz)
        output = output + ends * (explained - output)
        refuse_jumps(output, explained, rate_hz=self.rate_hz, click=CLICK[sweep], name=self.name)
        if sweep:
            refuse_unlike_phase(middle, estimate.ratio, estimate.variance, name=self.name)

    def _ends(self) -> tuple[int, int]:
        """Samples at which the stimulus begins and ends, silence about it left out."""
        before = quiet_samples(self.stimulus, self.rate_hz)
        behind = quiet_samples(self.stimulus[::-1], self.rate_hz)
        return before, self.stimulus.size - behind


def _check_signals(stimulus: Floats, volts: Floats, name: str) -> None:
    for channel, values in (("stimulus", stimulus), ("output", volts)):
        if np.ptp(values) < _FAINTEST:
            raise InputError(
                f"{name}: {channel}", "silence", "check the leads, the levels and the supply"
            )
        largest = float(np.abs(values).max())
        if largest > _LOUDEST:
            rule = f"values up to {_LOUDEST:g} are judged; check the scale of the channel"
            raise InputError(f"{name}: {channel}", largest, rule)
