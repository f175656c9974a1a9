"""A gain that no playback preamplifier has, and that a probe's factor explains.

A probe of 10:1 that the oscilloscope takes for 1:1 shows a tenth of the voltage.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from antecurve.judge.conformity import Decision
from antecurve.judge.figure_limits import FigureLimit, figure_decisions, worst_decision
from antecurve.judge.unit_figure import UnitFigure

__all__ = ["gain_is_explained", "probe_question", "right_gain"]

_PROBE_DB = 20.0  # of 10:1
_USUAL_DB = (30.0, 70.0)  # moving magnets to moving coils, 1 kHz; common practice, no source


def right_gain(limits: Sequence[FigureLimit]) -> tuple[list[FigureLimit], str]:
    """Tell which gain is right: the one stated, or else what is usual.

    Parameters
    ----------
    limits : sequence of FigureLimit
        Limits of figures.

    Returns
    -------
    tuple
        Limits of the gain, and how they are called.
    """
    own = [limit for limit in limits if limit.name == "gain"]
    low, high = _USUAL_DB
    if own:
        return own, "its limit"
    return [FigureLimit("gain", low, high)], f"the {low:.0f} to {high:.0f} dB that are usual"


def gain_is_explained(gain: UnitFigure, right: Sequence[FigureLimit], *, off_db: float) -> bool:
    """Tell whether a gain is wrong as it is, and right with a factor.

    Parameters
    ----------
    gain : UnitFigure
        The gain.
    right : sequence of FigureLimit
        Limits of it.
    off_db : float
        The factor that it would be larger by [dB].

    Returns
    -------
    bool
        Whether both are sure.
    """
    values = (gain.value, gain.value + off_db)
    decisions = [
        worst_decision([d.decision for d in figure_decisions([replace(gain, value=v)], right)])
        for v in values
    ]
    return decisions == [Decision.FAIL, Decision.PASS]


def probe_question(figures: Sequence[UnitFigure], limits: Sequence[FigureLimit]) -> str:
    """Ask about a gain beyond its limit, or what is usual, that a probe's factor brings back.

    Parameters
    ----------
    figures : sequence of UnitFigure
        Figures of a unit.
    limits : sequence of FigureLimit
        Their limits.

    Returns
    -------
    str
        A text with the gain that each reading gives; empty where nothing suggests a probe.
    """
    gain = next((f for f in figures if f.name == "gain"), None)
    if gain is None or gain.scale not in ("volts", "emf"):
        return ""
    right, words = right_gain(limits)
    stated = "" if words == "its limit" else ", or state what is right as a limit with --limits"
    probes = ((_PROBE_DB, "output"), (-_PROBE_DB, "stimulus"))
    for off, channel in probes if gain.scale == "volts" else probes[:1]:
        if gain_is_explained(gain, right, off_db=off):
            return (
                f"is a probe of 10:1 at the {channel} taken for 1:1? The gain of "
                f"{gain.value:.1f} dB would be {gain.value + off:.1f} dB, within {words}. "
                f"Set the probe's factor{stated}"
            )
    return ""
