"""From captures of a unit to the verdict, in one call."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.as_built import MeterAccuracy
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve
from antecurve.errors import InputError
from antecurve.judge.assignment import identified
from antecurve.judge.captures import (
    Capture,
    Captures,
    SquareWaveCapture,
    SweepCapture,
    capture_sequence,
)
from antecurve.judge.conformity import Decision, LimitBand, combined_decision, decide
from antecurve.judge.consistency import different_units
from antecurve.judge.deviation import Deviation, deviation_db, deviation_of_families
from antecurve.judge.findings import describe
from antecurve.judge.fit import Family, Fit, fit_captures
from antecurve.judge.identifiability import highest_seen_hz, without_unseen_corner
from antecurve.judge.network_estimate import JudgedThrough, NetworkEstimate, estimate_of
from antecurve.judge.observations import SquareBlock
from antecurve.judge.problem import Bench
from antecurve.judge.reference import measured_chain
from antecurve.judge.residuals import Leftover, find_hum, leftovers
from antecurve.judge.saturation import limit_findings
from antecurve.judge.signal_path import CaptureChain, Generator
from antecurve.judge.uncertainty import Interval, coordinate_interval, error_draws, within_reach
from antecurve.judge.unit_model import HighEnd, LowEnd, Parameter, UnitModel, unit_model
from antecurve.judge.unused_harmonics import waveform
from antecurve.judge.verdict import FittedValue, Trace, Verdict
from antecurve.networks.centred_error import log_frequencies
from antecurve.networks.conditions import AUDIO_BAND_HZ, Conditions, conditions_of
from antecurve.networks.topology import Loading
from antecurve.quantities import DB_PER_NEPER
from antecurve.threads import single_threaded_linear_algebra

__all__ = ["JudgeRequest", "judge_unit"]

Floats = NDArray[np.float64]

_POINTS_PER_DECADE = 30
_REACH = 5.0
_MISFIT = 1.5
_TRACE_POINTS = 4000


@checked
@dataclass(frozen=True, slots=True)
class JudgeRequest:
    """How a unit is judged.

    Attributes
    ----------
    limit_db : float
        Largest deviation allowed over the band [dB], above 0.
    band_hz : tuple of float or None
        The band [Hz]; ``None`` for that of the conditions.
    mask : tuple of LimitBand
        Several limits in place of the one.
    playback : str
        ``published``: ideal playback is the inverse of the published curve; ``inverse``: of the
        job's curve, ultrasonic poles undone.
    generator : Generator
        What is known of the generator.
    chain : CaptureChain
        The capture chain by its corners.
    reference : SquareWaveCapture, SweepCapture or None
        Capture with the unit bypassed, in place of or beside the corners.
    reference_loading : Loading or None
        Load of the network during a reference through it; ``None`` for the unit's own.
    meter : MeterAccuracy
        Accuracy of the meter that measured the network's parts, where measured values are given.

    Raises
    ------
    InputError
        When a value is out of range.
    """

    limit_db: float = 0.5
    band_hz: tuple[float, float] | None = None
    mask: tuple[LimitBand, ...] = ()
    playback: str = "published"
    generator: Generator = field(default_factory=Generator)
    chain: CaptureChain = field(default_factory=CaptureChain)
    reference: Capture | None = None
    reference_loading: Loading | None = None
    meter: MeterAccuracy = field(default_factory=MeterAccuracy)

    def __post_init__(self) -> None:
        if self.playback not in ("published", "inverse"):
            raise InputError("playback", self.playback, 'use "published" or "inverse"')
        LimitBand(*(self.band_hz or AUDIO_BAND_HZ), self.limit_db)

    @property
    def limits(self) -> tuple[LimitBand, ...]:
        """The limits that count."""
        return self.mask or (LimitBand(*(self.band_hz or AUDIO_BAND_HZ), self.limit_db),)

    @property
    def judged_hz(self) -> tuple[float, float]:
        """From the lowest to the highest frequency with a limit [Hz]."""
        return min(b.low_hz for b in self.limits), max(b.high_hz for b in self.limits)


@checked
def judge_unit(
    captures: Captures,
    design: JudgedThrough,
    *,
    conditions: Conditions | None = None,
    measured: Mapping[str, float] | None = None,
    request: JudgeRequest | None = None,
) -> Verdict:
    """Judge a unit by one or more captures of it.

    Parameters
    ----------
    captures : SquareWaveCapture, SweepCapture or sequence of them
        Captures of the same unit, fitted jointly; at least one.
    design : Designed, PickedNetwork or NetworkEstimate
        The network that they went through: a design, or with `conditions` a network with parts
        or an estimate (`estimate_by_tolerance`, `exact_estimate`, a calibration).
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    measured : mapping of str to float, optional
        Measured values of the network's parts [ohm or F], as in `measured_network`.
    request : JudgeRequest, optional
        Limits, generator, chain; a band in place of that of the conditions.

    Returns
    -------
    Verdict
        Pass, fail or undecided by the guard-banded rule of JCGM 106, the unit's constants with
        95 % intervals, and findings in words.

    Raises
    ------
    InputError
        When a capture can't be used; the message says what would do.

    Notes
    -----
    Square waves are reduced to their harmonics, fitted together with the sweeps by
    scipy.optimize.least_squares, and the response of the fitted unit is compared with ideal
    playback.  The network's parts are unknowns with the distribution they have; families with a
    low corner of first order and of two second-order shapes are fitted, and the uncertainty
    reaches over all that the captures allow.  Residuals that the model does not explain are
    described, and widen the uncertainty or, in a sweep, count as the unit's own.  A record that
    stands at its limits, and captures that can't be of one unit, leave the verdict undecided and
    name no fault.
    """
    captures = capture_sequence(captures)
    conditions = conditions_of(design, conditions)
    curve = conditions.curve
    asked = request or JudgeRequest()
    asked = replace(asked, band_hz=asked.band_hz or conditions.band_hz)
    network = estimate_of(design, conditions, measured=measured, meter=asked.meter)
    band = asked.judged_hz
    _check_reach(captures, band)
    bench = _bench(asked, network, band)
    records = captures if asked.reference is None else (*captures, asked.reference)
    useless = limit_findings(records)
    with single_threaded_linear_algebra():
        fit, hum, apart = _fit(captures, curve, asked, bench, band, usable=not useless)
        useless = (*useless, apart) if apart else useless
        if useless:
            return _undecided(fit, useless, asked, curve)
        over = leftovers(fit, hum_hz=hum, band_hz=band)
        seen_hz = highest_seen_hz(captures)
        fit = without_unseen_corner(fit, seen_hz, band[1])
        allowed = tuple(f for k, f in enumerate(fit.families) if k == 0 or f.acceptable)
        errors, intervals = _errors(allowed)
    frequency = _frequencies(asked.limits)
    deviation = deviation_of_families(
        allowed, errors, frequency, curve=curve, published=asked.playback == "published"
    )
    deviation = _with_leftovers(deviation, over, fit)
    if any(isinstance(c, SweepCapture) for c in captures) and bench.measured is None:
        deviation = _widened(deviation, np.full(frequency.size, asked.generator.flatness_db))
    decisions = tuple(
        decide(frequency, deviation.deviation_db, deviation.expanded_uncertainty_db, band=limit)
        for limit in asked.limits
    )
    ruling = combined_decision(decisions)
    fitted = _fitted(allowed, intervals, seen_hz)
    found = describe(
        fit,
        fitted,
        errors[0],
        deviation=deviation,
        leftovers=over,
        limit_db=min(b.limit_db for b in asked.limits),
    )
    return Verdict(
        decision=ruling.decision,
        bands=decisions,
        ruling=ruling,
        band_hz=band,
        playback=asked.playback,
        deviation=deviation,
        fitted=fitted,
        low_end=fit.solution.problem.model.low_end.value,
        findings=found.texts,
        faults=found.faults,
        gain=_gains(fit),
        traces=tuple(_trace(fit, k) for k in range(len(captures))),
    )


def _check_reach(captures: Sequence[Capture], band: tuple[float, float]) -> None:
    """Refuse captures of which none sees the top of the band."""
    rates = {
        c.name: (c.time_s.size - 1) / float(np.ptp(c.time_s))
        for c in captures
        if isinstance(c, SquareWaveCapture)
    }
    sweeps = [c for c in captures if isinstance(c, SweepCapture)]
    if rates and not sweeps and max(rates.values()) < 2.0 * band[1]:
        name = max(rates, key=lambda n: rates[n])
        raise InputError(
            f"{name}: time_s",
            f"{rates[name]:.4g} samples per second",
            f"too coarse for a band up to {band[1]:g} Hz: at least {2.2 * band[1]:.3g} are "
            "needed; set a faster time base, more memory, or a smaller band",
        )
    if not rates and max(c.frequency_hz[-1] for c in sweeps) < REFERENCE_FREQUENCY_HZ:
        raise InputError(
            f"{sweeps[0].name}: frequency_hz",
            float(sweeps[0].frequency_hz[-1]),
            "a sweep by itself must reach 1 kHz and above",
        )


def _bench(asked: JudgeRequest, network: NetworkEstimate, band: tuple[float, float]) -> Bench:
    if asked.reference is None:
        return Bench(network, asked.generator, asked.chain)
    measured = measured_chain(
        asked.reference,
        estimate=network,
        highest_hz=_REACH * band[1],
        chain_loading=asked.reference_loading,
    )
    # The generator's edge and flatness are in the reference already.
    return Bench(network, Generator(), asked.chain, measured)


def _fit(
    captures: Sequence[Capture],
    curve: Curve,
    asked: JudgeRequest,
    bench: Bench,
    band: tuple[float, float],
    *,
    usable: bool,
) -> tuple[Fit, tuple[float, ...], str]:
    """Fit; again with hum taken out; again with a resonant high end if the first will not do.

    Captures that are not usable are fitted once.  Last comes a sentence where the captures do
    not seem to be of one unit.
    """
    undo = asked.playback == "inverse"
    level_only = all(isinstance(c, SweepCapture) and c.phase_deg is None for c in captures)

    def models(high_end: HighEnd) -> list[UnitModel]:
        return [
            unit_model(
                curve,
                low_end=low,
                high_end=high_end,
                undo_ultrasonic=undo,
                level_only=level_only,
            )
            for low in LowEnd
        ]

    def run(high_end: HighEnd, lines: tuple[float, ...]) -> Fit:
        first, *others = models(high_end)
        return fit_captures(
            captures,
            model=first,
            families=others,
            bench=bench,
            highest_hz=_REACH * band[1],
            line_hz=lines,
        )

    fit = run(HighEnd.FIRST_ORDER, ())
    if not usable:
        return fit, (), ""
    hum = find_hum(fit)
    if hum:
        fit = run(HighEnd.FIRST_ORDER, hum)
    if max(fit.excess) > _MISFIT:
        apart = different_units(
            captures,
            fit,
            lambda c: fit_captures(
                [c],
                model=fit.families[0].model,
                families=(),
                bench=bench,
                highest_hz=_REACH * band[1],
                line_hz=hum,
            ),
            enough=_MISFIT,
        )
        if apart:
            return fit, hum, apart
        resonant = run(HighEnd.RESONANT, hum)
        if max(resonant.excess) < 0.7 * max(fit.excess):
            fit = resonant
    return replace(fit, families=tuple(identified(f) for f in fit.families)), hum, ""


def _undecided(fit: Fit, reasons: tuple[str, ...], asked: JudgeRequest, curve: Curve) -> Verdict:
    """The verdict where captures can't tell anything: no constant, no fault, no bound."""
    frequency = _frequencies(asked.limits)
    family, nothing = fit.families[0], np.full(frequency.size, np.inf)
    centre = deviation_db(
        family.model,
        family.solution.units,
        frequency,
        curve=curve,
        published=asked.playback == "published",
    )
    decisions = tuple(decide(frequency, centre, nothing, band=limit) for limit in asked.limits)
    return Verdict(
        decision=Decision.UNDECIDED,
        bands=decisions,
        ruling=combined_decision(decisions),
        band_hz=asked.judged_hz,
        playback=asked.playback,
        deviation=Deviation(frequency, centre, nothing, 0.0 * centre, nothing),
        fitted=(),
        low_end=family.model.low_end.value,
        findings=reasons,
        faults=(),
        gain=_gains(fit),
        traces=tuple(_trace(fit, k) for k in range(len(fit.blocks))),
    )


def _frequencies(limits: Sequence[LimitBand]) -> Floats:
    low, high = min(b.low_hz for b in limits), max(b.high_hz for b in limits)
    edges = [f for b in limits for f in (b.low_hz, b.high_hz)]
    grid = log_frequencies(low, high, points_per_decade=_POINTS_PER_DECADE)
    return np.unique(np.concatenate([grid, edges]))


def _widened(deviation: Deviation, extra: Floats) -> Deviation:
    total = np.hypot(deviation.expanded_uncertainty_db, extra)
    return replace(deviation, expanded_uncertainty_db=total)


def _with_leftovers(deviation: Deviation, over: Sequence[Leftover], fit: Fit) -> Deviation:
    """Residuals of square waves widen the uncertainty; those of sweeps are the unit's own."""
    squares = {b.name for b in fit.blocks if isinstance(b, SquareBlock)}
    place = np.log(deviation.frequency_hz)
    for entry in over:
        if not entry.spoils:
            continue
        seen = np.log(entry.misfit_hz)
        there = np.interp(place, seen, entry.misfit_db)
        if entry.capture in squares:
            deviation = _widened(deviation, there)
            continue
        at_reference = float(np.interp(math.log(REFERENCE_FREQUENCY_HZ), seen, entry.misfit_db))
        deviation = replace(deviation, deviation_db=deviation.deviation_db + there - at_reference)
    return deviation


def _errors(
    families: Sequence[Family],
) -> tuple[tuple[Floats, ...], tuple[tuple[Interval, ...], ...]]:
    """Draws of errors and intervals, per family."""
    errors, intervals = [], []
    for family in families:
        drawn = error_draws(family.solution)
        found = tuple(
            coordinate_interval(family.solution, k, drawn)
            for k in range(len(family.model.parameters))
        )
        errors.append(within_reach(family.solution, drawn, found))
        intervals.append(found)
    return tuple(errors), tuple(intervals)


def _fitted(
    families: Sequence[Family], intervals: Sequence[Sequence[Interval]], seen_hz: float
) -> tuple[FittedValue, ...]:
    """The constants of the reported family, with intervals that reach over all allowed ones.

    A high corner that is not seen may be anywhere beyond what the captures show.
    """
    reported = families[0]
    found = []
    for place, parameter in enumerate(reported.model.parameters):
        if parameter.role == "damping":
            continue
        own = [(f.model, i[place]) for f, i in zip(families, intervals, strict=True)]
        ends = [
            _physical(model.parameters[place], c, model)
            for model, interval in own
            for c in (interval.low, interval.high)
        ]
        value = _physical(parameter, float(reported.solution.units[place]), reported.model)
        if parameter.role == "high" and value > seen_hz:
            value, ends = math.inf, [*ends, seen_hz, math.inf]
        found.append(
            FittedValue(
                parameter.name,
                parameter.nominal,
                value,
                min(ends),
                max(ends),
                "Hz" if parameter.name.endswith("_hz") else "s",
                any(interval.profiled for _, interval in own),
            )
        )
    return tuple(found)


def _physical(parameter: Parameter, coordinate: float, model: UnitModel) -> float:
    value = float(parameter.value(coordinate))
    return value * model.low_end.half_power_ratio if parameter.role == "low" else value


def _gains(fit: Fit) -> tuple[float, ...]:
    problem = fit.solution.problem
    found = []
    for place, block in enumerate(fit.blocks):
        own = float(problem.own(fit.solution.unknowns, place)[0])
        square = isinstance(block, SquareBlock)
        found.append(math.exp(own) if square else own * DB_PER_NEPER)
    return tuple(float(g) for g in found)


def _trace(fit: Fit, place: int) -> Trace:
    block = fit.blocks[place]
    if isinstance(block, SquareBlock):
        record = block.basis.record
        shown = slice(0, _TRACE_POINTS)
        curve = waveform(fit.solution, place)
        offset = float(np.mean(record.volts - curve))
        time = record.time_s - record.time_s[0]
        return Trace(
            block.name, "square wave", time[shown], record.volts[shown], curve[shown] + offset
        )
    problem = fit.solution.problem
    response = problem.log_response(fit.solution.unknowns, block.frequency_hz)
    level = DB_PER_NEPER * (response.real + problem.own(fit.solution.unknowns, place)[0])
    return Trace(block.name, "sweep", block.frequency_hz, block.capture.level_db, np.asarray(level))
