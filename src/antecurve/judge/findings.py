"""The results of a fit in words with numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.advice import LOW_SQUARE_HZ, clear_frequency
from antecurve.judge.deviation import Deviation
from antecurve.judge.explanation import Explanation, explain
from antecurve.judge.fit import Fit
from antecurve.judge.misfit import LACKED_SHAPES
from antecurve.judge.observation import ResidualFinding, ResidualKind
from antecurve.judge.recognition import coupling_question, is_amendment, recognised_setting
from antecurve.judge.residuals import unfit_texts
from antecurve.judge.uncertainty import COVERAGE
from antecurve.judge.unit_factors import RATE_UNIT
from antecurve.judge.unit_parameters import LowEnd
from antecurve.judge.verdict import FittedValue
from antecurve.quantities import DB_PER_NEPER, format_quantity
from antecurve.texts import format_digits

__all__ = ["Findings", "describe", "time_range_text"]

Floats = NDArray[np.float64]

_WORDS = {
    "bass_shelf": "bass shelf",
    "turnover": "turnover",
    "treble": "treble",
    "low_corner": "low corner",
    "high_corner": "high corner",
    "playback_zero": "playback zero",
    "ultrasonic_zero": "ultrasonic zero",
}
_SHOWN_AT_HZ = {"turnover": 100.0, "treble": 10e3}
_TIMES_MISFIT = 2.0  # an effect not twice as large may be the misfit's own
_POLES_AND_ZERO = ("high_corner", "playback_zero")
_AT_THE_TOP = ("high_corner", "ultrasonic_zero", "playback_zero")
_GONE = 15.0  # beyond a slip of a decade: the part is not there, or shorted
_SLIP = 0.13  # a tenth, by a slip of a decade and tolerance: no record tells it from less
_MILLISECONDS = 0.01  # s: from five digits of microseconds on
_TOPOLOGIES = {True: "series equaliser", False: "feedback"}
_LEAST_EFFECT_DB = 0.05  # by judgement: below what a usual bench resolves
_LEAST_SHARE = 0.1  # of the limit: a tenth decides nothing
_ANYTHING_DB = 30.0  # of uncertainty: beyond, a number says nothing
_TRADED = 0.5  # of what the shelf's frequency moves by; where both make up for each other it is 1
_LOOSE = 0.04  # half an interval, as a fraction: what two parts of 2 % make of a product
_BAD_GAUGE_DB = 0.1  # of the uncertainty by the choice of shape: worth another capture
_PARTS = {
    "small_capacitor": "the smaller capacitor",
    "large_capacitor": "the larger capacitor",
    "small_resistor": "the smaller resistor",
    "large_resistor": "the larger resistor",
}


@dataclass(frozen=True, slots=True)
class Findings:
    """Sentences and the names behind them.

    Attributes
    ----------
    texts : tuple of str
        The gravest first.
    faults : tuple of str
        Names of constants surely off by more than the limit, the gravest first; ahead of them
        the one constant or part that explains all.
    fitted : tuple of FittedValue
        The constants less those of a top that rings, or whose poles and zero cancel one another;
        none of a unit that is not linear.
    """

    texts: tuple[str, ...]
    faults: tuple[str, ...]
    fitted: tuple[FittedValue, ...]


@dataclass(frozen=True, slots=True)
class _Effect:
    """What one constant's shift does; of an end of the band all of its poles and zeros do it."""

    value: FittedValue
    worst_db: float
    shown_hz: float
    shown_db: float
    alone_db: float  # of a playback zero without the poles beside it, where it is shown
    sure: bool
    change_db: Floats  # at the frequencies of the deviation


def describe(
    fit: Fit,
    fitted: Sequence[FittedValue],
    draws: Floats,
    *,
    deviation: Deviation,
    residuals: Sequence[ResidualFinding],
    limit_db: float,
    mains_hz: float | None = None,
) -> Findings:
    """Put a fit into words.

    Parameters
    ----------
    fit : Fit
        The fit.
    fitted : sequence of FittedValue
        The constants with their intervals.
    draws : numpy.ndarray of float, shape (draws, constants)
        Units drawn of the reported shape.
    deviation : Deviation
        The deviation over the band.
    residuals : sequence of ResidualFinding
        What the fit does not describe.
    limit_db : float
        The limit; a fault is a constant that surely exceeds it by itself [dB].
    mains_hz : float, optional
        Mains frequency [Hz] where it is known, of which advised captures keep clear.

    Returns
    -------
    Findings
        Sentences, and names of faults.
    """
    unfit = unfit_texts(residuals)
    if unfit:
        return Findings((*unfit, *_others(residuals, unfit)), (), ())
    band = (float(deviation.frequency_hz[0]), float(deviation.frequency_hz[-1]))
    effects = sorted(
        (_effect(fit, f, deviation.frequency_hz, band) for f in fitted),
        key=lambda e: -abs(e.worst_db),
    )
    rings = any(r.kind is ResidualKind.RINGING for r in residuals)
    if rings or any(_is_cancelled(e) and not _is_seen(e, deviation) for e in effects):
        effects = [e for e in effects if _base(e.value.name) not in _POLES_AND_ZERO]
    lowest = min(float(o.frequency_hz[0]) for o in fit.observations)
    joint = _joint_low(fit, fitted, draws, deviation, lowest, mains_hz)
    silent = {"bass_shelf_s", "low_corner_hz"} if joint else set()
    least = max(_LEAST_EFFECT_DB, _LEAST_SHARE * limit_db)
    constants = [e for e in effects if e.sure and _is_constant(e, deviation, residuals)]
    if any(_is_missing(e.value) for e in constants):
        # Its pole is at the top then, where the end's poles and zeros make up for it.
        constants = [e for e in constants if _base(e.value.name) not in _AT_THE_TOP]
    constants = _top_by_one_name(constants)
    notable = [e for e in constants if abs(e.worst_db) >= least and e.value.name not in silent]
    faults = [e.value.name for e in constants if abs(e.worst_db) > limit_db]
    texts = [_sentence(e, fit) for e in notable]
    cause = None
    if all(
        _is_constant(e, deviation, residuals)
        for e in effects
        if e.sure and abs(e.worst_db) > limit_db
    ):
        cause = _explanation(fit, deviation, lowest, limit_db)
    if cause is not None:
        if cause.is_part or not texts:
            texts.insert(0, _explanation_sentence(cause))
        faults = [cause.name, *(f for f in faults if f != cause.name)]
    setting = recognised_setting(fitted)
    texts += [text for text in (setting, joint, _coupling(fit, fitted)) if text]
    texts += _below_capture(fit, deviation, lowest, mains_hz)
    grave = [f.text for f in residuals if f.forbids_pass]
    texts = [*grave, *texts, *_others(residuals, grave)]
    texts = texts or ["Every time constant agrees with its nominal value."]
    shown = {e.value.name for e in effects}
    return Findings(tuple(texts), tuple(faults), tuple(f for f in fitted if f.name in shown))


def _others(residuals: Sequence[ResidualFinding], said: Sequence[str]) -> list[str]:
    """What residuals tell beside what is said, the gravest first."""
    by_gravity = sorted(residuals, key=lambda f: not f.forbids_pass)
    return [f.text for f in by_gravity if f.text not in said]


def _top_by_one_name(constants: list[_Effect]) -> list[_Effect]:
    """Keep of a high corner and a playback zero the one by which the top is off.

    Without its corner the whole top is gone, the zero as well: where both lift, the zero does.
    """
    by_name = {e.value.name: e for e in constants}
    corner, zero = by_name.get("high_corner_hz"), by_name.get("playback_zero_hz")
    if corner is None or zero is None:
        return constants
    other = corner if corner.worst_db * zero.alone_db > 0.0 else zero
    return [e for e in constants if e is not other]


def _is_constant(
    effect: _Effect, deviation: Deviation, residuals: Sequence[ResidualFinding]
) -> bool:
    """Whether a constant is one of a linear unit, not what bends a model to another shape.

    Beside a misfit constants may be off to make up for one another: setting one right must then
    take half of its effect off the largest deviation.
    """
    own = (float(np.abs(r.misfit_db).max(initial=0.0)) for r in residuals)
    beside = (float(r.uncertainty_db.max(initial=0.0)) for r in residuals)
    misfit = max((*own, *beside), default=0.0)
    if abs(effect.worst_db) <= _TIMES_MISFIT * misfit:
        return False
    if not any(r.kind in LACKED_SHAPES for r in residuals):
        return True
    off = deviation.deviation_db
    gained = np.abs(off).max() - np.abs(off - effect.change_db).max()
    return bool(gained > abs(effect.worst_db) / _TIMES_MISFIT)


def _is_seen(effect: _Effect, deviation: Deviation) -> bool:
    """Whether a constant changes more than is uncertain."""
    return bool(np.any(np.abs(effect.change_db) > deviation.expanded_uncertainty_db))


def _is_cancelled(effect: _Effect) -> bool:
    """Whether poles beside a playback zero make a notable part of what the top does."""
    return abs(effect.shown_db - effect.alone_db) >= _LEAST_EFFECT_DB


def _is_missing(value: FittedValue) -> bool:
    """Whether a time constant is so short that its part is not there."""
    return value.unit == "s" and value.nominal is not None and value.value < value.nominal / _GONE


def _coupling(fit: Fit, fitted: Sequence[FittedValue]) -> str:
    """Question about the oscilloscope, where nothing is said of the low end of its chain."""
    problem = fit.solution.problem
    told = problem.bench.chain.low_corners_hz or any(o.reference for o in problem.observations)
    told = told or not any(o.through_chain for o in problem.observations)
    corner = next((f for f in fitted if f.name == "low_corner_hz"), None)
    if told or corner is None:
        return ""
    return coupling_question(corner, quality=problem.model.quality(fit.solution.units, corner.name))


def _base(name: str) -> str:
    for key in _WORDS:
        if name.startswith(key):
            return key
    return name


def _effect(fit: Fit, value: FittedValue, frequency: Floats, band: tuple[float, float]) -> _Effect:
    model, units = fit.solution.problem.model, fit.solution.units
    index = model.index(value.name)
    assert index is not None
    ideal = units.copy()
    parameter = model.parameters[index]
    nominal = parameter.nominal
    if parameter.logarithmic and nominal is not None:
        ideal[index] = math.log(nominal)
    elif parameter.role == "lead" and nominal is not None:
        ideal[index] = parameter.start
    elif parameter.role in ("low_1", "high_1", "lift"):
        ideal = model.without_end(units, value.name)
    else:
        ideal[index] = 0.0
    kind = _base(value.name)
    shown = _SHOWN_AT_HZ.get(kind, band[1] if kind in _AT_THE_TOP else band[0])
    shown = float(np.clip(shown, *band))
    at = np.append(frequency, shown)
    change = DB_PER_NEPER * (model.log_response(units, at) - model.log_response(ideal, at)).real
    worst, alone = float(change[int(np.argmax(np.abs(change)))]), float(change[-1])
    if parameter.role == "lift":
        poles = units.copy()
        poles[index] = 0.0
        level = [float(model.log_response(u, at[-1:])[0].real) for u in (units, poles)]
        alone = DB_PER_NEPER * (level[0] - level[1])
    if nominal is None:
        sure = value.low > 0 if kind not in _AT_THE_TOP else math.isfinite(value.high)
    else:
        sure = not value.low <= nominal <= value.high
    return _Effect(value, worst, shown, float(change[-1]), alone, sure, change[:-1])


def _sentence(effect: _Effect, fit: Fit) -> str:
    value, model = effect.value, fit.solution.problem.model
    word = _WORDS.get(_base(value.name), value.name).capitalize()
    where = f"{effect.shown_db:+.2g} dB at {_hertz(effect.shown_hz)}"
    if value.unit == "Hz":
        order = ""
        if value.name in ("low_corner_hz", "high_corner_hz"):
            order = f", {model.end_in_words(fit.solution.units, value.name)}"
            order = "" if order == ", first order" else f"{order}{_first_order_too(fit, value)}"
        if _is_cancelled(effect):
            corner = float(model.high_corner_hz(fit.solution.units))
            order = f", with a high corner at {_hertz(corner)}"
        if value.name == "low_corner_hz" and not order and is_amendment(value):
            order = ", the 7950 µs of the amended disc curve"
        shown = _hertz(value.value, _digits(value))
        return f"{word} {shown} ({_range_hertz(value)}){order}: {where}"
    nominal = value.nominal
    if nominal is None:
        return f"{word} {time_range_text(value)}: {where}"
    word = f"{word} time constant"
    if _is_missing(value):
        return (
            f"{word} missing: {_micro(value.value)} µs or less (nominal {_micro(nominal)} µs): "
            f"{where}"
        )
    off = 100.0 * (value.value / nominal - 1.0)
    share = f"{float(f'{abs(off):.2g}'):.12g} % {'high' if off > 0 else 'low'}"
    if value.value > 2.0 * nominal:
        share = f"{value.value / nominal:.2g} times too large"
    return f"{word} {time_range_text(value)}, {share} (nominal {_micro(nominal)} µs): {where}"


def _first_order_too(fit: Fit, value: FittedValue) -> str:
    """Say that captures allow a low corner of first order as well as the best one."""
    allowed = {f.shape.low_end for f in fit.families if f.acceptable}
    if value.name != "low_corner_hz" or LowEnd.FIRST_ORDER not in allowed:
        return ""
    return " (the captures allow first order as well)"


def _micro(seconds: float) -> str:
    return f"{seconds * 1e6:.4g}" if math.isfinite(seconds) else "infinity"


def _time(seconds: float, digits: int = 4) -> str:
    """A time constant, in milliseconds where microseconds would need more than five digits."""
    if not math.isfinite(seconds):
        return "infinity"
    if seconds >= _MILLISECONDS:
        return f"{seconds * 1e3:.{digits}g} ms"
    return f"{seconds * 1e6:.{digits}g} µs"


def time_range_text(value: FittedValue) -> str:
    """Write a time constant with its interval.

    Parameters
    ----------
    value : FittedValue
        The constant, in seconds.

    Returns
    -------
    str
        Such as ``318 µs (315 to 321)``.
    """
    ends = value.value, value.low, value.high
    if all(t < _MILLISECONDS for t in ends):
        shown = [format_digits(t * 1e6, digits=_digits(value)) for t in ends]
        return "{} µs ({} to {})".format(*shown)
    return "{} ({} to {})".format(*(_time(t, 3) for t in ends))


def _hertz(frequency: float, digits: int = 3) -> str:
    return format_quantity(frequency, "Hz", digits=digits) if math.isfinite(frequency) else "none"


def _digits(value: FittedValue) -> int:
    """Digits with which the ends of an interval differ; three at least, six at most."""
    half = (value.high - value.low) / 2.0
    if not (math.isfinite(half) and half > 0.0 and value.value > 0.0):
        return 3
    return min(max(3, 1 + math.ceil(math.log10(value.value / half))), 6)


def _range_hertz(value: FittedValue) -> str:
    if not math.isfinite(value.high):
        return f"above {_hertz(value.low)}"
    if value.low <= 0:
        return f"below {_hertz(value.high)}"
    digits = _digits(value)
    return f"{_hertz(value.low, digits)} to {_hertz(value.high, digits)}"


def _explanation(
    fit: Fit, deviation: Deviation, lowest: float, limit_db: float
) -> Explanation | None:
    """The one cause of constants that are off by more than the limit, where captures see."""
    model, units = fit.solution.problem.model, fit.solution.units
    nominal, seen = model.start, units.copy()
    for index, parameter in enumerate(model.parameters):
        if not parameter.logarithmic:
            nominal[index] = seen[index]
    captured = deviation.frequency_hz > lowest / 2.0
    frequency = deviation.frequency_hz[captured]
    change = model.log_response(seen, frequency).real - model.log_response(nominal, frequency).real
    uncertain = deviation.expanded_uncertainty_db[captured]
    if not np.any(DB_PER_NEPER * np.abs(change) - uncertain > limit_db):
        return None
    return explain(model, units, frequency)


def _explanation_sentence(cause: Explanation) -> str:
    if not cause.is_part:
        word = _WORDS.get(_base(cause.name), cause.name)
        return (
            f"One constant explains the deviation: {word} at {cause.ratio:.3g} of its nominal value"
        )
    other = cause.in_series_equaliser
    if other is not None and _part_sentence(other) == _part_sentence(cause):
        return f"One part explains the deviation: {_part_sentence(cause)}"
    readings = [
        f"{_TOPOLOGIES[e.of_series_equaliser]}: {_part_sentence(e)}"
        for e in (other, cause)
        if e is not None
    ]
    if other is None:
        lacking = _TOPOLOGIES[not cause.of_series_equaliser]
        readings.append(f"{lacking}: no single part does")
    return f"One part explains the deviation: {'; '.join(readings)}"


def _part_sentence(cause: Explanation) -> str:
    name, resistor = _PARTS[cause.part], cause.part.endswith("resistor")
    if cause.ratio < 1.0 / _GONE:
        return f"{name} is shorted" if resistor else f"{name} is missing or not connected"
    if cause.ratio > _GONE:
        return f"{name} is open" if resistor else f"{name} is far too large"
    if cause.ratio < _SLIP:
        missing = "shorted" if resistor else "not connected"
        return f"{name} is at a tenth of its value or less, or {missing}"
    return f"{name} is at {cause.ratio:.2g} of its value"


def _joint_low(
    fit: Fit,
    fitted: Sequence[FittedValue],
    draws: Floats,
    deviation: Deviation,
    lowest: float,
    mains_hz: float | None,
) -> str:
    """Bass shelf and low corner where the captures do not tell them apart."""
    model, units = fit.solution.problem.model, fit.solution.units
    shelf, corner = model.index("bass_shelf_s"), model.index("low_corner_hz")
    if shelf is None or corner is None or not model.parameters[shelf].logarithmic:
        return ""
    value = next(f for f in fitted if f.name == "bass_shelf_s")
    nominal = value.nominal
    half = 0.5 * math.log(value.high / value.low)
    if half < _LOOSE or nominal is None or not value.low <= nominal <= value.high:
        return ""
    if not nominal / _GONE < value.value < nominal * _GONE:
        return ""
    beside = next(f for f in fitted if f.name == "low_corner_hz")
    moved_hz = (1.0 / value.low - 1.0 / value.high) / RATE_UNIT
    if beside.high - beside.low < _TRADED * moved_hz:
        return ""  # another constant makes up for the shelf
    power = model.parameters[corner].power

    def together(coordinates: Floats) -> Floats:
        rate = np.exp(-coordinates[..., shelf]) / RATE_UNIT
        low_rate = np.maximum(coordinates[..., corner], 0.0) ** (1.0 / power)
        return np.asarray(rate + low_rate)

    centre = float(together(units))
    spread = float(np.quantile(np.abs(together(draws) - centre), COVERAGE))
    decimals = max(0, 1 - math.floor(math.log10(max(spread, 1e-9))))  # two digits of the spread
    at, size, reach = (
        float(a[0])
        for a in (
            deviation.frequency_hz,
            deviation.deviation_db,
            deviation.expanded_uncertainty_db,
        )
    )
    clear = f"{clear_frequency(LOW_SQUARE_HZ, mains_hz=mains_hz):.0f} Hz"
    makes = f"which makes {size:+.2f} dB (±{reach:.2f} dB) at {_hertz(at)}"
    if reach > _ANYTHING_DB:
        makes = f"so the level at {_hertz(at)} is not known"
    advice = "" if lowest <= 50.0 else f". A square wave of {clear} tells them apart"
    return (
        f"A capture from {_hertz(lowest)} up hardly tells the bass shelf "
        f"({time_range_text(value)}) from a low corner. Their frequencies add up to "
        f"{centre:.{decimals}f} Hz (±{spread:.{decimals}f} Hz), {makes}{advice}"
    )


def _below_capture(
    fit: Fit, deviation: Deviation, lowest: float, mains_hz: float | None
) -> list[str]:
    """What the shape of the low corner leaves open below the captures."""
    below = deviation.frequency_hz < 0.75 * lowest
    if not below.any():
        return []
    reach = deviation.model_part_db[below]
    worst = int(np.argmax(reach))
    if reach[worst] < _BAD_GAUGE_DB:
        return []
    orders = sorted({f.shape.low_end for f in fit.families if f.acceptable})
    names = [order.name.lower().removesuffix("_order") for order in orders]
    shapes = " or ".join(filter(None, (", ".join(names[:-1]), names[-1]))) + " order"
    at = _hertz(float(deviation.frequency_hz[worst]))
    return [
        f"Below {_hertz(lowest)} the low corner may be of {shapes}. That adds "
        f"{reach[worst]:.2f} dB of uncertainty at {at}. A second "
        f"capture at {clear_frequency(LOW_SQUARE_HZ, mains_hz=mains_hz):.0f} Hz settles it"
    ]
