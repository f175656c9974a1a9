"""``antecurve curves``: the catalogue, one curve's table, or a fit to a table of levels."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer

from antecurve.cli.options import AsJson

if TYPE_CHECKING:
    from antecurve.curves.fit import CurveFit
    from antecurve.curves.model import Curve

__all__ = ["curves"]

Name = Annotated[
    Optional[str],  # noqa: UP045
    typer.Argument(metavar="[NAME]", help="A curve of the catalogue; without it, all of them."),
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
    int, typer.Option("--zeros", metavar="COUNT", help="With --fit: number of zeros.")
]
Poles = Annotated[
    int, typer.Option("--poles", metavar="COUNT", help="With --fit: number of poles.")
]
NoShelf = Annotated[
    bool, typer.Option("--no-shelf", help="With --fit: a zero at the origin, no bass shelf.")
]


def curves(
    name: Name = None,
    fit: Fit = None,
    zeros: Zeros = 2,
    poles: Poles = 1,
    no_shelf: NoShelf = False,
    as_json: AsJson = False,
) -> None:
    """List the published curves, tabulate one of them, or fit time constants to a table.

    \b
    Examples: antecurve curves; antecurve curves disc; antecurve curves --fit old-disc.csv
    """
    from antecurve.errors import InputError

    if name is not None and fit is not None:
        raise InputError("curves", f"{name} --fit {fit}", "give a name or a table, not both")
    if fit is not None:
        _show_fit(fit, zeros, poles, no_shelf, as_json)
    elif name is not None:
        _show_table(name, as_json)
    else:
        _show_catalogue(as_json)


def _content(curve: Curve) -> dict[str, Any]:
    from antecurve.curves.catalogue import unverified

    return {
        "name": curve.name,
        "zeros_s": list(curve.zeros_s),
        "poles_s": list(curve.poles_s),
        "zeros_at_origin": curve.zeros_at_origin,
        "poles_at_origin": curve.poles_at_origin,
        "source": curve.source,
        "year": curve.year,
        "remark": curve.remark,
        "unverified": unverified(curve.name),
    }


def _show_catalogue(as_json: bool) -> None:
    from antecurve.cli.show import show_json, show_table
    from antecurve.curves.catalogue import catalogue, unverified
    from antecurve.report.curve_tables import catalogue_rows

    curves = catalogue()
    if as_json:
        show_json([_content(c) for c in curves])
        return
    show_table(catalogue_rows(curves))
    print("Remarks")
    for curve in curves:
        doubt = unverified(curve.name)
        print(f"  {curve.name}: {curve.remark}{f' Unverified: {doubt}.' if doubt else ''}")


def _show_table(name: str, as_json: bool) -> None:
    from antecurve.cli.show import show_json, show_table
    from antecurve.curves.catalogue import curve_label, named_curve, unverified
    from antecurve.curves.tabulate import curve_table
    from antecurve.report.curve_tables import curve_rows, microseconds

    curve = named_curve(name)
    table = curve_table(curve)
    if as_json:
        columns = ("frequency_hz", "emphasis_db", "playback_db", "phase_deg")
        show_json(_content(curve) | {c: getattr(table, c).tolist() for c in columns})
        return
    zeros = microseconds(curve.zeros_s, at_origin=curve.zeros_at_origin)
    poles = microseconds(curve.poles_s, at_origin=curve.poles_at_origin)
    print(f"{curve_label(name)}: zeros {zeros}; poles {poles}")
    print(f"{curve.source}. {curve.remark}")
    if doubt := unverified(name):
        print(f"Unverified: {doubt}.")
    show_table(curve_rows(table))


def _show_fit(path: Path, zeros: int, poles: int, no_shelf: bool, as_json: bool) -> None:
    from antecurve.cli.show import show_json
    from antecurve.curves.fit import fit_curve
    from antecurve.files.curve_table import read_curve_table

    table = read_curve_table(path)
    fitted = fit_curve(
        frequency_hz=table.frequency_hz,
        level_db=table.level_db,
        zeros=zeros,
        poles=poles,
        zeros_at_origin=int(no_shelf),
        name=path.stem,
    )
    if as_json:
        show_json(_fit_content(fitted))
        return
    curve = fitted.curve
    times = [*curve.zeros_s, *curve.poles_s]
    kinds = ["zero"] * len(curve.zeros_s) + ["pole"] * len(curve.poles_s)
    for kind, time, share in zip(kinds, times, fitted.relative_uncertainty, strict=True):
        print(f"{kind} {time * 1e6:.6g} us (standard uncertainty {share * 100:.2g} %)")
    print(f"misfit {fitted.rms_db:.3f} dB rms, {fitted.largest_db:.3f} dB at most")
    for remark in fitted.remarks:
        print(f"mind: {remark}")


def _fit_content(fitted: CurveFit) -> dict[str, Any]:
    import math

    return _content(fitted.curve) | {
        "offset_db": fitted.offset_db,
        "rms_db": fitted.rms_db,
        "largest_db": fitted.largest_db,
        "frequency_hz": fitted.frequency_hz.tolist(),
        "misfit_db": fitted.misfit_db.tolist(),
        "relative_uncertainty": [
            share if math.isfinite(share) else None for share in fitted.relative_uncertainty
        ],
        "remarks": list(fitted.remarks),
    }
