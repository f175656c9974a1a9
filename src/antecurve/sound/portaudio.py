"""A sound interface by PortAudio."""

from __future__ import annotations

import os
import queue
import sys
import tempfile
from collections.abc import Callable, Generator, Iterator
from contextlib import contextmanager
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
_STDERR = 2  # the stream that PortAudio and ALSA write to themselves, whatever Python has for it
_CHOOSE = "antecurve measure --devices lists what there is"
_CHECK_PLUG = "check its plug, close other programs that use it, and measure again"


def devices() -> tuple[Device, ...]:
    """List the devices of the sound system.

    Returns
    -------
    tuple of Device
        In the order of their numbers.

    Raises
    ------
    InputError
        When there is none, or PortAudio is not installed.
    MissingExtraError
        When the package that uses it is not.
    """
    library = _library()
    listed, usual = _listed(library), tuple(library.default.device)
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
        for number, entry in enumerate(listed)
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
        _listed(library)
        played = ("output", self.output_device, self.output)
        for side, device, channel in (played, ("input", self.input_device, max(self.inputs))):
            _check_channel(library, side, device, channel)
        with _library_heard():
            try:
                library.check_output_settings(self.output_device, self.output, "float32", None,
                                              self.rate_hz)  # fmt: skip
                library.check_input_settings(self.input_device, max(self.inputs), "float32", None,
                                             self.rate_hz)  # fmt: skip
            except (library.PortAudioError, ValueError) as error:
                raise InputError.without_value("sound interface", _said(error), _CHOOSE) from error

    def exchange(self, played: Floats) -> Generator[Floats, None, None]:
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

        with _library_heard():
            try:
                with library.Stream(
                    samplerate=self.rate_hz, device=(self.input_device, self.output_device),
                    channels=(max(self.inputs), self.output), dtype="float32", latency=_LATENCY_S,
                    callback=turn,
                ) as stream:  # fmt: skip
                    tail_s = sum(stream.latency) + _TAIL_S
                    count = played.size + round(tail_s * self.rate_hz)
                    yield from _until(blocks, count, lambda: bool(stream.active))
            except library.PortAudioError as error:
                raise InputError.without_value(
                    "sound interface", _said(error), f"check its plug; {_CHOOSE}"
                ) from error


def _until(
    blocks: queue.SimpleQueue[tuple[Floats, bool]], samples: int, active: Callable[[], bool]
) -> Iterator[Floats]:
    """The blocks of so many samples; then an error where some were lost."""
    received, gaps, waited_s = 0, 0, 0.0
    while received < samples:
        try:
            block, lost = blocks.get(timeout=_LATENCY_S)
        except queue.Empty:
            waited_s += _LATENCY_S
            if not active():
                raise DropoutError.without_value(
                    "sound interface", "it stopped while it played", _CHECK_PLUG
                ) from None
            if waited_s >= _PATIENCE_S:
                raise InputError.without_value(
                    "sound interface", f"no sound for {_PATIENCE_S:g} s", _CHECK_PLUG
                ) from None
            continue
        yield block
        received, gaps, waited_s = received + len(block), gaps + lost, 0.0
    if gaps:
        raise DropoutError.without_value(
            "sound interface", f"it lost samples {gaps} times" if gaps > 1 else "it lost samples",
            "close other programs, enlarge the interface's buffer, and measure again",
        )  # fmt: skip


@contextmanager
def _library_heard() -> Iterator[None]:
    """Keep what PortAudio and ALSA print on stderr, and note it on the error that comes of it.

    They write there whatever happens; where all goes well it tells nobody anything.
    """
    if sys.stderr is not None:
        sys.stderr.flush()
    try:
        terminal = os.dup(_STDERR)
    except OSError:  # closed: nobody hears them
        yield
        return
    with tempfile.TemporaryFile() as heard:
        os.dup2(heard.fileno(), _STDERR)
        try:
            yield
        except InputError as error:
            heard.seek(0)
            lines = heard.read().decode(errors="replace").strip()
            if lines:
                error.add_note(f"The sound system said:\n{lines}")
            raise
        finally:
            os.dup2(terminal, _STDERR)
            os.close(terminal)


def _listed(library: Any) -> tuple[Any, ...]:
    """What devices there are, one or more."""
    with _library_heard():
        listed = tuple(library.query_devices())
    if not listed:
        raise InputError.without_value(
            "sound interface", "none found", "plug one in, and start the sound server"
        )
    return listed


def _check_channel(library: Any, side: str, device: int | str | None, channel: int) -> None:
    """Refuse a device or a channel that is not there, before PortAudio complains of it."""
    try:
        described = library.query_devices(device, side)
    except (library.PortAudioError, ValueError):
        if device is None:
            raise InputError.without_value(
                f"--{side}-device", f"the system has no {side} by default", _CHOOSE
            ) from None
        raise InputError(f"--{side}-device", str(device), f"no such {side}; {_CHOOSE}") from None
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
