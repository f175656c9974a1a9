"""Signals as files to play: written with what they are, and read back to judge a record."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import AntecurveError, FileFormatError
from antecurve.files.sound import read_commented_sound, sound_bytes
from antecurve.signals.request import SignalRequest
from antecurve.signals.signal import Signal

__all__ = ["PlayedSignal", "read_played_signal", "request_in", "signal_comment", "signal_wav"]

Floats = NDArray[np.float64]

_MARK = "antecurve-signal-1 "
_AS_RECORDED = " as recorded"


@dataclass(frozen=True, slots=True, eq=False)
class PlayedSignal:
    """A file that was played.

    Attributes
    ----------
    samples : numpy.ndarray of float, shape (samples,)
        Its channel re full scale.
    rate_hz : int
        Sampling rate [Hz].
    request : SignalRequest or None
        What it was made from; ``None`` for a file of another origin.
    as_recorded : bool
        Whether it is as an input recorded it, with network and unit bypassed.
    missing : str
        What is said of samples that its header states and the file lacks; empty for none.
    """

    samples: Floats
    rate_hz: int
    request: SignalRequest | None
    as_recorded: bool = False
    missing: str = ""


def signal_wav(signal: Signal) -> bytes:
    """Write a signal as WAV; its comment says what it was made from.

    Parameters
    ----------
    signal : Signal
        The signal.

    Returns
    -------
    bytes
        The file: one channel of 32 bits.
    """
    return sound_bytes(
        signal.samples, rate_hz=signal.request.rate_hz, comment=signal_comment(signal.request)
    )


def signal_comment(request: SignalRequest, *, as_recorded: bool = False) -> str:
    """Say in the comment of a file what its signal was made from.

    Parameters
    ----------
    request : SignalRequest
        The signal.
    as_recorded : bool, optional
        Whether it is as an input recorded it, with network and unit bypassed.

    Returns
    -------
    str
        In ASCII.
    """
    return _MARK + json.dumps(asdict(request)) + _AS_RECORDED * as_recorded


def read_played_signal(path: Path | str) -> PlayedSignal:
    """Read a file that was played.

    Parameters
    ----------
    path : Path or str
        WAV, FLAC or AIFF; of several channels they must hold the same.

    Returns
    -------
    PlayedSignal
        Its samples, and what it was made from.

    Raises
    ------
    FileFormatError
        When it can't be read, is silent, or its channels differ.
    """
    sound = read_commented_sound(path)
    first = sound.samples[:, 0]
    if not np.all(sound.samples == first[:, None]):
        raise FileFormatError(
            str(path), "channels that differ", "play and name a file with one channel"
        )
    if not np.ptp(first) > 0.0:
        raise FileFormatError(str(path), "silence", "name the file that was played")
    request = request_in(sound.comment)
    as_recorded = request is not None and sound.comment.endswith(_AS_RECORDED)
    return PlayedSignal(first, sound.rate_hz, request, as_recorded, sound.missing_text)


def request_in(comment: str) -> SignalRequest | None:
    """Read what a file was made from in its comment.

    Parameters
    ----------
    comment : str
        Comment of the file.

    Returns
    -------
    SignalRequest or None
        ``None`` for a comment of another origin.
    """
    mark, _, text = comment.partition(" ")
    if mark != _MARK.strip():
        return None
    try:
        fields = json.loads(text.removesuffix(_AS_RECORDED))
        lists = {k: tuple(v) for k, v in fields.items() if isinstance(v, list)}
        return SignalRequest(**(fields | lists))
    except (ValueError, TypeError, AttributeError, AntecurveError):
        return None
