"""The four or five figures of a design that a builder asks for first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from antecurve.quantities import format_quantity
from antecurve.report.figures import within_text
from antecurve.report.text_table import signed

if TYPE_CHECKING:
    from antecurve.pipeline import Design

__all__ = ["Tile", "design_tiles"]


@dataclass(frozen=True, slots=True)
class Tile:
    """One figure.

    Attributes
    ----------
    name : str
        What it is.
    value : str
        The figure with its unit.
    note : str
        Why, or between what.
    """

    name: str
    value: str
    note: str


def design_tiles(design: Design) -> tuple[Tile, ...]:
    """Gather the figures that a builder asks for first.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    tuple of Tile
        Design error, builds, what a perfect unit shows at the band's upper end, level, and the
        part that weighs most.
    """
    analysis, job = design.analysis, design.job
    low, high = (format_quantity(f, "Hz") for f in job.target.band_hz)
    spread, level = analysis.spread, analysis.level
    first = max(spread.sensitivity, key=lambda s: s.share)
    return (
        Tile("Design error", within_text(analysis.error.job.centred_db), f"{low} to {high}"),
        Tile(
            "95 % of builds",
            within_text(spread.centred_db.p95),
            f"{spread.builds:,} drawn within tolerance",
        ),
        _perfect_unit(design),
        Tile(
            "Level at 1 kHz",
            format_quantity(level.output_v, "V"),
            f"from {format_quantity(job.source_level_v, 'V')} EMF, {level.gain_db_at_1khz:.2f} dB",
        ),
        Tile(
            "Dominant tolerance",
            first.ref,
            f"{first.share * 100:.0f} % of the variance over builds",
        ),
    )


def _perfect_unit(design: Design) -> Tile:
    """What a unit with exact playback shows at the upper end of the band, 0 dB at 1 kHz."""
    response, high_hz = design.analysis.response, design.job.target.band_hz[1]
    droop = np.interp(
        np.log(high_hz),
        np.log(response.frequency_hz),
        response.network_db - response.published_db,
    )
    poles = [
        format_quantity(1.0 / (2.0 * np.pi * t), "Hz")
        for t in design.job.curve.ultrasonic_poles_s or design.analysis.error.implied_poles_s
    ]
    cause = f"the pole at {' and '.join(poles)}" if poles else "the network alone"
    return Tile(
        f"A perfect unit at {format_quantity(high_hz, 'Hz')}",
        f"{signed(float(droop), digits=2)} dB",
        f"relative to 1 kHz; {cause} causes it",
    )
