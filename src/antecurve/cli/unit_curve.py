"""Options that state the curve that a unit is set to."""

from __future__ import annotations

from typing import Annotated, Optional

import typer

__all__ = [
    "JudgedCurve",
    "UnitCurve",
    "UnitCut",
    "UnitPoles",
    "UnitShelf",
    "UnitTurnover",
    "UnitZeros",
]

_Text = Optional[str]  # noqa: UP045
UnitCurve = Annotated[
    _Text,
    typer.Option(
        metavar="NAME", help="Curve that the unit is set to; by default the network's own."
    ),
]
JudgedCurve = Annotated[
    _Text,
    typer.Option(
        metavar="NAME",
        help="Curve that the unit is set to, or guess to name it; by default the network's own.",
    ),
]
UnitZeros = Annotated[
    _Text,
    typer.Option(
        metavar="TIMES", help="Zeros of that curve, instead of a name, such as '3180 us, 75 us'."
    ),
]
UnitPoles = Annotated[
    _Text, typer.Option(metavar="TIMES", help="Poles of that curve, with --unit-zeros.")
]
UnitTurnover = Annotated[
    _Text, typer.Option(metavar="HERTZ", help="Turnover of that curve, instead of a name.")
]
UnitCut = Annotated[
    _Text, typer.Option(metavar="DB", help="Cut of that curve at 10 kHz, with --unit-turnover.")
]
UnitShelf = Annotated[
    _Text, typer.Option(metavar="HERTZ", help="Bass shelf of that curve, with --unit-turnover.")
]
