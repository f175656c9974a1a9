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
