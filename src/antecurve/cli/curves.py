"""``antecurve curves``: the catalogue, one curve's table, or a fit to a table of levels."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from antecurve.cli.options import AsJson
from antecurve.cli.terminal import say

if TYPE_CHECKING:
    from antecurve.curves.identify import CurveIdentification

__all__ = ["curves"]

Name = Annotated[
    Optional[str],  # noqa: UP045
    typer.Argument(metavar="NAME", help="A curve of the catalogue; without it, all of them."),
]
Fit = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option(
        "--fit",
        metavar="LEVELS.csv",
        help="Fit time constants to a table with the columns frequency_hz and level_db.",
    ),
]
Zeros = Annotated[
    Optional[int],  # noqa: UP045
    typer.Option(
        "--zeros", metavar="COUNT", help="With --fit: number of zeros; chosen by default."
    ),
]
Poles = Annotated[
    Optional[int],  # noqa: UP045
    typer.Option(
        "--poles", metavar="COUNT", help="With --fit: number of poles; chosen by default."
    ),
]
Shelf = Annotated[
    Optional[bool],  # noqa: UP045
    typer.Option(
        "--shelf/--no-shelf",
        help="With --fit: a bass shelf, or a zero at the origin; chosen by default.",
    ),
]
Noise = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option(
        metavar="DB", help="With --fit: standard deviation of a level; estimated by default."
    ),
]
Playback = Annotated[
    Optional[bool],  # noqa: UP045
    typer.Option(
        "--playback/--recording",
        help="With --fit: whether the levels are of playback or recording; guessed by default.",
    ),
]


Cuts = Annotated[
    bool,
    typer.Option(
        "--cuts", help="Tabulate cuts at 10 kHz against corner frequency and time constant."
    ),
]


def curves(
    name: Name = None,
    fit: Fit = None,
    cuts: Cuts = False,
    zeros: Zeros = None,
    poles: Poles = None,
    shelf: Shelf = None,
    noise: Noise = None,
    playback: Playback = None,
    as_json: AsJson = False,
) -> None:
    """List, tabulate or fit recording curves.

    With --fit the exit code is 1 when the fitted model is wrong; the reason is printed.

    \b
    Examples: antecurve curves; antecurve curves disc;
    antecurve curves --fit old-disc.csv
    """
    from antecurve.errors import InputError

    if name is not None and fit is not None:
        raise InputError("curves", f"{name} --fit {fit}", "give a name or a table, not both")
    if cuts and (name is not None or fit is not None):
        raise InputError("--cuts", name or str(fit), "ask for the table of cuts alone")
    fitting = {
        "--zeros": zeros, "--poles": poles, "--shelf": shelf, "--noise": noise,
        "--playback": playback,
    }  # fmt: skip
    for option, value in fitting.items():
        if fit is None and value is not None:
            raise InputError(option, value, "it belongs to a fit; give --fit as well")
    if cuts:
        _show_cuts(as_json)
    elif fit is not None:
        identified = _identified(fit, zeros, poles, shelf, noise, playback)
        _show_fit(identified, as_json)
        if identified.faults:
            raise typer.Exit(1)
    elif name is not None:
        _show_table(name, as_json)
    else:
        _show_catalogue(as_json)


def _show_catalogue(as_json: bool) -> None:
    from antecurve.cli.show import show_json, show_table
    from antecurve.curves.catalogue import CatalogueEntry, catalogue, named_curve, unverified
    from antecurve.curves.model import FLAT
    from antecurve.report.curve_tables import catalogue_rows

    curves = (*catalogue(), named_curve(FLAT))
    if as_json:
        show_json([CatalogueEntry(c) for c in curves])
        return
    show_table(catalogue_rows(curves))
    say("Remarks")
    for curve in curves:
        doubt = unverified(curve.name)
        say(f"  {curve.name}: {curve.remark}{f' Unverified: {doubt}.' if doubt else ''}")


def _show_cuts(as_json: bool) -> None:
    from antecurve.cli.show import show_json, show_table
    from antecurve.curves.tabulate import cut_rows
    from antecurve.report.curve_tables import cut_table

    rows = cut_rows()
    if as_json:
        show_json(list(rows))
        return
    show_table(cut_table(rows))
    say(
        "Cut at 10 kHz of the treble time constant by itself, relative to low frequency.",
        "A whole curve relative to 1 kHz reads a little more or less: the disc curve 13.73 dB.",
    )


def _show_table(name: str, as_json: bool) -> None:
    from antecurve.cli.show import show_json, show_table
    from antecurve.curves.catalogue import curve_label, named_curve, unverified
    from antecurve.curves.tabulate import curve_table
    from antecurve.report.curve_tables import curve_rows, microseconds

    curve = named_curve(name)
    table = curve_table(curve)
    if as_json:
        show_json(table)
        return
    zeros = microseconds(curve.zeros_s, at_origin=curve.zeros_at_origin)
    poles = microseconds(curve.poles_s, at_origin=curve.poles_at_origin)
    say(f"{curve_label(curve.name)}: zeros {zeros}; poles {poles}")
    say(f"{curve.source}. {curve.remark}")
    if doubt := unverified(curve.name):
        say(f"Unverified: {doubt}.")
    show_table(curve_rows(table))


def _identified(
    path: Path,
    zeros: int | None,
    poles: int | None,
    shelf: bool | None,
    noise: str | None,
    playback: bool | None,
) -> CurveIdentification:
    from antecurve.curves.identify import identify_curve
    from antecurve.files.curve_table import read_curve_table
    from antecurve.quantities import parse_positive

    table = read_curve_table(path)
    return identify_curve(
        frequency_hz=table.frequency_hz,
        level_db=table.level_db,
        zeros=zeros,
        poles=poles,
        shelf=shelf,
        noise_db=None if noise is None else parse_positive(noise, "dB", "--noise"),
        playback=playback,
        name=path.stem,
    )


def _show_fit(identified: CurveIdentification, as_json: bool) -> None:
    from antecurve.cli.show import show_json, show_table
    from antecurve.report.curve_tables import identification_lines, tried_rows

    if as_json:
        show_json(identified)
        return
    for line in identification_lines(identified):
        say(line)
    how = "chosen" if identified.chosen else "judged"
    say(f"Number of time constants {how} by Schwarz's criterion: the lowest fits; +10 decides.")
    show_table(tried_rows(identified))
