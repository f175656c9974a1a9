"""From captures of a unit to the verdict, in one call."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.meter import MeterAccuracy
from antecurve.arrays import log_frequencies
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve
from antecurve.errors import InputError
from antecurve.judge.capture import Capture, Captures, ObservationSettings, capture_sequence
from antecurve.judge.conformity import BandDecision, Decision, LimitBand, combined_decision, decide
from antecurve.judge.deviation import Deviation, deviation_db, deviation_of_families
from antecurve.judge.findings import describe
from antecurve.judge.fit import Family, Fit
from antecurve.judge.further_capture import open_question
from antecurve.judge.hum import MAINS_HZ
from antecurve.judge.identifiability import highest_seen_hz, without_unseen_corner
from antecurve.judge.level_dependence import level_findings
from antecurve.judge.network_estimate import JudgedThrough, NetworkEstimate, estimate_of
from antecurve.judge.noise import residual_parts
from antecurve.judge.observation import ResidualFinding, ResidualKind, Trace
from antecurve.judge.overlay import Overlay
from antecurve.judge.problem import Bench
from antecurve.judge.reference import measured_chain
from antecurve.judge.ringing import phase_margin_deg, ringing_of_poles
from antecurve.judge.signal_path import CaptureChain, Generator
from antecurve.judge.stages import STAGES, FitTask, StagedFit, fit_in_stages
from antecurve.judge.uncertainty import COVERAGE, unit_draws
from antecurve.judge.unit_model import UnitModel
from antecurve.judge.unit_parameters import Parameter
from antecurve.judge.verdict import FittedValue, Verdict
from antecurve.networks.conditions import AUDIO_BAND_HZ, Conditions, conditions_of
from antecurve.networks.topology import Loading
from antecurve.threads import single_threaded_linear_algebra

__all__ = ["JudgeRequest", "judge_unit"]

Floats = NDArray[np.float64]

_POINTS_PER_DECADE = 30  # finer than any bend of a first-order corner
_RINGING_DRAWS = 300  # enough for their hundredth part
_REACH = 5.0  # times the band: what bends within the band shows up to there


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
    reference : Capture, sequence of Capture or None
        Captures with the unit bypassed, in place of or beside the corners: one for each
        frequency of a square wave, one for sweeps.
    reference_loading : Loading or None
        Load of the network during a reference through it; ``None`` for the unit's own.
    meter : MeterAccuracy
        Accuracy of the meter that measured the network's parts, where measured values are given.
    mains_hz : float or None
        Mains frequency [Hz], 50 or 60; ``None`` to have it told by the captures.

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
    reference: Captures | None = None
    reference_loading: Loading | None = None
    meter: MeterAccuracy = field(default_factory=MeterAccuracy)
    mains_hz: float | None = None

    def __post_init__(self) -> None:
        if self.playback not in ("published", "inverse"):
            raise InputError("playback", self.playback, 'use "published" or "inverse"')
        if self.mains_hz is not None and self.mains_hz not in MAINS_HZ:
            raise InputError("mains", f"{self.mains_hz:g} Hz", "it must be 50 or 60 Hz")
        LimitBand(*(self.band_hz or AUDIO_BAND_HZ), self.limit_db)

    @property
    def references(self) -> tuple[Capture, ...]:
        """The captures with the unit bypassed."""
        return () if self.reference is None else capture_sequence(self.reference)

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
    progress: Callable[[str], None] | None = None,
) -> Verdict:
    """Judge a unit by one or more captures of it.

    Parameters
    ----------
    captures : Capture or sequence of Capture
        Captures of the same unit, fitted jointly; at least one.
    design : Designed, PickedNetwork or NetworkEstimate
        The network that they went through: a design, or with `conditions` a network with parts
        or an estimate (`estimate_by_tolerance`, `exact_estimate`, a calibration).
    conditions : Conditions, optional
        Curve, generator, unit with the curve it is set to, and band; those of the design by
        default.
    measured : mapping of str to float, optional
        Measured values of the network's parts [ohm or F], as in `measured_network`.
    request : JudgeRequest, optional
        Limits, generator, chain; a band in place of that of the conditions.
    progress : callable, optional
        Called with the name of each stage as it begins.

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
    Square waves are reduced to their harmonics, fitted together with the sweeps, and the response
    of the fitted unit is compared with ideal playback.  The network's parts are unknowns with the
    distribution they have.  Shapes with up to three low corners or a resonance, and with a
    resonance or a playback zero at the top, are compared by their evidence; the uncertainty
    reaches over all that the captures allow.  Residuals that the model does not explain are
    described, and widen the uncertainty or, in a sweep, count as the unit's own.  What no linear
    unit does (oscillation, slow movement, unlike halves of the wave) forbids a pass.  A record that
    stands at its limits, and captures that can't be of one unit, leave the verdict undecided and
    name no fault.
    """
    captures = capture_sequence(captures)
    conditions = conditions_of(design, conditions)
    curve = conditions.playback_curve
    asked = request or JudgeRequest()
    asked = replace(asked, band_hz=asked.band_hz or conditions.band_hz)
    network = estimate_of(design, conditions, measured=measured, meter=asked.meter)
    band = asked.judged_hz
    _check_reach(captures, band)
    useless = _useless((*captures, *asked.references))
    bench = _bench(asked, network)
    begin = progress or (lambda stage: None)
    task = _task(captures, asked, conditions, bench, begin)
    begin("reducing the captures")
    with single_threaded_linear_algebra():
        settings = _settings(asked, network, curve)
        observations = [c.observation(settings) for c in captures]
        staged = fit_in_stages(observations, task, stages=() if useless else STAGES)
        if staged.contradiction:
            by_level = tuple(r.text for r in _level_dependence(staged, band))
            useless = by_level or (staged.contradiction,)
        if useless:
            undecided = _undecided(staged.fit, useless, asked, curve)
            return replace(undecided, unit_curve=curve.name)
        begin("residuals and uncertainty")
        residuals = _residuals(staged, band)
        seen_hz = highest_seen_hz(captures)
        fit = without_unseen_corner(staged.fit, seen_hz, band[1])
        allowed = tuple(f for k, f in enumerate(fit.families) if k == 0 or f.acceptable)
        draws = tuple(unit_draws(family.solution) for family in allowed)
        residuals += _fitted_ringing(allowed[0].model, draws[0])
        deviation = _deviation(allowed, draws, residuals, asked, curve)
    relies = any(c.relies_on_flatness for c in captures) and not asked.references
    flatness_db = asked.generator.flatness_db if relies else 0.0
    deviation = _widened(deviation, np.full(deviation.frequency_hz.size, flatness_db))
    decisions = _decisions(deviation, asked.limits)
    ruling = combined_decision(decisions)
    fitted = _fitted(allowed, draws, seen_hz, band)
    findings = describe(
        fit,
        fitted,
        draws[0],
        deviation=deviation,
        residuals=residuals,
        limit_db=min(b.limit_db for b in asked.limits),
        mains_hz=asked.mains_hz,
    )
    question = None
    if ruling.decision is Decision.UNDECIDED:
        question = open_question(allowed, ruling, flatness_db=flatness_db)
    return Verdict(
        decision=_limited(ruling.decision, residuals),
        bands=decisions,
        ruling=ruling,
        band_hz=band,
        playback=asked.playback,
        deviation=deviation,
        fitted=fitted,
        low_end=_low_end(fit),
        findings=findings.texts if question is None else (*findings.texts, question.text),
        faults=findings.faults,
        gain=_gains(fit),
        traces=_traces(fit),
        overlay=_overlay(fit, band),
        question=question,
        unit_curve=curve.name,
    )


def _useless(records: Sequence[Capture]) -> tuple[str, ...]:
    """Why captures can't tell anything: records that stand at their limits."""
    return tuple(text for text in (c.saturation_text() for c in records) if text)


def _task(
    captures: Sequence[Capture],
    asked: JudgeRequest,
    conditions: Conditions,
    bench: Bench,
    begin: Callable[[str], None],
) -> FitTask:
    return FitTask(
        conditions.playback_curve,
        bench,
        undo_ultrasonic=asked.playback == "inverse",
        level_only=not any(c.has_phase for c in captures),
        mains_hz=asked.mains_hz,
        begin=begin,
    )


def _deviation(
    families: tuple[Family, ...],
    draws: tuple[Floats, ...],
    residuals: Sequence[ResidualFinding],
    asked: JudgeRequest,
    curve: Curve,
) -> Deviation:
    """Deviation over the band, with what the fit does not describe."""
    deviation = deviation_of_families(
        families,
        draws,
        _frequencies(asked.limits),
        curve=curve,
        published=asked.playback == "published",
    )
    return _with_residuals(deviation, residuals)


def _decisions(deviation: Deviation, limits: Sequence[LimitBand]) -> tuple[BandDecision, ...]:
    frequency, value = deviation.frequency_hz, deviation.deviation_db
    uncertainty = deviation.expanded_uncertainty_db
    return tuple(decide(frequency, value, uncertainty, band=limit) for limit in limits)


def _limited(decision: Decision, residuals: Sequence[ResidualFinding]) -> Decision:
    """The decision on the response, no pass where a record shows what no sound unit does."""
    if decision is Decision.PASS and any(r.forbids_pass for r in residuals):
        return Decision.UNDECIDED
    return decision


def _check_reach(captures: Sequence[Capture], band: tuple[float, float]) -> None:
    """Refuse captures of which none reaches over the band; name the one that reaches farthest."""
    if all(c.reach_problem(band) is not None for c in captures):
        problem = max(captures, key=lambda c: c.highest_seen_hz).reach_problem(band)
        assert problem is not None
        raise problem


def _bench(asked: JudgeRequest, network: NetworkEstimate) -> Bench:
    # The generator's edge and flatness are in references already.
    return Bench(network, Generator() if asked.references else asked.generator, asked.chain)


def _settings(asked: JudgeRequest, network: NetworkEstimate, curve: Curve) -> ObservationSettings:
    """How captures are reduced, with the chain as each reference shows it."""
    highest_hz = _REACH * asked.judged_hz[1]
    references = tuple(
        measured_chain(
            r, estimate=network, highest_hz=highest_hz, chain_loading=asked.reference_loading
        )
        for r in asked.references
    )
    return ObservationSettings(highest_hz, curve, network, references)


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
        low_end=_low_end(fit),
        findings=reasons,
        faults=(),
        gain=_gains(fit),
        traces=_traces(fit),
    )


def _frequencies(limits: Sequence[LimitBand]) -> Floats:
    low, high = min(b.low_hz for b in limits), max(b.high_hz for b in limits)
    edges = [f for b in limits for f in (b.low_hz, b.high_hz)]
    grid = log_frequencies(low, high, points_per_decade=_POINTS_PER_DECADE)
    return np.unique(np.concatenate([grid, edges]))


def _widened(deviation: Deviation, extra: Floats) -> Deviation:
    total = np.hypot(deviation.expanded_uncertainty_db, extra)
    return replace(deviation, expanded_uncertainty_db=total)


def _with_residuals(deviation: Deviation, residuals: Sequence[ResidualFinding]) -> Deviation:
    """The deviation with residuals added: as response, or as uncertainty."""
    octave = np.log(deviation.frequency_hz)
    for residual in residuals:
        if not residual.misfit_hz.size:
            continue
        seen = np.log(residual.misfit_hz)
        misfit_db = np.interp(octave, seen, residual.misfit_db)
        if not residual.is_response:
            deviation = _widened(deviation, misfit_db)
            continue
        at_reference = float(np.interp(math.log(REFERENCE_FREQUENCY_HZ), seen, residual.misfit_db))
        total = deviation.deviation_db + misfit_db - at_reference
        deviation = replace(deviation, deviation_db=total)
    return deviation


def _low_end(fit: Fit) -> str:
    family = fit.families[0]
    return family.model.end_in_words(family.solution.units, "low_corner_hz")


def _fitted(
    families: Sequence[Family],
    draws: Sequence[Floats],
    seen_hz: float,
    band_hz: tuple[float, float],
) -> tuple[FittedValue, ...]:
    """The constants of the reported shape, with intervals of the mixture of all allowed ones.

    A high corner that is not seen may be anywhere beyond what the captures show; a low corner that
    takes less than 0.02 dB off the band may be of any order, and so anywhere below.
    """
    reported = families[0]
    tail = (1.0 - COVERAGE) / 2.0
    weights = np.repeat([family.odds for family in families], [len(units) for units in draws])
    constants = []
    for parameter in reported.model.parameters:
        if parameter.name.startswith(_BESIDE_CORNERS):
            continue
        value = float(_physical(reported.model, parameter, reported.solution.units))
        if parameter.role == "lift" and not math.isfinite(value):
            continue
        spread = np.concatenate(
            [
                _physical(family.model, parameter, units)
                for family, units in zip(families, draws, strict=True)
            ]
        )
        ends = _quantiles(spread, weights, (tail, 1.0 - tail))
        if parameter.role == "high_1" and value > seen_hz:
            value, ends = math.inf, [*ends, seen_hz, math.inf]
        if parameter.role == "low_1" and value < _UNTOLD * band_hz[0]:
            ends = [*ends, 0.0]
        unit = "Hz" if parameter.name.endswith("_hz") else "s"
        constants.append(
            FittedValue(parameter.name, parameter.nominal, value, min(ends), max(ends), unit)
        )
    return tuple(constants)


def _quantiles(values: Floats, weights: Floats, shares: Sequence[float]) -> list[float]:
    """Quantiles of values that count by their weights; infinite values among them."""
    order = np.argsort(values, kind="stable")
    below = np.cumsum(weights[order]) / weights.sum()
    return [float(values[order][int(np.searchsorted(below, share))]) for share in shares]


_UNTOLD = 0.068  # of the lower end of the band: 10 lg(1 + 0.068^2) is 0.02 dB
_BESIDE_CORNERS = ("low_end_", "high_end_")  # their part of an end is in its corner


def _physical(model: UnitModel, parameter: Parameter, units: Floats) -> Floats:
    """Values of a constant of units; a corner is where its end is 3 dB down."""
    if parameter.role == "low_1":
        return model.low_corner_hz(units)
    if parameter.role == "high_1":
        return model.high_corner_hz(units)
    index = model.index(parameter.name)
    assert index is not None
    return np.asarray(np.vectorize(parameter.value, otypes=[float])(units[..., index]))


def _gains(fit: Fit) -> tuple[float, ...]:
    return tuple(o.gain(fit.prediction(k).nuisance) for k, o in enumerate(fit.observations))


def _overlay(fit: Fit, band_hz: tuple[float, float]) -> Overlay | None:
    """The first capture that holds its stimulus, laid over it."""
    overlays = (o.overlay(fit.prediction(k), band_hz) for k, o in enumerate(fit.observations))
    return next((overlay for overlay in overlays if overlay is not None), None)


def _traces(fit: Fit) -> tuple[Trace, ...]:
    return tuple(o.trace(fit.prediction(k)) for k, o in enumerate(fit.observations))


def _residuals(staged: StagedFit, band: tuple[float, float]) -> tuple[ResidualFinding, ...]:
    """What the fit does not describe, in the order of the captures."""
    fit = staged.fit
    findings: list[ResidualFinding] = []
    parts = zip(fit.observations, residual_parts(fit.solution), fit.excess, strict=True)
    for index, (observation, residual, excess) in enumerate(parts):
        findings += observation.residual_findings(
            residual,
            fit.prediction(index),
            excess=excess,
            band_hz=band,
        )
    hidden = [f for f in findings if f.kind is ResidualKind.HIDDEN_EDGES]
    # A record that shows its edges tells what the others fold.
    if len(hidden) < len(fit.observations):
        findings = [f for f in findings if f not in hidden]
    return (*findings, *_level_dependence(staged, band))


def _fitted_ringing(model: UnitModel, draws: Floats) -> tuple[ResidualFinding, ...]:
    """Poles of the fitted top that are short of oscillation."""
    pairs = np.array([model.top_polynomial(d) for d in draws[:_RINGING_DRAWS]])
    ringing = ringing_of_poles(*pairs.T)
    if ringing is None:
        return ()
    text = (
        f"the top rings at {1e-3 * ringing.frequency_hz:.3g} kHz with a Q of "
        f"{ringing.quality:.2g} ({ringing.least_quality:.2g} or more): a phase margin of some "
        f"{phase_margin_deg(ringing.quality):.0f} degrees, short of oscillation; capture again "
        "with the cable and load of use, at 2 million samples a second or more"
    )
    kind, at = ResidualKind.OSCILLATION, ringing.frequency_hz
    return (ResidualFinding(kind, "", text, at, forbids_pass=True),)


def _level_dependence(staged: StagedFit, band: tuple[float, float]) -> tuple[ResidualFinding, ...]:
    """Responses that differ between records at one frequency and unlike levels."""
    fit = staged.fit
    parts = zip(fit.observations, residual_parts(fit.solution), fit.excess, strict=True)
    harmonics = [o.relative_harmonics(residual, excess=excess) for o, residual, excess in parts]
    return tuple(level_findings([h for h in harmonics if h is not None], band_hz=band))
