"""A test signal in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from antecurve.quantities import format_quantity
from antecurve.texts import capitalised

if TYPE_CHECKING:
    from antecurve.signals.signal import Signal

__all__ = ["signal_lines"]

_SAME = 1e-6  # of a frequency: six digits of it are printed
_NAMES = {
    "square": "square wave",
    "sines": "sine steps",
    "sweep": "logarithmic sweep",
    "multitone": "multitone",
    "noise": "pink noise",
}


def signal_lines(signal: Signal) -> list[str]:
    """Say what a signal is.

    Parameters
    ----------
    signal : Signal
        The signal.

    Returns
    -------
    list of str
        Sentences.
    """
    asked = signal.request
    runs = f", {asked.repetitions} times" if asked.repetitions > 1 else ""
    length = format_quantity(asked.run_samples / asked.rate_hz, "s")
    rate = format_quantity(asked.rate_hz, "Hz")
    name = _NAMES[asked.kind]
    lines = [
        f"{capitalised(name)} of {length}{runs} at {rate}; the file lasts {signal.seconds:.1f} s.",
        f"Peak {_levels(asked.level_db)} re full scale, crest factor {signal.crest_db:.1f} dB, "
        f"rms {signal.rms_db:.1f} dB re a sine of full scale.",
        _frequencies(signal),
    ]
    if signal.edge is not None:
        lines.append(
            f"Band-limited to {format_quantity(asked.highest_hz, 'Hz')}: the edge rises "
            f"(10 to 90 %) in {format_quantity(signal.edge.rise_time_s, 's', digits=3)} "
            f"and ripples by {100.0 * signal.edge.overshoot:.1f} % of the step. "
            f"Its {signal.edge.harmonics} odd harmonics are those of an ideal square wave."
        )
    if asked.cue:
        lines.append(
            "A rising tone of 0.1 s comes before it and a falling one after it: they align the "
            "record."
        )
    return lines


def _levels(level_db: tuple[float, ...]) -> str:
    if len(level_db) == 1:
        return f"{level_db[0]:g} dB"
    return f"{level_db[0]:g} to {level_db[-1]:g} dB in {len(level_db)} levels"


def _frequencies(signal: Signal) -> str:
    asked = signal.request
    if signal.edge is not None:
        played, wanted = signal.edge.frequency_hz, asked.frequencies_hz[0]
        text = f"Frequency {format_quantity(played, 'Hz', digits=6)}"
        if abs(played / wanted - 1.0) > _SAME:
            text += f", not {format_quantity(wanted, 'Hz', digits=6)}: a run holds whole periods"
        return f"{text}."
    if not asked.frequencies_hz:
        low, high = (format_quantity(f, "Hz") for f in signal.ends_hz)
        tones = f"{signal.tones_hz.size} tones from" if signal.tones_hz.size else "From"
        return f"{tones} {low} to {high}."
    values = [format_quantity(f, "Hz") for f in asked.frequencies_hz]
    if len(values) > 4:
        return f"{len(values)} frequencies from {values[0]} to {values[-1]}."
    return f"Frequencies: {', '.join(values)}."
