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
    from antecurve.switched.box import Box
    from antecurve.switched.box_analysis import BoxAnalysis

__all__ = ["Tile", "box_tiles", "design_tiles"]


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


def box_tiles(box: Box, analysis: BoxAnalysis) -> tuple[Tile, ...]:
    """Gather the figures of a box that a builder asks for first.

    Parameters
    ----------
    box : Box
        A box.
    analysis : BoxAnalysis
        What it will do.

    Returns
    -------
    tuple of Tile
        Design error, builds, what a perfect unit shows where it shows most, level, and the switch.
    """
    named = list(zip(box.names, box.designs, strict=True))
    worst = max(named, key=lambda item: item[1].analysis.error.job.centred_db)
    perfect = [(_droop_db(design), name) for name, design in named]
    droop_db, where = max(perfect, key=lambda item: abs(item[0]))
    levels = sorted(design.analysis.level.output_v for design in box.designs)
    low, high = (format_quantity(v, "V", digits=3, padded=True) for v in (levels[0], levels[-1]))
    common = box.job.common
    band_end = format_quantity(common.target.band_hz[1], "Hz")
    return (
        Tile(
            "Design error", within_text(worst[1].analysis.error.job.centred_db),
            f"at most, in position {worst[0]}",
        ),
        Tile(
            "95 % of boxes", within_text(analysis.spread.worst_p95_db),
            f"in every position; {analysis.spread.builds:,} drawn within tolerance",
        ),
        Tile(
            f"A perfect unit at {band_end}", f"{signed(droop_db, digits=2)} dB",
            f"relative to 1 kHz, in position {where}; nearer to 0 in the others",
        ),
        Tile(
            "Level at 1 kHz", f"{low.removesuffix(high.split()[1]).rstrip()} to {high}",
            f"by position, from {format_quantity(common.source_level_v, 'V')} EMF",
        ),
        Tile(
            "Switch", f"{box.switch.poles} × {box.switch.throws}" if box.switch.poles else "none",
            "poles and throws" if box.switch.poles else "one network makes every curve",
        ),
    )  # fmt: skip


def _droop_db(design: Design) -> float:
    """What a unit with exact playback shows at the upper end of the band, 0 dB at 1 kHz [dB]."""
    response = design.analysis.response
    apart = response.network_db - response.published_db
    at = np.log(design.job.target.band_hz[1])
    return float(np.interp(at, np.log(response.frequency_hz), apart))


def _perfect_unit(design: Design) -> Tile:
    """What a unit with exact playback shows at the upper end of the band, 0 dB at 1 kHz."""
    high_hz = design.job.target.band_hz[1]
    poles = [
        format_quantity(1.0 / (2.0 * np.pi * t), "Hz")
        for t in design.job.curve.ultrasonic_poles_s or design.analysis.error.implied_poles_s
    ]
    cause = f"the pole at {' and '.join(poles)}" if poles else "the network alone"
    return Tile(
        f"A perfect unit at {format_quantity(high_hz, 'Hz')}",
        f"{signed(_droop_db(design), digits=2)} dB",
        f"relative to 1 kHz; {cause} causes it",
    )
