"""The chart of a diagnosis: what was captured, and what explains it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from antecurve.report.chart import BLACK, BLUE, GREEN, Chart, Line, frequency_chart

if TYPE_CHECKING:
    from antecurve.diagnose.suspect import Diagnosis

__all__ = ["explanation_chart", "explanation_text"]


def explanation_chart(diagnosis: Diagnosis) -> Chart:
    """Chart the level captured against that of the first suspect and of a good unit.

    Parameters
    ----------
    diagnosis : Diagnosis
        The diagnosis.

    Returns
    -------
    Chart
        Levels over the circuit on paper in dB.
    """
    level = diagnosis.level
    hz = level.frequency_hz
    captured = Line(
        x=hz, y=level.captured_db, colour=GREEN, dash="points", width=5.0, label="captured"
    )
    good = Line(x=hz, y=level.good_db, colour=BLACK, dash="dashed", label="within tolerance")
    lines: tuple[Line, ...] = (good, captured)
    if not diagnosis.called_good:
        label = f"{' and '.join(diagnosis.suspects[0].refs)} at fault"
        lines = (good, Line(x=hz, y=level.suspect_db, colour=BLUE, label=label), captured)
    return frequency_chart(lines, "dB over the circuit on paper", diagnosis.own_error.band_hz)


def explanation_text(diagnosis: Diagnosis) -> str:
    """Describe the chart in words.

    Parameters
    ----------
    diagnosis : Diagnosis
        The diagnosis.

    Returns
    -------
    str
        How far the captured level is from the circuit on paper, and what each explanation leaves.
    """
    captured, first = diagnosis.level.captured_db, diagnosis.suspects[0]
    unexplained = f"A unit within tolerance leaves {diagnosis.misfit_db:.2f} dB rms of it"
    if not diagnosis.called_good:
        unexplained += f", {' and '.join(first.refs)} at fault {first.misfit_db:.2f} dB"
    return (
        f"Level captured, over the circuit on paper: from {np.min(captured):+.2f} to "
        f"{np.max(captured):+.2f} dB. {unexplained}."
    )
