"""A level that is off by a factor of two: an EMF taken for the voltage into a matched load.

A generator set for a load of 50 ohm shows half its EMF.  A network hardly loads it, and so gets
all of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from antecurve.judge.figure_limits import FigureLimit
from antecurve.judge.probe_factor import gain_is_explained, right_gain
from antecurve.judge.unit_figure import UnitFigure

__all__ = ["gain_question", "level_question"]

_TWICE_DB = 20.0 * math.log10(2.0)
_NEAR_DB = 0.3  # more than parts of usual tolerance move a network's level


def gain_question(figures: Sequence[UnitFigure], limits: Sequence[FigureLimit]) -> str:
    """Ask about a gain that half or twice the level would bring within what is right.

    That is its limit; without one, what is usual, where the level was stated and not measured.

    Parameters
    ----------
    figures : sequence of UnitFigure
        Figures of a unit.
    limits : sequence of FigureLimit
        Their limits.

    Returns
    -------
    str
        A text with the option that decides; empty where nothing suggests a factor of two.
    """
    gain = next((f for f in figures if f.name == "gain"), None)
    stated = any(limit.name == "gain" for limit in limits)
    if gain is None or not (stated or gain.scale == "emf"):
        return ""
    right, words = right_gain(limits)
    for off, word in ((_TWICE_DB, "twice"), (-_TWICE_DB, "half")):
        if gain_is_explained(gain, right, off_db=-off):
            return (
                f"is the EMF {word} the level stated? The gain would be {gain.value - off:.1f} dB, "
                f"within {words}. A generator set for 50 ohm shows half its EMF. State the EMF of "
                "a sine at full scale with --full-scale, or record the stimulus in volts"
            )
    return ""


def level_question(off_db: float | None) -> str:
    """Ask about a network that seems to be off by a factor of two.

    Parameters
    ----------
    off_db : float or None
        Level of its output re that by its design, at 1 kHz [dB]; ``None`` where it is not told.

    Returns
    -------
    str
        A text with the option that decides; empty where nothing suggests a factor of two.
    """
    if off_db is None or abs(abs(off_db) - _TWICE_DB) > _NEAR_DB:
        return ""
    word = "twice" if off_db > 0.0 else "half"
    return (
        f"is the EMF {word} the level stated? The network's output is {off_db:+.1f} dB re its "
        "design at 1 kHz. A generator set for 50 ohm shows half its EMF. The calibration leaves "
        "the level open; judge takes the EMF from --full-scale"
    )
