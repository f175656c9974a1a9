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
        help="Curve that the unit is set to, or guess; by default the network's own.",
    ),
]
UnitZeros = Annotated[
    _Text, typer.Option(metavar="TIMES", help="Its zeros instead, such as '3180 us, 75 us'.")
]
UnitPoles = Annotated[_Text, typer.Option(metavar="TIMES", help="Its poles, with --unit-zeros.")]
UnitTurnover = Annotated[_Text, typer.Option(metavar="HERTZ", help="Or its turnover,")]
UnitCut = Annotated[_Text, typer.Option(metavar="DB", help="its cut at 10 kHz,")]
UnitShelf = Annotated[_Text, typer.Option(metavar="HERTZ", help="and its bass shelf.")]
