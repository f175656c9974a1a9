"""Tables of curves: the catalogue, and one curve over frequency."""

from __future__ import annotations

import math
from collections.abc import Sequence

from antecurve.curves.catalogue import curve_label
from antecurve.curves.identify import CurveIdentification, model_text
from antecurve.curves.model import Curve
from antecurve.curves.tabulate import CurveTable, CutRow
from antecurve.quantities import format_time_constant
from antecurve.report.text_table import TextTable, column, signed_cells, table_of

__all__ = [
    "catalogue_rows",
    "curve_rows",
    "cut_table",
    "identification_lines",
    "microseconds",
    "tried_rows",
]

_MOST_TRIED = 6  # rows: beyond these no model comes near


def microseconds(times_s: Sequence[float], *, at_origin: int = 0) -> str:
    """Write time constants in microseconds, those at the origin first.

    Parameters
    ----------
    times_s : sequence of float
        Time constants [s].
    at_origin : int, optional
        Number of zeros or poles at the origin.

    Returns
    -------
    str
        For example ``3180 µs, 75 µs``; ``none`` where there is none.
    """
    return ", ".join(["origin"] * at_origin + [format_time_constant(t) for t in times_s]) or "none"


def catalogue_rows(curves: Sequence[Curve]) -> TextTable:
    """Tabulate published curves with their sources.

    Parameters
    ----------
    curves : sequence of Curve
        The curves.

    Returns
    -------
    TextTable
        One row a curve.
    """
    zeros = [microseconds(c.zeros_s, at_origin=c.zeros_at_origin) for c in curves]
    poles = [microseconds(c.poles_s, at_origin=c.poles_at_origin) for c in curves]
    years = ["" if c.year is None else str(c.year) for c in curves]
    return table_of(
        column("name", [curve_label(c.name) for c in curves], right=False),
        column("zeros", zeros, right=False),
        column("poles", poles, right=False),
        column("year", years),
        column("source", [c.source for c in curves], right=False),
    )


def curve_rows(table: CurveTable) -> TextTable:
    """Tabulate one curve over frequency.

    Parameters
    ----------
    table : CurveTable
        Its levels and phase.

    Returns
    -------
    TextTable
        One row a frequency.
    """
    return table_of(
        column("frequency/Hz", table.frequency_hz, "{:g}".format),
        column("emphasis/dB", table.emphasis_db, signed_cells(3)),
        column("playback/dB", table.playback_db, signed_cells(3)),
        column("phase/deg", table.phase_deg, "{:.1f}".format),
    )


def identification_lines(identified: CurveIdentification) -> list[str]:
    """Say which curve a table shows, and what speaks against it.

    Parameters
    ----------
    identified : CurveIdentification
        The fit and its tests.

    Returns
    -------
    list of str
        One sentence or one value a line.
    """
    fit = identified.fit
    curve, lines = fit.curve, []
    if identified.playback:
        lines.append(
            "Read as a playback table: with its sign changed it lies near a published recording "
            "curve. --recording keeps the sign."
        )
    lines += ["zero at the origin"] * curve.zeros_at_origin
    lines += ["pole at the origin"] * curve.poles_at_origin
    kinds = ["zero"] * len(curve.zeros_s) + ["pole"] * len(curve.poles_s)
    times = (*curve.zeros_s, *curve.poles_s)
    for kind, time, share in zip(kinds, times, fit.relative_uncertainty, strict=True):
        # A wrong model has no uncertainty: its time constants stand for nothing.
        said = "" if identified.faults else f" (standard uncertainty {share * 100:.2g} %)"
        # A tenth of the uncertainty is the last digit that means something.
        seen = 1e-2 if identified.faults else min(max(share, 1e-5), 0.1)
        rounded = float(f"{time * 1e6:.{1 - math.floor(math.log10(seen))}g}")
        lines.append(f"{kind} {rounded:g} µs{said}")
    lines.append(f"misfit {fit.rms_db:.3f} dB rms, {fit.largest_db:.3f} dB at most")
    lines += [
        f"Outlier, left out of the fit: {o.level_db:g} dB at {o.frequency_hz:g} Hz is "
        f"{o.misfit_db:+.2f} dB off the others."
        for o in identified.outliers
    ]
    near = identified.nearest
    names = " or ".join(map(curve_label, near.names))
    lines.append(
        f"Nearest published curve: {names}, {near.rms_db:.3f} dB rms and "
        f"{near.largest_db:.3f} dB at most from the fitted one."
    )
    lines += [f"mind: {remark}" for remark in fit.remarks]
    lines += [f"Wrong model: {fault}." for fault in identified.faults]
    return lines


def tried_rows(identified: CurveIdentification) -> TextTable:
    """Tabulate the models that were compared, best first.

    Parameters
    ----------
    identified : CurveIdentification
        The fit and its rivals.

    Returns
    -------
    TextTable
        Model, misfit and Schwarz's criterion above that of the best.
    """
    tried = identified.tried[:_MOST_TRIED]
    return table_of(
        column("model", [model_text(t) for t in tried], right=False),
        column("misfit/dB rms", [t.rms_db for t in tried], "{:.3f}".format),
        column("criterion", [t.criterion_above_best for t in tried], "{:+.1f}".format),
    )


def cut_table(rows: Sequence[CutRow]) -> TextTable:
    """Tabulate cuts with their corner frequencies and time constants.

    Parameters
    ----------
    rows : sequence of CutRow
        The cuts.

    Returns
    -------
    TextTable
        One row a cut.
    """
    cells = tuple(
        (f"{row.cut_db:.2f}", f"{row.corner_hz:.0f}", f"{1e6 * row.time_constant_s:.2f}")
        for row in rows
    )
    return TextTable(("cut at 10 kHz/dB", "corner/Hz", "time constant/µs"), cells, "rrr")
