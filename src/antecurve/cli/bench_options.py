"""Options that say what is known of generator, capture chain and captures."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

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
]

_Texts = Optional[list[str]]  # noqa: UP045

MeasuredValues = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option(metavar="VALUES.csv", help="Measured values of the network's parts."),
]
Limit = Annotated[str, typer.Option(metavar="DB", help="Largest deviation allowed, up or down.")]
RiseTime = Annotated[
    str, typer.Option(metavar="SECONDS", help="Rise time of the generator, 10 to 90 %.")
]
RiseTimeUncertainty = Annotated[
    str, typer.Option(metavar="SECONDS", help="Standard uncertainty of that rise time.")
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
        help="The same signal captured with the unit bypassed, best without the network. Give one "
        "for each square-wave frequency, and one for all records with a stimulus.",
    ),
]
Mains = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option(metavar="HERTZ", help="Mains frequency, 50 or 60; by default read from the hum."),
]
Stimulus = Annotated[
    _Texts,
    typer.Option(
        metavar="NUMBER|FILE",
        help="Channel that holds the signal before the unit, or the file that was played. Any "
        "signal will do then. Give one for all captures, or one for each.",
    ),
]
StimulusAt = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option(
        metavar="PLACE",
        help="Where the stimulus was taken: generator (default for a channel), input (of the "
        "unit), or emf (default for a file).",
    ),
]
