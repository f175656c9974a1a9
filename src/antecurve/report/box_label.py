"""What stands on the box: a label to cut out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from antecurve.curves.catalogue import curve_label
from antecurve.quantities import format_quantity
from antecurve.report.text_table import signed

if TYPE_CHECKING:
    from antecurve.pipeline import Design

__all__ = ["box_label"]

_SHOWN_HZ = (20.0, 50.0, 100.0, 10e3, 15e3, 20e3)  # where curves and their limits bend most


def box_label(design: Design) -> tuple[tuple[str, str], ...]:
    """Write the label of a network's box.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    tuple of (str, str)
        Names and values: curve, level, source, load, what a perfect unit reads, serial number and
        date, both to be written by hand.
    """
    job, response, level = design.job, design.analysis.response, design.analysis.level
    apart = response.network_db - response.published_db
    low, high = job.target.band_hz
    reads = ", ".join(
        f"{signed(float(db), digits=2)} at {format_quantity(hz, 'Hz')}"
        for hz in _SHOWN_HZ
        if low <= hz <= high
        for db in [np.interp(np.log(hz), np.log(response.frequency_hz), apart)]
    )
    emf = format_quantity(job.source_level_v, "V")
    loading = job.loading
    return (
        ("Curve", curve_label(job.curve.name)),
        ("Level", f"{format_quantity(level.output_v, 'V')} at 1 kHz from {emf} EMF"),
        ("Source", format_quantity(loading.source_resistance, "ohm")),
        ("Load", f"{format_quantity(loading.load_resistance, 'ohm')}, "
         f"{format_quantity(loading.load_capacitance, 'F', digits=3)}"),
        ("A perfect unit reads, dB re 1 kHz", reads),
        ("Serial", ""),
        ("Date", ""),
    )  # fmt: skip
