"""Tables of curves: the catalogue, and one curve over frequency."""

from __future__ import annotations

from collections.abc import Sequence

from antecurve.curves.model import Curve
from antecurve.curves.tabulate import CurveTable
from antecurve.report.text_table import TextTable, column, signed_cells, table_of

__all__ = ["catalogue_rows", "curve_rows", "microseconds"]


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
        For example ``3180 us, 75 us``; ``none`` where there is none.
    """
    return ", ".join(["origin"] * at_origin + [f"{t * 1e6:.6g} us" for t in times_s]) or "none"


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
