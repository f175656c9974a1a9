"""Output and stimulus laid over each other: charts, words and a table."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from antecurve.report.chart import BLACK, BLUE, GREEN, ORANGE, Chart, Line, Panel, frequency_chart
from antecurve.report.text_table import ABSENT, TextTable, column, table_of

if TYPE_CHECKING:
    from antecurve.judge.overlay import Overlay

__all__ = ["octave_chart", "octave_rows", "octave_text", "overlay_chart", "overlay_chart_text"]

_SHOWN_S = 0.02  # twenty periods of 1 kHz, one of 50 Hz
_LEAST_WIDTH = math.sqrt(2.0)  # from the centre of an octave to its edge


def _shown(overlay: Overlay) -> slice:
    """The samples of the time in which output and stimulus differ most."""
    count = min(overlay.output.size, max(2, round(_SHOWN_S * overlay.rate_hz)))
    energy = np.concatenate([[0.0], np.cumsum(overlay.difference**2)])
    first = int(np.argmax(energy[count:] - energy[:-count]))
    return slice(first, first + count)


def overlay_chart(overlay: Overlay) -> Chart:
    """Chart output and stimulus laid over each other, and their difference.

    Parameters
    ----------
    overlay : Overlay
        The overlay.

    Returns
    -------
    Chart
        The 20 ms in which they differ most, in per cent of the output's peak.
    """
    shown, percent = _shown(overlay), 100.0 / float(np.abs(overlay.output).max())
    time = 1e3 * np.arange(shown.start, shown.stop) / overlay.rate_hz
    output, difference = (percent * x[shown] for x in (overlay.output, overlay.difference))
    traces = (
        Line(x=time, y=output - difference, colour=ORANGE, dash="dashed", width=2.6,
             label="stimulus behind an ideal unit"),
        Line(x=time, y=output, colour=BLUE, width=1.4, label="output"),
    )  # fmt: skip
    return Chart(
        panels=(
            Panel(marks=traces, y_label="% of the peak"),
            Panel(marks=(Line(x=time, y=difference, colour=BLACK, width=1.4),),
                  y_label="difference in %"),
        ),
        x_label="time in the record in ms",
        x_range=(float(time[0]), float(time[-1])),
        height=420.0,
    )  # fmt: skip


def overlay_chart_text(overlay: Overlay) -> str:
    """Describe the chart of the traces in words.

    Parameters
    ----------
    overlay : Overlay
        The overlay.

    Returns
    -------
    str
        Where they differ most; `Overlay.text` says by how much over the whole record.
    """
    shown = _shown(overlay)
    return (
        f"Output and stimulus from {1e3 * shown.start / overlay.rate_hz:.0f} ms on, where they "
        "differ most, in % of the output's peak."
    )


def octave_chart(overlay: Overlay) -> Chart:
    """Chart the difference in octaves, split into what it is.

    Parameters
    ----------
    overlay : Overlay
        The overlay.

    Returns
    -------
    Chart
        Levels in dB re the output in the same octave.
    """
    hz = overlay.octave_hz
    seen = ~np.isnan(overlay.octave_distortion_db)
    lines = [
        Line(x=hz, y=overlay.octave_db, colour=BLACK, width=2.6, label="difference"),
        Line(x=hz, y=overlay.octave_explained_db, colour=BLUE, dash="dashed", label="response"),
        Line(x=hz, y=overlay.octave_noise_db, colour=GREEN, dash="dotted", label="noise and hum"),
    ]
    if seen.any():
        lines.append(
            Line(x=hz[seen], y=overlay.octave_distortion_db[seen], colour=ORANGE, dash="points",
                 width=7.0, label="distortion")
        )  # fmt: skip
    ends = (float(hz[0]) / _LEAST_WIDTH, float(hz[-1]) * _LEAST_WIDTH)
    return frequency_chart(tuple(lines), "level in dB re the output", ends)


def octave_text(overlay: Overlay) -> str:
    """Describe the chart of octaves in words.

    Parameters
    ----------
    overlay : Overlay
        The overlay.

    Returns
    -------
    str
        The octave with the largest difference.
    """
    worst = int(np.argmax(overlay.octave_db))
    return (
        f"The difference is largest in the octave about {overlay.octave_hz[worst]:.0f} Hz: "
        f"{overlay.octave_db[worst]:.1f} dB of the output there."
    )


def octave_rows(overlay: Overlay) -> TextTable:
    """Tabulate the difference in octaves.

    Parameters
    ----------
    overlay : Overlay
        The overlay.

    Returns
    -------
    TextTable
        Difference, response, noise and hum, distortion [dB].
    """
    columns = {
        "octave in Hz": [f"{f:.5g}" for f in overlay.octave_hz],
        "difference in dB": _decibels(overlay.octave_db),
        "response": _decibels(overlay.octave_explained_db),
        "noise and hum": _decibels(overlay.octave_noise_db),
        "distortion": _decibels(overlay.octave_distortion_db),
    }
    return table_of(*(column(name, cells) for name, cells in columns.items()))


def _decibels(levels: np.ndarray) -> list[str]:
    return [ABSENT if math.isnan(level) else f"{level:.1f}" for level in levels]
