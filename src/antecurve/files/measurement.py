"""The folder of a measurement: records as they are taken, and what they were taken with."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import FileFormatError
from antecurve.files.output_folder import write_file
from antecurve.files.played_signal import request_in, signal_comment
from antecurve.files.reading import read_text
from antecurve.files.sound import read_commented_sound, sound_bytes
from antecurve.quantities import format_quantity
from antecurve.results import Result, json_text
from antecurve.signals.request import SignalRequest
from antecurve.signals.signal import Signal, make_signal
from antecurve.sound.bench import Taken
from antecurve.sound.resistances import Resistances

__all__ = [
    "BYPASS",
    "STIMULUS",
    "UNIT",
    "Measurement",
    "MeasurementFolder",
    "read_measurement",
    "read_reference",
]

Floats = NDArray[np.float64]

BYPASS, UNIT, STIMULUS = "bypass.wav", "unit.wav", "stimulus.wav"
"""Names of the records in the folder."""
_ABOUT = "measurement.json"


@dataclass(frozen=True, slots=True)
class Measurement(Result):
    """What a measurement was taken with.

    Attributes
    ----------
    date : str
        When the reference was taken, as ISO 8601 has it.
    rate_hz : int
        Sampling rate [Hz].
    output : int
        Output that played.
    inputs : tuple of int
        Inputs that were recorded.
    resistances : Resistances
        Of the interface.
    software : str
        Name and version of this package.
    """

    FORMAT: ClassVar[str] = "antecurve-measurement-1"
    _keys: ClassVar = (
        "format:FORMAT", "date", "rate_hz", "output", "inputs", "resistances", "software",
    )  # fmt: skip

    date: str
    rate_hz: int
    output: int
    inputs: tuple[int, ...]
    resistances: Resistances
    software: str


@dataclass(frozen=True, slots=True)
class MeasurementFolder:
    """A folder that gets each file as soon as there is something to write.

    Attributes
    ----------
    path : Path
        The folder.
    written : list of str
        Names of the files that it got, in their order.
    """

    path: Path
    written: list[str] = field(init=False, default_factory=list)

    @property
    def has_reference(self) -> bool:
        """Whether a later measurement can use the reference."""
        return {BYPASS, _ABOUT} <= set(self.written)

    def keep(self, name: str, signal: Signal, record: Floats) -> None:
        """Write a record.

        Parameters
        ----------
        name : str
            Its name without a suffix.
        signal : Signal
            What was played.
        record : numpy.ndarray of float, shape (samples, inputs)
            What was recorded re full scale.

        Raises
        ------
        InputError
            When it can't be written.
        """
        comment = signal_comment(signal.request)
        self._write(
            f"{name}.wav", sound_bytes(record, rate_hz=signal.request.rate_hz, comment=comment)
        )

    def keep_stimulus(self, request: SignalRequest, stimulus: Floats) -> None:
        """Write the stimulus as the interface makes it.

        Parameters
        ----------
        request : SignalRequest
            The signal.
        stimulus : numpy.ndarray of float, shape (samples,)
            The EMF in the unit of the records.

        Raises
        ------
        InputError
            When it can't be written.
        """
        self._write(
            STIMULUS,
            sound_bytes(
                stimulus,
                rate_hz=request.rate_hz,
                comment=signal_comment(request, as_recorded=True),
                as_float=True,
            ),
        )

    def keep_facts(self, measurement: Measurement) -> None:
        """Write what the measurement was taken with.

        Parameters
        ----------
        measurement : Measurement
            Date, interface, resistances.

        Raises
        ------
        InputError
            When it can't be written.
        """
        self._write(_ABOUT, json_text(measurement).encode())

    def _write(self, name: str, content: bytes) -> None:
        write_file(self.path / name, content, force=True, more_follows=True)
        self.written.append(name)


def read_measurement(folder: Path) -> Measurement:
    """Read what an earlier measurement was taken with.

    Parameters
    ----------
    folder : Path
        Its folder.

    Returns
    -------
    Measurement
        Date, interface, resistances.

    Raises
    ------
    FileFormatError
        When it can't be read.
    """
    if not (folder / _ABOUT).is_file():
        rule = "name the folder of an earlier measurement"
        raise FileFormatError.unreadable(folder, f"it has no {_ABOUT}", rule)
    try:
        content = json.loads(read_text(folder / _ABOUT))
        if content.pop("format") != Measurement.FORMAT:
            raise ValueError("another format")
        return Measurement(
            **(content | {
                "inputs": tuple(content["inputs"]),
                "resistances": Resistances(**content["resistances"]),
            })
        )  # fmt: skip
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise FileFormatError.unreadable(
            folder / _ABOUT, str(error), "name the folder of an earlier measurement"
        ) from None


def read_reference(folder: Path, request: SignalRequest) -> tuple[Taken, Measurement]:
    """Read the reference of an earlier measurement.

    Parameters
    ----------
    folder : Path
        Its folder.
    request : SignalRequest
        The signal of this measurement: its kind, rate and length must be those of the reference.

    Returns
    -------
    tuple of Taken and Measurement
        The reference, and what it was taken with.

    Raises
    ------
    FileFormatError
        When it can't be read, or is of another signal.
    """
    about = read_measurement(folder)
    sound = read_commented_sound(folder / BYPASS)
    made = request_in(sound.comment)
    if made is None or _but_level(made) != _but_level(request):
        raise FileFormatError.unreadable(
            folder / BYPASS,
            f"a reference by {_in_words(made)} serves no measurement by {_in_words(request)}"
            if made is not None
            else "it does not say what was played",
            "measure by its signal, or take a new reference",
        )
    return Taken(make_signal(made), sound.samples), about


def _in_words(request: SignalRequest) -> str:
    rate = format_quantity(request.rate_hz, "Hz")
    return f"a {request.kind} signal of {request.seconds:g} s at {rate}"


def _but_level(request: SignalRequest) -> tuple[object, ...]:
    return (
        request.kind, request.rate_hz, request.seconds, request.frequency_hz, request.band_hz,
        request.repetitions, request.cue,
    )  # fmt: skip
