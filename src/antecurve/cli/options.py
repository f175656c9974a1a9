"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

if TYPE_CHECKING:
    from antecurve.networks.conditions import LoadingTolerance

__all__ = [
    "AlternativeNumber",
    "AsJson",
    "CableTolerance",
    "Channel",
    "DecimalMark",
    "DesignFile",
    "Force",
    "LoadTolerance",
    "LogFolder",
    "MeterCapacitance",
    "MeterCorrelation",
    "MeterDisplay",
    "MeterResistance",
    "OneMeter",
    "OutputFile",
    "OutputFolder",
    "PositionName",
    "PositionOrBox",
    "SourceTolerance",
    "TimeUnit",
    "Units",
    "loading_tolerance",
    "refuse_existing",
]

AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON on stdout.")]
Force = Annotated[bool, typer.Option("--force", help="Overwrite what is there.")]
DesignFile = Annotated[
    Path, typer.Argument(metavar="DESIGN.json", help="A design that antecurve design wrote.")
]
PositionName = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option(
        "--position",
        metavar="NAME",
        help="Switch position of a box with several curves; by default the first.",
    ),
]
PositionOrBox = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option(
        "--position",
        metavar="NAME",
        help="Switch position of a box with several curves; by default the whole box.",
    ),
]
AlternativeNumber = Annotated[
    int,
    typer.Option(
        metavar="NUMBER",
        help="Take this line of the alternatives that --all lists; 0 is the pick.",
        min=0,
    ),
]
OutputFolder = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option("--output", "-o", metavar="DIR", help="Folder to write into."),
]
OutputFile = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option("--output", "-o", metavar="FILE", help="File to write."),
]
LogFolder = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option(
        "--log",
        metavar="FOLDER",
        help="Log the verdict in this folder of a bench, or in its log.sqlite.",
    ),
]
Channel = Annotated[
    Optional[int],  # noqa: UP045
    typer.Option(metavar="NUMBER", help="Channel of the file that holds the output, from 1."),
]
TimeUnit = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option(metavar="UNIT", help="Unit of the time column, where the file names none."),
]
Units = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option(
        metavar="UNITS",
        help="Units of the file's columns in order, for example us,mV or Hz,dB,deg. 10V "
        "is volts times 10, a dash leaves a column out.",
    ),
]
DecimalMark = Annotated[
    Optional[list[str]],  # noqa: UP045
    typer.Option(
        "--decimal",
        metavar="MARK",
        help="Decimal mark, point or comma, of files that read either way. Give one for all of "
        "them, or one for each capture.",
    ),
]
MeterResistance = Annotated[
    str,
    typer.Option(
        metavar="ACCURACY",
        help="Accuracy of the ohmmeter: per cent of reading plus constants, as in "
        "'0.5 % + 2 counts' or '0.2 % + 0.1 ohm'.",
    ),
]
MeterCapacitance = Annotated[
    str,
    typer.Option(
        metavar="ACCURACY",
        help="Accuracy of the capacitance meter, as in '1 % + 5 counts + 2 pF'.",
    ),
]
MeterDisplay = Annotated[
    int,
    typer.Option(
        metavar="COUNTS",
        help="Full count of the meters' display, which sets ranges and last digits.",
        min=1,
    ),
]
MeterCorrelation = Annotated[
    float,
    typer.Option(
        metavar="NUMBER",
        help="Correlation of the meter's errors within a range, 0 to 1.",
    ),
]
OneMeter = Annotated[
    bool, typer.Option("--one-meter", help="One meter read all parts, so its errors correlate.")
]
SourceTolerance = Annotated[
    str, typer.Option(metavar="PERCENT", help="Tolerance of the source resistance.")
]
LoadTolerance = Annotated[
    str, typer.Option(metavar="PERCENT", help="Tolerance of the load resistance.")
]
CableTolerance = Annotated[
    str, typer.Option(metavar="PERCENT", help="Tolerance of the load capacitance, cable included.")
]


def refuse_existing(output: Path | None, *, force: bool) -> None:
    """Refuse an output that exists already, before anything is worked out.

    Parameters
    ----------
    output : Path or None
        What is to be written, if anything.
    force : bool
        Whether it may be overwritten.

    Raises
    ------
    OutputExistsError
        When it exists and may not be overwritten.
    """
    from antecurve.errors import OutputExistsError

    if output is not None and output.exists() and not force:
        raise OutputExistsError(output)


def loading_tolerance(source: str, load: str, cable: str) -> LoadingTolerance:
    """Parse the tolerances of source and load from the texts of the options.

    Parameters
    ----------
    source, load, cable : str
        Per cent, such as ``1 %``; the sign may be left out.

    Returns
    -------
    LoadingTolerance
        As fractions.

    Raises
    ------
    InputError
        When a text is no per cent from 0 to below 100.
    """
    from antecurve.networks.conditions import LoadingTolerance
    from antecurve.quantities import parse_percent

    return LoadingTolerance(
        parse_percent(source, "--source-tolerance"),
        parse_percent(load, "--load-tolerance"),
        parse_percent(cable, "--cable-tolerance"),
    )
