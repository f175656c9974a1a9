"""The bench sheet in words and tables."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from antecurve.curves.catalogue import curve_label
from antecurve.quantities import format_quantity
from antecurve.report.text_table import (
    Column,
    TextTable,
    column,
    quantity,
    signed_cells,
    table_of,
)
from antecurve.texts import capitalised, format_digits

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from antecurve.analysis.bench_sheet import BenchSheet, SheetTolerance

__all__ = ["reading_lines", "reading_rows", "sheet_lines", "sheet_rows"]


def _ohm(value: float) -> str:
    return format_quantity(value, "ohm")


def _volt(value: float) -> str:
    return format_quantity(value, "V")


def sheet_lines(sheet: BenchSheet) -> list[str]:
    """Explain the columns of the bench sheet, one line a statement.

    Parameters
    ----------
    sheet : BenchSheet
        The sheet.

    Returns
    -------
    list of str
        Sentences.
    """
    display = _ohm(sheet.display_ohm)
    settings = [
        f"Unit set to {curve_label(name)}: 'after playback' is right for a correct unit. It would "
        "be flat only behind a network of that curve."
        for name in [sheet.unit_curve]
        if name
    ]
    return [
        *settings,
        _limits_line(sheet),
        "dB re 1 kHz: level relative to 1 kHz at equal EMF, also where the set EMF differs.",
        "After playback: the same behind ideal playback.",
        f"Setting in {display} load mode: for a generator of {display} that assumes a load of "
        f"{display}, half of the EMF.",
    ]


def _limits_line(sheet: BenchSheet) -> str:
    """Say what the limits of each reading are."""
    limits = (
        "lowest and highest over all corners of the tolerances of the parts"
        if sheet.over_corners
        else "what each part can do by itself within its tolerance, added up"
    )
    besides = capitalised(_besides_parts(sheet.tolerance))
    return f"From, to: {limits}, for each frequency by itself. {besides}."


def reading_lines(sheet: BenchSheet) -> list[str]:
    """Explain the columns of `reading_rows`, one line a statement.

    Parameters
    ----------
    sheet : BenchSheet
        The sheet.

    Returns
    -------
    list of str
        How to set the generator, and what the limits are.
    """
    emf, displayed = float(sheet.emf_v[0]), float(sheet.displayed_v[0])
    display = _ohm(sheet.display_ohm)
    return [
        f"Set the EMF in high-impedance mode. In {display} load mode set {displayed / emf:.3g} "
        f"times that: {_volt(displayed)} for {_volt(emf)}.",
        _limits_line(sheet),
    ]


def _besides_parts(tolerance: SheetTolerance) -> str:
    """Say what the limits allow for besides the parts."""
    if tolerance.parts_alone:
        return "generator and receiver nominal"
    loading = tolerance.loading
    shares = (
        ("generator", tolerance.generator),
        ("meter", tolerance.meter),
        ("source resistance", loading.source_resistance),
        ("load resistance", loading.load_resistance),
        ("load capacitance", loading.load_capacitance),
    )
    said = [f"{name} ±{share * 100:g} %" for name, share in shares if share]
    if tolerance.flatness_db:
        said.append(f"flatness ±{tolerance.flatness_db:g} dB in dB re 1 kHz")
    return f"with {', '.join(said)}"


def sheet_rows(sheet: BenchSheet) -> tuple[TextTable, ...]:
    """Tabulate the bench sheet: one table for the unit, one for each prover.

    Parameters
    ----------
    sheet : BenchSheet
        The sheet.

    Returns
    -------
    tuple of TextTable
        Levels in millivolts and dB re 1 kHz, with the limits that the tolerances allow.
    """
    tables = []
    for index, levels in enumerate(sheet.columns):
        receiver = levels.receiver
        farad = format_quantity(receiver.capacitance_f, "F", digits=3)
        at = f"{receiver.name} {_ohm(receiver.resistance_ohm)}, {farad}"
        relative = [("dB re 1 kHz", levels.level_db, levels.low_db, levels.high_db)]
        if index == 0:
            relative.append(
                ("after playback dB", sheet.playback_db, sheet.playback_low_db,
                 sheet.playback_high_db)
            )  # fmt: skip
        tables.append(
            table_of(
                column("frequency", sheet.frequency_hz, quantity("Hz")),
                column("set EMF", sheet.emf_v, _volt),
                column(f"setting in {_ohm(sheet.display_ohm)} load mode", sheet.displayed_v, _volt),
                *_with_limits(
                    f"mV at {at}", levels.level_v, levels.low_v, levels.high_v, _millivolts
                ),
                *(
                    limited
                    for heading, level, low, high in relative
                    for limited in _with_limits(heading, level, low, high, signed_cells(2))
                ),
            )
        )
    return tuple(tables)


def reading_rows(sheet: BenchSheet, *, instrument: int = 0) -> TextTable:
    """Tabulate what to set and to read with one instrument, with room to write.

    Parameters
    ----------
    sheet : BenchSheet
        The sheet.
    instrument : int, optional
        Place of the receiver among those of the sheet, from 0; by default the unit.

    Returns
    -------
    TextTable
        Frequency, setting, reading expected with its limits; reading and OK empty.
    """
    levels, blank = sheet.columns[instrument], [""] * sheet.frequency_hz.size
    return table_of(
        column("frequency", sheet.frequency_hz, quantity("Hz")),
        column("set EMF", sheet.emf_v, _volt),
        *_with_limits("expect mV", levels.level_v, levels.low_v, levels.high_v, _millivolts),
        column("read", blank, right=False),
        column("OK", blank, right=False),
    )


def _with_limits(
    heading: str,
    level: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    text: Callable[[float], str],
) -> tuple[Column, Column, Column]:
    """A column, and those of its lower and upper limit."""
    return (
        column(heading, level, text),
        column("from", low, text, attached=True),
        column("to", high, text, attached=True),
    )


def _millivolts(value: float) -> str:
    return format_digits(value * 1e3, digits=4)
