"""Tables of curves: the catalogue, and one curve over frequency."""

from __future__ import annotations

from collections.abc import Sequence

from antecurve.curves.model import Curve
from antecurve.curves.tabulate import CurveTable
from antecurve.report.tables import TextTable, signed

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
    rows = tuple(
        (
            curve.name,
            microseconds(curve.zeros_s, at_origin=curve.zeros_at_origin),
            microseconds(curve.poles_s, at_origin=curve.poles_at_origin),
            "" if curve.year is None else str(curve.year),
            curve.source,
        )
        for curve in curves
    )
    return TextTable(("name", "zeros", "poles", "year", "source"), rows, "lllrl")


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
    columns = (table.frequency_hz, table.emphasis_db, table.playback_db, table.phase_deg)
    rows = tuple(
        (f"{frequency:g}", signed(up, digits=3), signed(down, digits=3), f"{angle:.1f}")
        for frequency, up, down, angle in zip(*columns, strict=True)
    )
    return TextTable(("frequency/Hz", "emphasis/dB", "playback/dB", "phase/deg"), rows, "rrrr")
