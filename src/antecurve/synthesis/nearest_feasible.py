"""What would work instead: the nearest level, the nearest pole, another form, a split pole."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from antecurve.algebra.zero_pole_gain import COINCIDENT, ZeroPoleGain
from antecurve.curves.model import Curve, level_db, zero_pole_gain
from antecurve.networks.topology import Loading
from antecurve.quantities import format_quantity
from antecurve.synthesis.form import Form
from antecurve.synthesis.realise import ExactNetwork, realise
from antecurve.synthesis.registry import named_form

__all__ = ["OTHER_FORMS", "UNBOUNDED_REMEDY", "PoleSplit", "nearest_split", "remedy"]

UNBOUNDED_REMEDY = "give the curve a low_end_bound, such as 2 Hz, where its rise ends"
"""What to do about a curve that rises towards DC without end."""


OTHER_FORMS = (
    "foster-1",
    "output-capacitor-foster-1",
    "rc-shunt-foster-1",
    "cascade-long-first",
)
"""Forms that are tried where the one asked for does not make a curve."""
_SPLIT_FORM = "output-capacitor-foster-1"
_COST_FREQUENCIES_HZ = (20e3, 100e3)
_STEPS = 24
_POLE_SPAN = 4.0
_ANY_POLE_SPAN = 30.0
_HALVINGS = 24


@dataclass(frozen=True, slots=True)
class PoleSplit:
    """The nearest pair of different poles in place of a double one.

    Attributes
    ----------
    form : str
        Name of the form that makes it.
    frequencies_hz : tuple of float
        The two poles [Hz], lower first; their geometric mean is the double pole.
    cost_db : tuple of float
        Level of the curve with the pair less that with the double pole [dB], 0 at 1 kHz, at
        20 kHz and at 100 kHz.
    curve : Curve
        The curve with the pair.
    """

    form: str
    frequencies_hz: tuple[float, float]
    cost_db: tuple[float, float]
    curve: Curve


def remedy(
    form: Form,
    curve: Curve,
    *,
    loading: Loading,
    gain: float,
    shunt_resistance: float,
    structural: bool,
    source_level_v: float | None = None,
) -> str:
    """Return what would work instead, in words.

    Parameters
    ----------
    form : Form
        The form that does not work.
    curve : Curve
        The curve.
    loading : Loading
        Source and load.
    gain : float
        Magnitude of H at 1 kHz.
    shunt_resistance : float
        The resistor across the output [ohm].
    structural : bool
        Whether no level and no pole can help with this form.
    source_level_v : float, optional
        EMF [V, rms], to say levels in volts as well.

    Returns
    -------
    str
        End of a sentence.
    """
    if _has_double_pole(curve):
        split = nearest_split(
            curve, form=form.name, loading=loading, gain=gain, shunt_resistance=shunt_resistance
        )
        return _split_words(split)
    found = zero_pole_gain(curve).lowest_terms()
    if found.poles_at_origin:
        return UNBOUNDED_REMEDY

    def works(
        candidate: Form, tried: ZeroPoleGain[float], at: float, shunt: float = shunt_resistance
    ) -> bool:
        result = realise(
            candidate,
            tried,
            loading=loading,
            gain=at,
            shunt_resistance=shunt,
            explain=False,
            closely=False,
        )
        return isinstance(result, ExactNetwork)

    def nearest_level(candidate: Form) -> float | None:
        return _nearest(lambda x: x < 1.0 and works(candidate, found, x), gain, span=1e4)

    def nearest_pole(span: float) -> float | None:
        if not found.poles_s:
            return None
        pole = _nearest(lambda t: works(form, _moved(found, t), gain), found.poles_s[-1], span=span)
        return pole if pole is not None and _moved(found, pole).poles_s[-1] == pole else None

    words = []
    if not structural:
        level = nearest_level(form)
        if level is not None:
            words.append(f"{_rounded_level(level, gain, source_level_v)} works")
        shunt = _nearest(lambda r: works(form, found, gain, r), shunt_resistance, span=1e3)
        if shunt is not None:
            resistance = _rounded(shunt, shunt_resistance, "ohm")
            words.append(f"a resistor across the output of {resistance} works")
        # A pole much farther away makes another curve: only where nothing else helps.
        pole = nearest_pole(_POLE_SPAN if words else _ANY_POLE_SPAN)
        if pole is not None:
            highest, wanted = (1.0 / (2.0 * math.pi * t) for t in (pole, found.poles_s[-1]))
            words.append(f"a highest pole of {_rounded(highest, wanted, 'Hz')} works")
    others = [named_form(name) for name in OTHER_FORMS if name != form.name]
    if not words:
        words = [f"the form {f.name} makes it" for f in others if works(f, found, gain)]
    if not words:
        levels = {f.name: nearest_level(f) for f in others}
        words = [
            f"the form {name} makes it at {_rounded_level(level, gain, source_level_v)}"
            for name, level in levels.items()
            if level is not None
        ]
    return ", or ".join(words) or "change the curve's time constants: no built-in form makes it"


def nearest_split(
    curve: Curve,
    *,
    form: str = _SPLIT_FORM,
    loading: Loading,
    gain: float,
    shunt_resistance: float,
) -> PoleSplit | None:
    """Return the nearest pair of poles that can be had in place of a double ultrasonic pole.

    Parameters
    ----------
    curve : Curve
        A curve two ultrasonic poles of which are the same.
    form : str, optional
        Name of the form; where it can't make such a curve at all,
        ``output-capacitor-foster-1`` is taken.
    loading : Loading
        Source and load.
    gain : float
        Magnitude of H at 1 kHz, above 0 and below 1.
    shunt_resistance : float
        The resistor across the output [ohm].

    Returns
    -------
    PoleSplit or None
        The pair with the smallest ratio; ``None`` when no pair works.

    Raises
    ------
    InputError
        When there is no such form.

    Notes
    -----
    The pair keeps the geometric mean, so the level far above both poles is the same.  Each form
    has its own smallest ratio, as the condition D(-1/T) = g N(-1/T) has to have a root between
    the two poles.
    """
    pair = _double(curve)
    if pair is None:
        return None
    place, centre = pair

    def split(ratio: float) -> Curve:
        poles = list(curve.ultrasonic_poles_s)
        poles[place : place + 2] = [centre * math.sqrt(ratio), centre / math.sqrt(ratio)]
        return replace(curve, ultrasonic_poles_s=tuple(poles))

    for name in dict.fromkeys((form, _SPLIT_FORM)):
        ratio = _smallest_ratio(named_form(name), split, loading, gain, shunt_resistance)
        if ratio is not None:
            frequency = 1.0 / (2.0 * math.pi * centre)
            cost = level_db(split(ratio), _COST_FREQUENCIES_HZ)
            cost = cost - level_db(curve, _COST_FREQUENCIES_HZ)
            return PoleSplit(
                name,
                (frequency / math.sqrt(ratio), frequency * math.sqrt(ratio)),
                (float(cost[0]), float(cost[1])),
                split(ratio),
            )
    return None


def _smallest_ratio(
    form: Form,
    split: Callable[[float], Curve],
    loading: Loading,
    gain: float,
    shunt_resistance: float,
) -> float | None:
    def works(ratio: float) -> bool:
        return isinstance(
            realise(
                form,
                zero_pole_gain(split(ratio)),
                loading=loading,
                gain=gain,
                shunt_resistance=shunt_resistance,
                explain=False,
                closely=False,
            ),
            ExactNetwork,
        )

    below = 1.0 + COINCIDENT
    for excess in np.geomspace(1e-6, 1e4, 121):
        ratio = 1.0 + float(excess)
        if works(ratio):
            return _bisected(works, below, ratio)
        below = ratio
    return None


def _double(curve: Curve) -> tuple[int, float] | None:
    """Place and time constant of a double ultrasonic pole."""
    poles = curve.ultrasonic_poles_s
    for place in range(len(poles) - 1):
        if poles[place] - poles[place + 1] <= COINCIDENT * poles[place]:
            return place, math.sqrt(poles[place] * poles[place + 1])
    return None


def _has_double_pole(curve: Curve) -> bool:
    return _double(curve) is not None


def _split_words(split: PoleSplit | None) -> str:
    if split is None:
        return "no pair of poles around it works at this level and loading either"
    low, high = (format_quantity(f, "Hz") for f in split.frequencies_hz)
    return (
        f"the nearest pair is {low} and {high} (form {split.form}), which costs "
        f"{split.cost_db[0]:+.3f} dB at 20 kHz and {split.cost_db[1]:+.3f} dB at 100 kHz"
    )


def _moved(found: ZeroPoleGain[float], highest: float) -> ZeroPoleGain[float]:
    """The curve with its highest pole moved."""
    return replace(found, poles_s=tuple(sorted((*found.poles_s[:-1], highest), reverse=True)))


def _nearest(works: Callable[[float], bool], start: float, *, span: float) -> float | None:
    """The value nearest to a start, on a log scale, for which a condition holds."""
    last = {1.0: start, -1.0: start}
    for step in range(1, _STEPS + 1):
        for direction in (-1.0, 1.0):
            value = start * span ** (direction * step / _STEPS)
            if works(value):
                return _bisected(works, last[direction], value)
            last[direction] = value
    return None


def _bisected(works: Callable[[float], bool], fails: float, holds: float) -> float:
    for _ in range(_HALVINGS):
        middle = math.sqrt(fails * holds)
        if works(middle):
            holds = middle
        else:
            fails = middle
    return holds


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
