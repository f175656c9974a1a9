"""The nearest level, shunt resistance, pole, form or pole pair with which a curve can be made.

The search returns records; `antecurve.synthesis.remedy` words them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from antecurve.algebra.zero_pole_gain import COINCIDENT, ZeroPoleGain
from antecurve.curves.model import Curve, level_db, zero_pole_gain
from antecurve.networks.topology import Loading
from antecurve.synthesis.bracketing import boundary
from antecurve.synthesis.sections import ExactNetwork, named_form, realise
from antecurve.synthesis.sections.section import Form, Requirements

__all__ = [
    "OTHER_FORMS",
    "Bound",
    "Candidate",
    "Level",
    "NoPair",
    "OtherForm",
    "Pole",
    "PoleSplit",
    "Shunt",
    "feasible",
    "nearest_feasible",
    "nearest_split",
]

OTHER_FORMS = (
    "foster-1",
    "output-capacitor-foster-1",
    "rc-shunt-foster-1",
    "cascade-long-first",
)
"""Forms that are tried where the one asked for does not make a curve: one of each kind."""
_SPLIT_FORM = "output-capacitor-foster-1"
"""The form for two ultrasonic poles, tried where the one asked for makes no pair."""
_COST_FREQUENCIES_HZ = (20e3, 100e3)
"""End of the audio band, and where the two poles of a pair matter most."""
_STEPS = 24
"""Steps of a search to each side: 3.3 dB over the span of levels; what is found is then halved."""
_POLE_SPAN = 4.0
"""Two octaves: a pole farther away makes another curve."""
_ANY_POLE_SPAN = 30.0
"""Where nothing else helps: from 50 kHz down to the audio band, or up to where strays rule."""
_LEVEL_SPAN = 1e4
"""80 dB, from a line output down to a cartridge."""
_SHUNT_SPAN = 1e3
"""From 500 ohm down to less than an ohm and up to more than any load."""
_HALVINGS = 24
"""The step, below a decade, halved to a relative 1e-7, finer than the four digits printed."""


@dataclass(frozen=True, slots=True)
class Bound:
    """The curve's rise towards DC has to end."""


@dataclass(frozen=True, slots=True)
class NoPair:
    """No pair of poles in place of a double one works."""


@dataclass(frozen=True, slots=True)
class Level:
    """The nearest level at which a form makes the curve.

    Attributes
    ----------
    gain : float
        Magnitude of H at 1 kHz.
    other_form : str
        Name of the form; empty for the one asked for.
    """

    gain: float
    other_form: str = ""


@dataclass(frozen=True, slots=True)
class Shunt:
    """The nearest resistor across the output with which the form makes the curve.

    Attributes
    ----------
    resistance : float
        Its value [ohm].
    """

    resistance: float


@dataclass(frozen=True, slots=True)
class Pole:
    """The nearest highest pole with which the form makes the curve.

    Attributes
    ----------
    time_constant, wanted : float
        Its time constant, and that of the curve's own pole [s].
    """

    time_constant: float
    wanted: float


@dataclass(frozen=True, slots=True)
class OtherForm:
    """A form that makes the curve as it is.

    Attributes
    ----------
    name : str
        Its name.
    """

    name: str


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


Candidate = Bound | NoPair | Level | Shunt | Pole | OtherForm | PoleSplit
"""One change with which the curve can be made, or what rules every change out."""


def feasible(form: Form, requirements: Requirements) -> bool:
    """Tell whether a form makes a curve, without a close look.

    Parameters
    ----------
    form : Form
        The form.
    requirements : Requirements
        Curve, loading, gain and the freely chosen values.

    Returns
    -------
    bool
        Whether there is a network that is not hard to see.
    """
    quick = replace(requirements, explain=False, closely=False)
    return isinstance(realise(form, quick), ExactNetwork)


def nearest_feasible(
    form: Form, curve: Curve, requirements: Requirements, *, structural: bool
) -> tuple[Candidate, ...]:
    """Search for the nearest change with which a curve can be made.

    Parameters
    ----------
    form : Form
        The form that does not make it.
    curve : Curve
        The curve.
    requirements : Requirements
        What was asked for; the section ratio does not count.
    structural : bool
        Whether no level and no pole can help with this form.

    Returns
    -------
    tuple of Candidate
        Each works by itself; empty where no built-in form makes the curve.
    """
    r = replace(requirements, curve=requirements.curve.lowest_terms(), section_ratio=1.0)
    if _double(curve) is not None:
        split = nearest_split(
            curve,
            form=form.name,
            loading=r.loading,
            gain=r.gain,
            shunt_resistance=r.shunt_resistance,
        )
        return (NoPair() if split is None else split,)
    if r.curve.poles_at_origin:
        return (Bound(),)
    candidates = () if structural else _of_this_form(form, r)
    return candidates or _of_other_forms(form, r)


def _of_this_form(form: Form, r: Requirements) -> tuple[Candidate, ...]:
    """The nearest level, resistor across the output and highest pole."""
    candidates: list[Candidate] = []
    gain = _nearest_level(form, r)
    if gain is not None:
        candidates.append(Level(gain))
    resistance = _nearest(
        lambda ohm: feasible(form, replace(r, shunt_resistance=ohm)),
        r.shunt_resistance,
        span=_SHUNT_SPAN,
    )
    if resistance is not None:
        candidates.append(Shunt(resistance))
    # A pole much farther away makes another curve: only where nothing else helps.
    pole = _nearest_pole(form, r, _POLE_SPAN if candidates else _ANY_POLE_SPAN)
    return (*candidates, *((pole,) if pole is not None else ()))


def _of_other_forms(form: Form, r: Requirements) -> tuple[Candidate, ...]:
    """Forms that make the curve as it is, else those that make it at another level."""
    others = [named_form(name) for name in OTHER_FORMS if name != form.name]
    made = tuple(OtherForm(other.name) for other in others if feasible(other, r))
    if made:
        return made
    gains = {other.name: _nearest_level(other, r) for other in others}
    return tuple(Level(gain, name) for name, gain in gains.items() if gain is not None)


def _nearest_level(form: Form, r: Requirements) -> float | None:
    return _nearest(
        lambda gain: gain < 1.0 and feasible(form, replace(r, gain=gain)), r.gain, span=_LEVEL_SPAN
    )


def _nearest_pole(form: Form, r: Requirements, span: float) -> Pole | None:
    if not r.curve.poles_s:
        return None
    wanted = r.curve.poles_s[-1]
    time = _nearest(
        lambda t: feasible(form, replace(r, curve=_moved(r.curve, t))), wanted, span=span
    )
    if time is None or _moved(r.curve, time).poles_s[-1] != time:
        return None
    return Pole(time, wanted)


def nearest_split(
    curve: Curve,
    *,
    form: str = _SPLIT_FORM,
    loading: Loading,
    gain: float,
    shunt_resistance: float,
) -> PoleSplit | None:
    """Find the nearest pair of poles that can be had in place of a double ultrasonic pole.

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
    index, centre = pair

    def split(ratio: float) -> Curve:
        poles = list(curve.ultrasonic_poles_s)
        poles[index : index + 2] = [centre * math.sqrt(ratio), centre / math.sqrt(ratio)]
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
        curve = zero_pole_gain(split(ratio))
        return feasible(form, Requirements(curve, loading, gain, shunt_resistance))

    below = 1.0 + COINCIDENT
    for excess in np.geomspace(1e-6, 1e4, 121):
        ratio = 1.0 + float(excess)
        if works(ratio):
            return boundary(works, fails=below, holds=ratio, halvings=_HALVINGS)
        below = ratio
    return None


def _double(curve: Curve) -> tuple[int, float] | None:
    """Index and time constant of a double ultrasonic pole."""
    for index, (longer, shorter) in enumerate(pairwise(curve.ultrasonic_poles_s)):
        if longer - shorter <= COINCIDENT * longer:
            return index, math.sqrt(longer * shorter)
    return None


def _moved(curve: ZeroPoleGain[float], highest: float) -> ZeroPoleGain[float]:
    """The curve with its highest pole moved."""
    return replace(curve, poles_s=tuple(sorted((*curve.poles_s[:-1], highest), reverse=True)))


def _nearest(works: Callable[[float], bool], start: float, *, span: float) -> float | None:
    """The value nearest to a start, on a log scale, for which a condition holds."""
    last = {1.0: start, -1.0: start}
    for step in range(1, _STEPS + 1):
        for direction in (-1.0, 1.0):
            value = start * span ** (direction * step / _STEPS)
            if works(value):
                return boundary(works, fails=last[direction], holds=value, halvings=_HALVINGS)
            last[direction] = value
    return None
