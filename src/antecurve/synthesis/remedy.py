"""What would work instead of a network that cannot be made, in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from antecurve.quantities import format_quantity
from antecurve.synthesis.nearest_feasible import (
    Bound,
    Candidate,
    Level,
    NoPair,
    OtherForm,
    Pole,
    Shunt,
)
from antecurve.synthesis.sections.section import Requirements
from antecurve.texts import capitalised

__all__ = ["UNBOUNDED_REMEDY", "remedy"]

UNBOUNDED_REMEDY = "give the curve a low_end_bound, such as 2 Hz, where its rise ends"
"""What to do about a curve that rises towards DC without end."""


def remedy(
    candidates: Sequence[Candidate],
    requirements: Requirements,
    *,
    source_level_v: float | None = None,
) -> str:
    """Word what would work instead.

    Parameters
    ----------
    candidates : sequence of Candidate
        What was found to work.
    requirements : Requirements
        What was asked for.
    source_level_v : float, optional
        EMF [V, rms], to say levels in volts as well.

    Returns
    -------
    str
        A sentence for each, without the last full stop.
    """
    words = [_words(candidate, requirements, source_level_v) for candidate in candidates]
    return (
        ". ".join(map(capitalised, words))
        or "change the curve's time constants: no built-in form makes it"
    )


def _words(candidate: Candidate, requirements: Requirements, source_level_v: float | None) -> str:
    match candidate:
        case Bound():
            return UNBOUNDED_REMEDY
        case NoPair():
            return "no pair of poles around it works at this level and loading either"
        case Level(gain, other_form):
            level = _rounded_level(gain, requirements.gain, source_level_v)
            return (
                f"the form {other_form} makes it at {level}"
                if other_form
                else f"a level of {level} works"
            )
        case Shunt(resistance):
            ohm = _rounded(resistance, requirements.shunt_resistance, "ohm")
            return f"a resistor across the output of {ohm} works"
        case Pole(time_constant, wanted):
            frequency, asked = (1.0 / (2.0 * math.pi * t) for t in (time_constant, wanted))
            return f"a highest pole of {_rounded(frequency, asked, 'Hz')} works"
        case OtherForm(name):
            return f"the form {name} makes it"
        case split:
            low, high = (format_quantity(f, "Hz") for f in split.frequencies_hz)
            return (
                f"the nearest pair is {low} and {high} (form {split.form}). It costs "
                f"{split.cost_db[0]:+.3f} dB at 20 kHz and {split.cost_db[1]:+.3f} dB at 100 kHz"
            )


def _rounded_level(level: float, wanted: float, source_level_v: float | None) -> str:
    """The level in dB with two decimals, rounded away from the one that fails, and in volts."""
    value = 20.0 * math.log10(level) * 100.0
    decibel = (math.floor(value) if level < wanted else math.ceil(value)) / 100
    volts = ""
    if source_level_v is not None:
        voltage = source_level_v * 10.0 ** (decibel / 20.0)
        emf = format_quantity(source_level_v, "V")
        volts = f" ({format_quantity(voltage, 'V')} from {emf} EMF)"
    return f"{decibel:.2f} dB at 1 kHz{volts} or {'less' if level < wanted else 'more'}"


def _rounded(value: float, wanted: float, unit: str) -> str:
    """A quantity with four digits, rounded away from the one that fails."""
    scale = 10.0 ** (math.floor(math.log10(value)) - 3)
    if value < wanted:
        return f"at most {format_quantity(math.floor(value / scale) * scale, unit)}"
    return f"at least {format_quantity(math.ceil(value / scale) * scale, unit)}"
