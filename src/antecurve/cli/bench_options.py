"""What the options of a command say of generator, capture chain and captures."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from antecurve.cli.options import quantity

if TYPE_CHECKING:
    from antecurve.files.recordings import ReadingOptions
    from antecurve.judge.signal_path import CaptureChain, Generator

__all__ = [
    "ChainHigh",
    "ChainLow",
    "Flatness",
    "Limit",
    "Mains",
    "MeasuredValues",
    "Probe",
    "References",
    "RiseTime",
    "RiseTimeUncertainty",
    "Stimulus",
    "StimulusAt",
    "chain_of",
    "generator_of",
    "readings_of",
]

_Texts = Optional[list[str]]  # noqa: UP045

MeasuredValues = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option(metavar="VALUES.csv", help="Measured values of the network's parts."),
]
Limit = Annotated[str, typer.Option(metavar="DB", help="Largest deviation allowed.")]
RiseTime = Annotated[
    str, typer.Option(metavar="SECONDS", help="Generator's rise time, 10 to 90 %.")
]
RiseTimeUncertainty = Annotated[
    str, typer.Option(metavar="SECONDS", help="Its standard uncertainty.")
]
Flatness = Annotated[
    str, typer.Option(metavar="DB", help="Uncertainty (95 %) of the generator's sweep.")
]
ChainLow = Annotated[
    _Texts,
    typer.Option(metavar="HERTZ", help="Low corner of the capture chain; may be repeated."),
]
ChainHigh = Annotated[
    _Texts,
    typer.Option(metavar="HERTZ", help="High corner of the capture chain; may be repeated."),
]
Probe = Annotated[
    str, typer.Option(metavar="PERCENT", help="Uncertainty (95 %) of a probe's compensation.")
]
References = Annotated[
    Optional[list[Path]],  # noqa: UP045
    typer.Option(
        metavar="CAPTURE.csv",
        help="The same signal captured, unit bypassed, best without the network; one for each "
        "square-wave frequency.",
    ),
]
Mains = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option(metavar="HERTZ", help="Mains frequency, 50 or 60; by default told by hum."),
]
Stimulus = Annotated[
    _Texts,
    typer.Option(
        metavar="NUMBER|FILE",
        help="Channel with the signal before the unit, or the file that was played. The "
        "signal may then be any. One for all captures, or repeated, one for each.",
    ),
]
StimulusAt = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option(
        metavar="PLACE",
        help="Where that was taken: generator (by default with a channel), input (the "
        "unit's), or emf (by default with a file).",
    ),
]


def generator_of(rise_time: str, uncertainty: str, flatness: str) -> Generator:
    """Read what is known of the generator.

    Parameters
    ----------
    rise_time, uncertainty, flatness : str
        Texts of the options.

    Returns
    -------
    Generator
        The generator.
    """
    from antecurve.judge.signal_path import Generator

    return Generator(
        quantity(rise_time, "s", "--rise-time", zero=True),
        quantity(uncertainty, "s", "--rise-time-uncertainty", zero=True),
        quantity(flatness, "dB", "--flatness", zero=True),
    )


def chain_of(low: list[str], high: list[str], probe: str) -> CaptureChain:
    """Read what is known of the capture chain.

    Parameters
    ----------
    low, high : list of str
        Corners.
    probe : str
        Uncertainty of a probe's compensation.

    Returns
    -------
    CaptureChain
        The chain.
    """
    from antecurve.judge.signal_path import CaptureChain

    return CaptureChain(
        tuple(quantity(text, "Hz", "--chain-low") for text in low),
        tuple(quantity(text, "Hz", "--chain-high") for text in high),
        100.0 * quantity(f"{probe.rstrip('% ')} %", "%", "--probe", zero=True),
    )


def readings_of(
    stimuli: list[str] | None,
    *,
    channel: int | None,
    stimulus_at: str | None,
    time_unit: str | None,
    decimal: str | None,
    captures: int = 1,
    idle: int | None = None,
) -> tuple[ReadingOptions, ...]:
    """Say how each capture is read: with the one stimulus of all, or its own.

    Parameters
    ----------
    stimuli : list of str or None
        Channels or files that were played.
    channel, stimulus_at, time_unit, decimal
        As in `ReadingOptions`, for all captures.
    captures : int, optional
        Number of captures.
    idle : int or None, optional
        Channel with an idle output.

    Returns
    -------
    tuple of ReadingOptions
        One for each, or one for all.

    Raises
    ------
    InputError
        When there are neither one nor as many stimuli.
    """
    from dataclasses import replace

    from antecurve.errors import InputError
    from antecurve.files.recordings import ReadingOptions

    named = stimuli or []
    if len(named) > 1 and len(named) != captures:
        each = "give one" if captures == 1 else f"give one for all captures, or {captures}"
        raise InputError("--stimulus", ", ".join(named), each)
    plain = ReadingOptions(channel, None, stimulus_at, time_unit, decimal)
    readings = [
        replace(plain, stimulus=int(text), idle=idle)
        if text.isdecimal()
        else replace(plain, played=Path(text), idle=idle)
        for text in named
    ] or [replace(plain, idle=idle)]
    return tuple(readings * (captures if len(readings) == 1 else 1))
