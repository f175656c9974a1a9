"""A sound interface by PortAudio."""

from __future__ import annotations

import queue
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import DropoutError, InputError, MissingExtraError
from antecurve.sound.interface import Device

__all__ = ["PortAudioInterface", "devices"]

Floats = NDArray[np.float64]

_LATENCY_S = 0.25  # of each direction: nobody listens, and a busy machine drops nothing
_TAIL_S = 0.6  # beyond the stated latency of both directions: a sound server delays by less
_PATIENCE_S = 5.0  # without a block: the interface has stopped
_CHOOSE = "antecurve measure --devices lists what there is"


def devices() -> tuple[Device, ...]:
    """List the devices of the sound system.

    Returns
    -------
    tuple of Device
        In the order of their numbers.

    Raises
    ------
    InputError
        When PortAudio is not installed.
    MissingExtraError
        When the package that uses it is not.
    """
    library = _library()
    usual = tuple(library.default.device)
    return tuple(
        Device(
            number,
            str(entry["name"]),
            int(entry["max_input_channels"]),
            int(entry["max_output_channels"]),
            float(entry["default_samplerate"]),
            " and ".join(
                word for word, own in zip(("input", "output"), usual, strict=True) if own == number
            ),
        )
        for number, entry in enumerate(library.query_devices())
    )


@dataclass(frozen=True, slots=True)
class PortAudioInterface:
    """A sound interface of the system, documented in `SoundInterface`.

    Attributes
    ----------
    rate_hz : int
        Sampling rate [Hz].
    output : int
        Output that plays, from 1.
    inputs : tuple of int
        Inputs that are recorded, from 1.
    output_device, input_device : int, str or None
        By number or name; ``None`` for the system's default.
    """

    rate_hz: int
    output: int = 1
    inputs: tuple[int, ...] = (1,)
    output_device: int | str | None = None
    input_device: int | str | None = None

    def check(self) -> None:
        """Check that devices, channels and rate exist.

        Raises
        ------
        InputError
            When they do not, or PortAudio is not installed.
        MissingExtraError
            When the package that uses it is not.
        """
        library = _library()
        played = ("output", self.output_device, self.output)
        for side, device, channel in (played, ("input", self.input_device, max(self.inputs))):
            _check_channel(library, side, device, channel)
        try:
            library.check_output_settings(self.output_device, self.output, "float32", None,
                                          self.rate_hz)  # fmt: skip
            library.check_input_settings(self.input_device, max(self.inputs), "float32", None,
                                         self.rate_hz)  # fmt: skip
        except (library.PortAudioError, ValueError) as error:
            raise InputError("sound interface", _said(error), _CHOOSE) from None

    def exchange(self, played: Floats) -> Iterator[Floats]:
        """Play samples and record, documented in `SoundInterface`.

        Raises
        ------
        InputError
            When the interface can't play or record; as a `DropoutError` when it lost samples.
        """
        library = _library()
        blocks: queue.SimpleQueue[tuple[Floats, bool]] = queue.SimpleQueue()
        channels, next_frame = [n - 1 for n in self.inputs], 0

        def turn(heard: Any, sounding: Any, count: int, _: Any, status: Any) -> None:
            nonlocal next_frame
            part = played[next_frame : next_frame + count]
            sounding[:] = 0.0
            sounding[: part.size, self.output - 1] = part
            # The first block begins before anything is ready.
            lost = next_frame > 0 and bool(status.input_overflow or status.output_underflow)
            blocks.put((heard[:, channels].astype(np.float64), lost))
            next_frame += count

        try:
            with library.Stream(
                samplerate=self.rate_hz, device=(self.input_device, self.output_device),
                channels=(max(self.inputs), self.output), dtype="float32", latency=_LATENCY_S,
                callback=turn,
            ) as stream:  # fmt: skip
                tail_s = sum(stream.latency) + _TAIL_S
                yield from _until(blocks, played.size + round(tail_s * self.rate_hz))
        except library.PortAudioError as error:
            raise InputError("sound interface", _said(error), _CHOOSE) from None


def _until(blocks: queue.SimpleQueue[tuple[Floats, bool]], samples: int) -> Iterator[Floats]:
    """The blocks of so many samples; then an error where some were lost."""
    received, gaps = 0, 0
    while received < samples:
        try:
            block, lost = blocks.get(timeout=_PATIENCE_S)
        except queue.Empty:
            raise InputError(
                "sound interface", f"no sound for {_PATIENCE_S:g} s",
                "check its plug, close other programs that use it, and measure again",
            ) from None  # fmt: skip
        yield block
        received, gaps = received + len(block), gaps + lost
    if gaps:
        raise DropoutError(
            "sound interface", f"{gaps} dropouts",
            "close other programs, enlarge the interface's buffer, and measure again",
        )  # fmt: skip


def _check_channel(library: Any, side: str, device: int | str | None, channel: int) -> None:
    """Refuse a device or a channel that is not there, before PortAudio complains of it."""
    try:
        described = library.query_devices(device, side)
    except (library.PortAudioError, ValueError):
        default = "none by default" if device is None else str(device)
        raise InputError(f"--{side}-device", default, f"no such {side}; {_CHOOSE}") from None
    channels = int(described[f"max_{side}_channels"])
    if channel > channels:
        raise InputError(
            f"--{side}-channel", channel, f"{described['name']} has {channels} {side}s"
        )


def _library() -> Any:
    """The package that uses PortAudio."""
    try:
        import sounddevice
    except ImportError:
        raise MissingExtraError("sound", "playing and recording") from None
    except OSError:
        raise InputError(
            "PortAudio", "not installed",
            "install the library: on Debian, apt install libportaudio2",
        ) from None  # fmt: skip
    return sounddevice


def _said(error: Exception) -> str:
    """What PortAudio says, in its first words."""
    return str(error.args[0]) if error.args else type(error).__name__
