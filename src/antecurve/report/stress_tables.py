"""What the parts of a network have to stand, in words and tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from antecurve.analysis.ratings import LARGEST_CURRENT_A
from antecurve.quantities import format_quantity
from antecurve.report.text_table import (
    TextTable,
    declared,
    quantity,
    table_from,
)

if TYPE_CHECKING:
    from antecurve.analysis.ratings import PartStresses

__all__ = ["drive_lines", "stress_lines", "stress_rows"]


def _volt(value: float) -> str:
    return format_quantity(value, "V")


def stress_rows(stresses: PartStresses) -> TextTable:
    """Tabulate the voltage and dissipation of each part.

    Parameters
    ----------
    stresses : PartStresses
        The parts.

    Returns
    -------
    TextTable
        One row a part.
    """
    volt, watt = quantity("V", padded=True), quantity("W", digits=3, padded=True)
    return table_from(
        stresses.parts,
        declared("part", "ref", right=False),
        declared("largest voltage", "voltage_v", volt),
        declared("largest dissipation", "dissipation_w", watt),
        declared("with output", "worst_output", right=False),
        declared("sines in the band: voltage", "band_voltage_v", volt),
        declared("dissipation", "band_dissipation_w", watt),
        declared(f"rating to buy for EMF within ±{_volt(stresses.amplitude_v)}", "rating"),
    )


def stress_lines(stresses: PartStresses) -> list[str]:
    """Say what the stresses are for, and whether a generator can bring them about.

    Parameters
    ----------
    stresses : PartStresses
        The parts.

    Returns
    -------
    list of str
        Sentences.
    """
    amplitude = _volt(stresses.amplitude_v)
    lines = [
        f"For any EMF within ±{amplitude}, whatever its waveform, the output loaded, open or "
        "shorted."
    ]
    return lines + drive_lines(stresses)


def drive_lines(stresses: PartStresses) -> list[str]:
    """Say whether a bench generator can drive the network.

    Parameters
    ----------
    stresses : PartStresses
        The parts.

    Returns
    -------
    list of str
        One sentence where none can, else nothing.
    """
    if stresses.drivable:
        return []
    drawn, delivered = (
        format_quantity(current, "A") for current in (stresses.source_current_a, LARGEST_CURRENT_A)
    )
    return [
        f"No bench generator drives this at ±{_volt(stresses.amplitude_v)}: the network draws up "
        f"to {drawn}, generators deliver some {delivered} (common practice). Raise the impedance."
    ]
