"""What the parts of a network have to stand, in words and tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from antecurve.analysis.ratings import LARGEST_CURRENT_A
from antecurve.quantities import format_quantity
from antecurve.report.text_table import TextTable

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
    rows = tuple(
        (
            part.ref,
            _volt(part.voltage_v),
            "-"
            if part.dissipation_w is None
            else format_quantity(part.dissipation_w, "W", digits=3),
            part.worst_output,
            _volt(part.band_voltage_v),
            "-"
            if part.band_dissipation_w is None
            else format_quantity(part.band_dissipation_w, "W", digits=3),
            part.rating,
        )
        for part in stresses.parts
    )
    within = f"rating to buy for EMF within ±{_volt(stresses.amplitude_v)}"
    header = (
        "part", "largest voltage", "largest dissipation", "with output",
        "sines in the band: voltage", "dissipation", within,
    )  # fmt: skip
    return TextTable(header, rows, "lrrlrrr")


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
