"""A gain that no playback preamplifier has, and that a probe's factor explains.

A probe of 10:1 that the oscilloscope takes for 1:1 shows a tenth of the voltage.
"""

from __future__ import annotations

from collections.abc import Sequence

from antecurve.judge.figure_limits import FigureLimit
from antecurve.judge.unit_figure import UnitFigure

__all__ = ["probe_question"]

_PROBE_DB = 20.0  # of 10:1
_USUAL_DB = (30.0, 70.0)  # moving magnets to moving coils, 1 kHz; common practice, no source
_NOT_IN_VOLTS = "re full scale"  # where the gains of a sound interface's inputs count as well


def probe_question(figures: Sequence[UnitFigure], limits: Sequence[FigureLimit]) -> str:
    """Ask about a gain beyond what is usual that a probe's factor brings back.

    Parameters
    ----------
    figures : sequence of UnitFigure
        Figures of a unit.
    limits : sequence of FigureLimit
        Their limits; one of the gain says what is usual, and nothing is asked.

    Returns
    -------
    str
        A text with the gain that each reading gives; empty where nothing suggests a probe.
    """
    gain = next((f for f in figures if f.name == "gain"), None)
    stated = any(limit.name == "gain" for limit in limits)
    if gain is None or stated or _NOT_IN_VOLTS in gain.condition:
        return ""
    low, high = _USUAL_DB
    for off, channel in ((_PROBE_DB, "output"), (-_PROBE_DB, "stimulus")):
        if not low <= gain.value <= high and low <= gain.value + off <= high:
            return (
                f"is a probe of 10:1 at the {channel} taken for 1:1? The gain of "
                f"{gain.value:.1f} dB would be {gain.value + off:.1f} dB, and {low:.0f} to "
                f"{high:.0f} dB are usual. Set the probe's factor, or state what is right as a "
                "limit of the gain with --limits"
            )
    return ""
