"""What stands on the box: a label to cut out."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from antecurve.curves.catalogue import curve_label
from antecurve.quantities import format_quantity
from antecurve.report.text_table import signed

if TYPE_CHECKING:
    from antecurve.networks.topology import Loading
    from antecurve.pipeline import Design

__all__ = ["box_label", "load_text", "source_text", "switch_label"]

_SHOWN_HZ = (20.0, 50.0, 100.0, 10e3, 15e3, 20e3)  # where curves and their limits bend most
_READS = "A perfect unit reads, dB re 1 kHz"
_BY_HAND = ("Serial", ""), ("Date", "")


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
    job = design.job
    return (
        ("Curve", curve_label(job.curve.name)),
        ("Level", _level(design)),
        ("Source", source_text(job.loading)),
        ("Load", load_text(job.loading)),
        (_READS, _perfect_readings(design)),
        *_BY_HAND,
    )


def switch_label(positions: Iterable[tuple[str, Design]]) -> tuple[tuple[str, str], ...]:
    """Write the label of a box with a switch.

    Parameters
    ----------
    positions : iterable of (str, Design)
        Names and designs of the positions of the switch, with their analyses.

    Returns
    -------
    tuple of (str, str)
        Names and values: of each position level and what a perfect unit reads, then source, load,
        serial number and date, both to be written by hand.
    """
    named = list(positions)
    rows = [
        row
        for name, design in named
        for row in ((name, _level(design)), (_READS, _perfect_readings(design)))
    ]
    loading = named[0][1].job.loading
    return (
        *rows,
        ("Source", source_text(loading)),
        ("Load", load_text(loading)),
        *_BY_HAND,
    )


def source_text(loading: Loading) -> str:
    """Word the resistance of the generator.

    Parameters
    ----------
    loading : Loading
        Source and load.

    Returns
    -------
    str
        Such as ``50 Ω``.
    """
    return format_quantity(loading.source_resistance, "ohm")


def load_text(loading: Loading) -> str:
    """Word the input of the unit.

    Parameters
    ----------
    loading : Loading
        Source and load.

    Returns
    -------
    str
        Such as ``47 kΩ, 150 pF``.
    """
    resistance = format_quantity(loading.load_resistance, "ohm")
    return f"{resistance}, {format_quantity(loading.load_capacitance, 'F', digits=3)}"


def _level(design: Design) -> str:
    emf = format_quantity(design.job.source_level_v, "V")
    return f"{format_quantity(design.analysis.level.output_v, 'V')} at 1 kHz from {emf} EMF"


def _perfect_readings(design: Design) -> str:
    """What a unit with exact playback reads, 0 dB at 1 kHz."""
    response, (low, high) = design.analysis.response, design.job.target.band_hz
    apart = response.network_db - response.published_db
    return ", ".join(
        f"{signed(float(db), digits=2)} at {format_quantity(hz, 'Hz')}"
        for hz in _SHOWN_HZ
        if low <= hz <= high
        for db in [np.interp(np.log(hz), np.log(response.frequency_hz), apart)]
    )
