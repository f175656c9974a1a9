"""Channels of a file made into a capture: a square wave, or a record beside its stimulus."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from antecurve.checked import checked
from antecurve.errors import FileFormatError, InputError
from antecurve.files.column_units import stated_unit
from antecurve.files.number_table import DECIMALS
from antecurve.files.played_signal import read_played_signal
from antecurve.files.sound import read_commented_sound
from antecurve.judge.capture import Capture
from antecurve.judge.interruption import is_sweep
from antecurve.judge.played_record import PlayedRecord, held_at_its_limit
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.two_channel import STIMULUS_AT, TwoChannelRecord
from antecurve.quantities import format_quantity
from antecurve.signals.alignment import laid_side_by_side
from antecurve.signals.cue import cue_position

__all__ = [
    "Channels",
    "ReadingOptions",
    "Recording",
    "evenly_spaced",
    "recorded",
    "sound_channels",
]

Floats = NDArray[np.float64]

_TIME_UNITS = ("s", "ms", "us", "µs", "ns")
_EVEN = 0.05  # of a step, by which printed times may be off
_SILENT = 1e-3  # of the largest channel: a channel that idles
_DROPOUT_S = 0.005  # of zeros: no signal through a unit stays at zero so long
_SOUNDS = 0.1  # of the stimulus's root mean square: it sounds, and is no pause
_ABOVE_NOISE = 0.1  # of the peak: hum and noise of a silence stay below
_LEAST_SILENCE_S = 0.1  # ten times what a sound interface adds by itself
_LEAST_SWEEP_S = 1.0  # four periods of 16 Hz in each quarter: alike in a square wave
_FULL_SCALE = 0.9999  # of a converter: 16 bits end at 32,767 of 32,768
_NO_UNIT = "; the file names no unit: state --units where V is wrong"
_WHERE = {"generator": "at the generator", "input": "at the unit's input", "emf": "as played"}


@checked
@dataclass(frozen=True, slots=True)
class ReadingOptions:
    """What the user states where a file leaves it open.

    Attributes
    ----------
    channel : int or None
        Channel with the unit's output, from 1.
    stimulus : int or None
        Channel with the signal before the unit, from 1; then it is a two-channel record.
    stimulus_at : str or None
        Where that is taken, as in `TwoChannelRecord`; ``None`` for the open-circuit voltage with
        a file, and the generator with a channel.
    time_unit : str or None
        Unit of the time column: s, ms, us or ns.
    decimal : str or None
        ``point`` or ``comma``.
    played : Path or None
        The file that was played, in place of a channel with the stimulus.
    idle : int or None
        Channel with the output of the unit's other channel, whose input idles.
    units : str or None
        Units of the columns of a table, in order, such as ``us,mV`` or ``Hz,dB,rad``; a dash
        leaves a column out.

    Raises
    ------
    InputError
        When a value is not one of these.
    """

    channel: int | None = None
    stimulus: int | None = None
    stimulus_at: str | None = None
    time_unit: str | None = None
    decimal: str | None = None
    played: Path | None = None
    idle: int | None = None
    units: str | None = None

    def __post_init__(self) -> None:
        for unit in (self.units or "").split(","):
            if unit.strip() != "-" and stated_unit(unit).quantity == "unknown":
                raise InputError("units", unit, "use units such as s, us, V, mV, 10V, Hz, dB, deg")
        for name in ("channel", "stimulus", "idle"):
            number = getattr(self, name)
            if number is not None and number < 1:
                raise InputError(name, number, "channels count from 1")
        if self.channel is not None and self.channel == self.stimulus:
            raise InputError("stimulus", self.stimulus, "the output has this channel; give another")
        if self.stimulus is not None and self.played is not None:
            raise InputError(
                "stimulus", self.stimulus, "name a channel or the file that was played"
            )
        if self.idle is not None and self.stimulus is None and self.played is None:
            raise InputError(
                "idle", self.idle,
                "crosstalk needs the stimulus: name its channel, or the file played",
            )  # fmt: skip
        if self.idle is not None and self.idle in (self.channel, self.stimulus):
            raise InputError("idle", self.idle, "it must be a channel of its own")
        for name, allowed in (
            ("stimulus_at", STIMULUS_AT),
            ("time_unit", _TIME_UNITS),
            ("decimal", tuple(DECIMALS)),
        ):
            value = getattr(self, name)
            if value is not None and value not in allowed:
                raise InputError(name, value, f"use one of {', '.join(allowed)}")


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """A capture and what was understood of its file.

    Attributes
    ----------
    capture : Capture
        The capture.
    understood : str
        One line, such as ``time in µs from column 1, channel 2 in V, 5,000 points at 1.25 MHz``.
    played : PlayedRecord or None
        A two-channel record with what is known of its signal.
    """

    capture: Capture
    understood: str
    played: PlayedRecord | None = None

    @property
    def signal(self) -> str | None:
        """Kind of the signal that was played; ``None`` where no file says."""
        request = None if self.played is None else self.played.request
        return None if request is None else request.kind


@dataclass(frozen=True, slots=True, eq=False)
class Channels:
    """Channels of evenly or unevenly sampled volts.

    Attributes
    ----------
    path : str
        The file.
    time_s : numpy.ndarray of float, shape (samples,)
        Times [s].
    volts : list of numpy.ndarray of float, shape (samples,)
        The channels [V], or re full scale.
    labels : list of str
        What is said of each channel's unit.
    origin : str
        What is said of the file.
    in_volts : bool
        Whether the channels are in volts.
    assumed : tuple of int
        Channels for which the file names no unit, from 1: volts are assumed.
    names : tuple of str
        What the file calls each channel, empty where it has no name.
    missing : str
        What is said of samples that its header states and the file lacks; empty for none.
    """

    path: str
    time_s: Floats
    volts: list[Floats]
    labels: list[str]
    origin: str
    in_volts: bool = True
    assumed: tuple[int, ...] = ()
    names: tuple[str, ...] = ()
    missing: str = ""

    def called(self, number: int) -> str:
        """Name a channel, with its heading where its number alone may mislead.

        Parameters
        ----------
        number : int
            The channel, from 1.

        Returns
        -------
        str
            Such as ``1``, or ``1 (ch2)`` where the file calls the first one so.
        """
        name = self.names[number - 1] if self.names else ""
        told = bool(re.search(r"\d", name)) or len(self.volts) > 1
        own = re.fullmatch(rf"(\D*[^\d.])?0*{number}", name) is not None
        return f"{number} ({name})" if name and told and not own else str(number)


def evenly_spaced(column: Floats) -> bool:
    """Tell whether numbers are evenly spaced.

    Parameters
    ----------
    column : numpy.ndarray of float, shape (rows,)
        The numbers.

    Returns
    -------
    bool
        Within a twentieth of a step.
    """
    steps = np.diff(column)
    return bool(np.all(np.abs(steps - steps.mean()) <= _EVEN * abs(steps.mean())))


def sound_channels(path: Path | str) -> Channels:
    """Read the channels of a sound file.

    Parameters
    ----------
    path : Path or str
        The file.

    Returns
    -------
    Channels
        Re full scale.

    Raises
    ------
    FileFormatError
        When it can't be read.
    MissingExtraError
        When the package that reads sound files is missing.
    """
    sound = read_commented_sound(path)
    time = np.arange(len(sound.samples)) / sound.rate_hz
    channels = list(sound.samples.T)
    labels = ["re full scale"] * len(channels)
    origin = f"sound file ({sound.missing_text})" if sound.missing_s else "sound file"
    return Channels(
        str(path), time, channels, labels, origin, in_volts=False, missing=sound.missing_text
    )


def recorded(channels: Channels, asked: ReadingOptions) -> Recording:
    """Make a capture of channels.

    Parameters
    ----------
    channels : Channels
        The channels of a file.
    asked : ReadingOptions
        What the file leaves open.

    Returns
    -------
    Recording
        A square wave of one channel, or a two-channel record where a stimulus is named.

    Raises
    ------
    InputError
        When the numbers can't be a capture; as a `FileFormatError` where the channel of the
        output is open.
    """
    name, size = Path(channels.path).name, channels.time_s.size
    output = _output_channel(channels, asked)
    _check_finite(channels, (output, asked.stimulus, asked.idle), name)
    rate = (size - 1) / float(np.ptp(channels.time_s)) if size > 1 else math.nan
    used = {output, asked.stimulus, asked.idle}
    assumed = not used.isdisjoint(channels.assumed)
    points = f"{size:,} points at {format_quantity(rate, 'Hz')}"
    points += _NO_UNIT if assumed else ""
    label = f"channel {channels.called(output)} {channels.labels[output - 1]}"
    if asked.channel is None and len(_candidates(channels, asked)) > 1:
        label += f", the only one of {len(channels.volts)} with a signal"
    volts = channels.volts[output - 1]
    if asked.stimulus is None and asked.played is None:
        _refuse_played(volts, rate, name, is_sound=not channels.in_volts)
        capture: Capture = SquareWaveCapture(channels.time_s, volts, name=name)
        return Recording(capture, f"{channels.origin}, {label}, {points}")
    if not evenly_spaced(channels.time_s):
        raise InputError(name, "times that are not evenly spaced", "two channels need even times")
    idle = None if asked.idle is None else channels.volts[asked.idle - 1]
    if asked.stimulus is not None and not channels.in_volts:
        _refuse_clipped(volts, name)
        _refuse_dropout(channels.volts[asked.stimulus - 1], volts, rate, name)
    if asked.stimulus is None:
        origin = f"{channels.origin}, {label}"
        beside = _beside_played(volts, idle, rate, asked, origin, name, in_volts=channels.in_volts)
        return _with_volts(beside, assumed=assumed) if channels.in_volts else beside
    at = asked.stimulus_at or "generator"
    stimulus = channels.volts[asked.stimulus - 1]
    record = TwoChannelRecord(rate, stimulus, volts, stimulus_at=at, name=name)
    words = f"stimulus {_WHERE[at]} on channel {channels.called(asked.stimulus)}"
    return Recording(
        record,
        f"{channels.origin}, {words}, output on {label}, {points}",
        PlayedRecord(
            record, idle=idle, in_volts=channels.in_volts, output_in_volts=channels.in_volts,
            assumed_volts=assumed,
        ),
    )  # fmt: skip


def _with_volts(recording: Recording, *, assumed: bool) -> Recording:
    """A record in volts beside a file that was played."""
    assert recording.played is not None
    played = replace(recording.played, output_in_volts=True, assumed_volts=assumed)
    understood = recording.understood + (_NO_UNIT if assumed else "")
    return replace(recording, understood=understood, played=played)


def _check_finite(channels: Channels, numbers: tuple[int | None, ...], name: str) -> None:
    """Refuse a channel with a sample that the instrument marks as out of range."""
    for number in numbers:
        if number is not None and not np.all(np.isfinite(channels.volts[number - 1])):
            row = int(np.flatnonzero(~np.isfinite(channels.volts[number - 1]))[0]) + 1
            raise InputError(
                f"{name}: channel {number}, sample {row}",
                "a sample out of range",
                "the instrument clipped; set a larger range or a smaller level, and capture again",
            )


def _refuse_played(samples: Floats, rate_hz: float, name: str, *, is_sound: bool) -> None:
    """Refuse a record of a played file without that file: silence is about its square wave."""
    advice = "name what was played: --stimulus FILE.wav, or --stimulus N for its channel"
    if is_sound and cue_position(samples, rate_hz, rising=True) is not None:
        raise InputError(name, "a test signal with the cue of its file", advice)
    beside = _silence_beside(samples, rate_hz) if is_sound else 0.0
    if beside:
        raise InputError(
            name, f"silence of {beside:.1f} s beside a signal",
            f"cut the record to a square wave that lasts, or {advice}",
        )  # fmt: skip
    if samples.size > _LEAST_SWEEP_S * rate_hz and is_sweep(samples, rate_hz):
        raise InputError(
            name, "a sweep or steps of a sine, where a square wave is needed", advice
        )  # fmt: skip


def _silence_beside(samples: Floats, rate_hz: float) -> float:
    """Seconds of silence before or behind a signal, longer than any within it; else 0."""
    loud = np.flatnonzero(np.abs(samples - samples.mean()) > _ABOVE_NOISE * np.abs(samples).max())
    beside = max(loud[0], samples.size - 1 - loud[-1]) if loud.size else 0
    within = int(np.diff(loud).max(initial=1))
    return beside / rate_hz if beside > max(_LEAST_SILENCE_S * rate_hz, 2 * within) else 0.0


def _refuse_clipped(samples: Floats, name: str) -> None:
    """Refuse a sound that stands at its full scale."""
    if float(np.abs(samples).max()) >= _FULL_SCALE and held_at_its_limit(samples):
        raise InputError(
            name, "a clipped record", "reduce the level at the interface's input and record again"
        )


def _refuse_dropout(stimulus: Floats, output: Floats, rate_hz: float, name: str) -> None:
    """Refuse a sound with zeros amid the signal: what a driver puts where it lost samples."""

    def loud(samples: Floats, part: slice) -> bool:
        return float(np.mean(samples[part] ** 2)) > _SOUNDS**2 * float(np.mean(samples**2))

    edges = np.flatnonzero(output)  # what is before the first and behind the last is silence
    gaps = np.flatnonzero(np.diff(edges) > _DROPOUT_S * rate_hz)
    beside = round(_DROPOUT_S * rate_hz)
    for first, last in zip(edges[gaps], edges[gaps + 1], strict=True):
        # A unit rings until it is silent: both channels may be zero, but not all at once.
        before, behind = slice(max(0, first - beside), first), slice(last, last + beside)
        both = loud(output, before) and loud(output, behind)
        if both or loud(stimulus, slice(first, last)):
            raise InputError(
                name, f"a dropout of {(last - first) / rate_hz:.3f} s at {first / rate_hz:.2f} s",
                "close other programs, enlarge the interface's buffer, and record again",
            )  # fmt: skip


def _beside_played(
    volts: Floats,
    idle: Floats | None,
    rate_hz: float,
    asked: ReadingOptions,
    origin: str,
    name: str,
    *,
    in_volts: bool,
) -> Recording:
    """A record of the unit's output beside the file that was played."""
    assert asked.played is not None
    file = read_played_signal(asked.played)
    beside = laid_side_by_side(
        file.samples, volts, played_hz=file.rate_hz, record_hz=rate_hz, name=name,
        clock_by_cues=True,
    )  # fmt: skip
    output = volts[beside.inside]
    stepped = file.request is not None and len(file.request.level_db) > 1
    if not (stepped or in_volts):
        _refuse_clipped(output, name)
        _refuse_dropout(beside.played, output, rate_hz, name)
    record = TwoChannelRecord(
        rate_hz, beside.played, output, stimulus_at=asked.stimulus_at or "emf", name=name,
        two_clocks=not beside.clock_told, from_file=True,
    )  # fmt: skip
    points = f"{output.size:,} points at {format_quantity(rate_hz, 'Hz')}"
    words = f"{asked.played.name} played from {format_quantity(beside.start_s, 's')} on"
    if beside.clock_ratio:
        millionths = 1e6 * abs(beside.clock_ratio)
        decimals = 1 if millionths < 10 else 0
        words += f", corrected for clocks that differ by {millionths:.{decimals}f} ppm"
    if file.request is not None and not file.request.cue:
        words += ", without a cue: one clock must have played and recorded it"
    words += f"; of the played file {file.missing}" if file.missing else ""
    other = None if idle is None else idle[beside.inside]
    return Recording(
        record,
        f"{origin}, {words}, {points}",
        PlayedRecord(
            record,
            file.request,
            beside.first,
            other,
            from_one_input=file.as_recorded and not in_volts,
        ),
    )


def _output_channel(channels: Channels, asked: ReadingOptions) -> int:
    """The channel of the unit's output: stated, or the only one that it can be."""
    count = len(channels.volts)
    for option, number in (
        ("--channel", asked.channel),
        ("--stimulus", asked.stimulus),
        ("--idle-channel", asked.idle),
    ):
        if number is not None and number > count:
            listed = ", ".join(map(channels.called, range(1, count + 1)))
            there = f"channels of {channels.path}: {count}"
            raise InputError(option, number, there if listed.isdigit() else f"{there}: {listed}")
    if count == 1 and asked.stimulus is not None:
        raise InputError(
            channels.path, "one channel where two are needed",
            "record the stimulus on the other, or name the file that was played with "
            "--stimulus FILE.wav",
        )  # fmt: skip
    if asked.channel is not None:
        return asked.channel
    candidates = _candidates(channels, asked)
    swing = {k: _swing(v) for k, v in enumerate(channels.volts, 1)}
    loud = [k for k in candidates if swing[k] > _SILENT * max(swing.values())]
    if len(loud) == 1:
        return loud[0]
    if len(candidates) == 1:
        return candidates[0]
    if not loud:
        beside = "" if len(candidates) == count else " beside the stimulus"
        raise FileFormatError(
            channels.path, f"no channel with a signal{beside}",
            "check the unit's supply, the leads and the input range",
        )  # fmt: skip
    of = f"{len(loud)} of {count}" if len(loud) < len(candidates) == count else f"{len(loud)}"
    raise FileFormatError(
        channels.path,
        f"{of} channels with a signal: {', '.join(map(channels.called, loud))}",
        "state the unit's output with --channel N, or with --stimulus N the channel that holds "
        "the signal before the unit",
    )


def _swing(samples: Floats) -> float:
    """The largest departure from the mean, 0 where every sample is out of range."""
    finite = samples[np.isfinite(samples)]
    return float(np.abs(finite - finite.mean()).max()) if finite.size else 0.0


def _candidates(channels: Channels, asked: ReadingOptions) -> list[int]:
    """Channels that may hold the unit's output, from 1."""
    numbers = range(1, len(channels.volts) + 1)
    return [k for k in numbers if k not in (asked.stimulus, asked.idle)]
