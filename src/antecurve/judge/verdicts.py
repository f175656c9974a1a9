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
from antecurve.errors import InputError
from antecurve.judge.capture import Capture, Captures, capture_sequence
from antecurve.judge.case import Case, fit_case
from antecurve.judge.conformity import BandDecision, Decision, LimitBand, combined_decision, decide
from antecurve.judge.deviation import Deviation, deviation_db, deviation_of_families, joined
from antecurve.judge.findings import describe
from antecurve.judge.fit import Family, Fit
from antecurve.judge.fitted_values import fitted_values
from antecurve.judge.fourth_corner import fourth_corner
from antecurve.judge.further_capture import OpenQuestion, open_question
from antecurve.judge.hum import MAINS_HZ
from antecurve.judge.identifiability import highest_seen_hz, without_unseen_corner
from antecurve.judge.measured_levels import measured_deviation, says_nothing
from antecurve.judge.misfit import LACKED_SHAPES, no_shape_text
from antecurve.judge.network_estimate import JudgedThrough, estimate_of
from antecurve.judge.observation import ResidualFinding, ResidualKind, Trace
from antecurve.judge.overlay import Overlay
from antecurve.judge.residuals import (
    edges_note,
    fitted_ringing,
    level_step_note,
    levels_note,
    misfit_uncertainty_db,
    not_linear,
    residual_findings,
    widened,
    with_misfit,
)
from antecurve.judge.signal_path import CaptureChain, Generator
from antecurve.judge.uncertainty import unit_draws
from antecurve.judge.unseen_misfit import seen_range_hz
from antecurve.judge.unseen_peak import gap_note
from antecurve.judge.verdict import Verdict
from antecurve.networks.conditions import AUDIO_BAND_HZ, Conditions, conditions_of
from antecurve.networks.topology import Loading
from antecurve.threads import single_threaded_linear_algebra

__all__ = ["JudgeRequest", "judge_unit"]

Floats = NDArray[np.float64]

_NO_UNIT_DB = 30.0  # of a misfit: a deep notch by a filter against hum has less in a band
_SWAPPED = 3.0  # times less is left the other way round; of channels swapped 12 times and more
_MOST_OF_IT = 0.5**0.5  # of an uncertainty: half of the variance
_ADVISED = (ResidualKind.LEVEL, ResidualKind.HIDDEN_EDGES)  # findings that say what to capture
_POINTS_PER_DECADE = 30  # finer than any bend of a first-order corner


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
    design : Design, PickedNetwork or NetworkEstimate
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
    resonance or a playback zero at the top, are compared by their evidence; the uncertainty reaches
    over all that the captures allow.  Residuals that the model does not explain are described,
    count as the unit's own where they repeat, and widen the uncertainty there, between and beyond
    the frequencies seen.  What no linear unit does (oscillation, slow movement, unlike halves of
    the wave) forbids a pass and leaves no time constants to tell.  A record that stands at its
    limits, and captures that can't be of one unit, leave the verdict undecided and name no fault.
    """
    conditions = conditions_of(design, conditions)
    asked = request or JudgeRequest()
    asked = replace(asked, band_hz=asked.band_hz or conditions.band_hz)
    case = Case(
        capture_sequence(captures),
        asked,
        conditions.playback_curve,
        estimate_of(design, conditions, measured=measured, meter=asked.meter),
        progress or (lambda stage: None),
    )
    _check_reach(case.captures, asked.judged_hz)
    with single_threaded_linear_algebra():
        fit, useless = fit_case(case)
        if useless:
            return _undecided(case, fit, useless)
        case.begin("residuals and uncertainty")
        reading = _reading(case, fit)
        _check_order(case, reading)
        return _verdict(case, reading)


@dataclass(frozen=True, slots=True, eq=False)
class _Reading:
    """What the captures say of a unit."""

    fit: Fit
    allowed: tuple[Family, ...]
    draws: tuple[Floats, ...]
    residuals: tuple[ResidualFinding, ...]
    deviation: Deviation


def _reading(case: Case, fit: Fit) -> _Reading:
    """The deviation with its uncertainty, and what the fit does not describe."""
    band = case.asked.judged_hz
    residuals = residual_findings(fit, band, mains_hz=case.asked.mains_hz)
    fit = without_unseen_corner(fit, highest_hz=highest_seen_hz(case.captures), band_end_hz=band[1])
    allowed = tuple(f for k, f in enumerate(fit.families) if k == 0 or f.acceptable)
    draws = tuple(unit_draws(family.solution) for family in allowed)
    deviation = _over_shapes(case, allowed, draws)
    if any(r.kind in LACKED_SHAPES for r in residuals):
        # What is measured there is the best fit with what it leaves, whatever the shape.
        best = _over_shapes(case, allowed[:1], draws[:1])
        own = _deviation_of_fit(case, allowed[0])
        deviation = joined(best.about(own), deviation, seen_range_hz(fit.observations))
    residuals += fourth_corner(fit, allowed, band, mains_hz=case.asked.mains_hz)
    deviation, residuals = _with_residuals(case, fit, deviation, residuals)
    deviation = widened(deviation, case.flatness_db)
    residuals += fitted_ringing(allowed[0].model, draws[0], highest_seen_hz(case.captures))
    return _Reading(fit, allowed, draws, residuals, deviation)


def _with_residuals(
    case: Case, fit: Fit, deviation: Deviation, residuals: tuple[ResidualFinding, ...]
) -> tuple[Deviation, tuple[ResidualFinding, ...]]:
    """The deviation with what residuals say of it, between harmonics only where a shape fits."""
    between = tuple(r for r in residuals if r.kind is ResidualKind.BETWEEN_HARMONICS)
    seen = tuple(r for r in residuals if r.kind is not ResidualKind.BETWEEN_HARMONICS)
    deviation, seen = _measured_where_nothing_fits(case, fit, with_misfit(deviation, seen), seen)
    fits = all(r.kind is not ResidualKind.NO_SHAPE for r in seen)
    return (with_misfit(deviation, between), seen + between) if fits else (deviation, seen)


def _measured_where_nothing_fits(
    case: Case, fit: Fit, deviation: Deviation, residuals: tuple[ResidualFinding, ...]
) -> tuple[Deviation, tuple[ResidualFinding, ...]]:
    """The deviation by the harmonics alone, where no shape comes near what captures show."""
    odd = next((r for r in residuals if r.kind is ResidualKind.MISFIT), None)
    if odd is None or not_linear(residuals):
        return deviation, residuals
    if not says_nothing(deviation, odd.misfit_db, seen_range_hz(fit.observations)):
        return deviation, residuals
    published = case.asked.playback == "published"
    problem = fit.solution.problem
    measured = measured_deviation(problem, deviation, curve=case.curve, published=published)
    if measured is None:
        return deviation, residuals
    unlike = replace(odd, kind=ResidualKind.NO_SHAPE, text=no_shape_text(odd), forbids_pass=True)
    return measured, tuple(unlike if r is odd else r for r in residuals)


def _questions(case: Case, reading: _Reading) -> tuple[str, ...]:
    """What captures leave open: where a stimulus was recorded, whether flat tops are clipped."""
    frequency = reading.deviation.frequency_hz
    limit_db = np.full(frequency.size, np.inf)
    for band in case.asked.limits:
        inside = (frequency >= band.low_hz) & (frequency <= band.high_hz)
        limit_db[inside] = np.minimum(limit_db[inside], band.limit_db)
    asked = (c.question(case.network, reading.deviation, limit_db) for c in case.captures)
    return tuple(text for text in asked if text)


def _check_order(case: Case, reading: _Reading) -> None:
    """Refuse channels that make no unit as they are named, and one where they are swapped."""
    odd = next((r for r in reading.residuals if r.kind is ResidualKind.MISFIT), None)
    turned = [c.turned_round() if odd and c.name == odd.capture else None for c in case.captures]
    if odd is None or not any(turned) or _questions(case, reading):
        return
    captures = tuple(t or c for t, c in zip(turned, case.captures, strict=True))
    swapped = replace(case, captures=captures, begin=lambda stage: None)
    try:
        other = _reading(swapped, fit_case(swapped)[0])
        better = _SWAPPED * _missed_db(other.fit, odd.capture) < _missed_db(
            reading.fit, odd.capture
        )
        swapped_fits = better and all(r.kind is not ResidualKind.MISFIT for r in other.residuals)
    except InputError:
        swapped_fits = False
    at = int(np.argmax(np.abs(odd.misfit_db)))
    if not swapped_fits and abs(odd.misfit_db[at]) < _NO_UNIT_DB:
        return
    if not swapped_fits:
        raise InputError(
            odd.capture,
            f"a response that no unit shows, {odd.misfit_db[at]:+.0f} dB at "
            f"{odd.misfit_hz[at]:.0f} Hz",
            "one channel is clipped or distorted; reduce the levels and record again",
        )
    raise InputError(
        odd.capture,
        "channels that look swapped: a unit fits only the other way round",
        f"name the other channel as stimulus; as they are, {odd.misfit_db[at]:+.2f} dB at "
        f"{odd.misfit_hz[at]:.0f} Hz fits no unit",
    )


def _missed_db(fit: Fit, name: str) -> float:
    """What a fit leaves of a capture's levels, root mean square [dB]."""
    at = next(k for k, o in enumerate(fit.observations) if o.name == name)
    trace = fit.observations[at].trace(fit.prediction(at))
    return float(np.sqrt(np.mean((trace.captured - trace.fitted) ** 2)))


def _over_shapes(case: Case, families: tuple[Family, ...], draws: tuple[Floats, ...]) -> Deviation:
    return deviation_of_families(
        families,
        draws,
        _frequencies(case.asked.limits),
        curve=case.curve,
        published=case.asked.playback == "published",
    )


def _deviation_of_fit(case: Case, family: Family) -> Floats:
    """Deviation of the best fit itself [dB]."""
    return deviation_db(
        family.model,
        family.solution.units,
        _frequencies(case.asked.limits),
        curve=case.curve,
        published=case.asked.playback == "published",
    )


def _verdict(case: Case, reading: _Reading) -> Verdict:
    """The decision by the limits, in words and numbers."""
    asked, fit, band = case.asked, reading.fit, case.asked.judged_hz
    least = min(b.limit_db for b in asked.limits)
    decisions = _decisions(reading.deviation, asked.limits)
    ruling = combined_decision(decisions)
    fitted = fitted_values(reading.allowed, reading.draws, highest_seen_hz(case.captures), band)
    findings = describe(
        fit,
        fitted,
        reading.draws[0],
        deviation=reading.deviation,
        residuals=reading.residuals,
        limit_db=least,
        mains_hz=asked.mains_hz,
    )
    question = _question(case, reading, ruling)
    texts = (
        *_questions(case, reading),
        *findings.texts,
        *([question.text] if question else []),
    )
    decision = _limited(ruling.decision, reading.residuals)
    passes = decision is Decision.PASS
    return Verdict(
        decision=decision,
        bands=tuple(
            replace(d, decision=_limited(d.decision, reading.residuals)) for d in decisions
        ),
        ruling=ruling,
        band_hz=band,
        playback=asked.playback,
        deviation=reading.deviation,
        fitted=findings.fitted,
        low_end=_low_end(fit),
        findings=texts,
        faults=findings.faults,
        gain=_gains(fit),
        traces=_traces(fit),
        overlay=_overlay(fit, band),
        question=question,
        unit_curve=case.curve.name,
        levels=_levels(case, fit, decision, reading.residuals),
        edges=edges_note(fit, band) if passes else "",
        gap=gap_note(fit, band, limit_db=least, mains_hz=asked.mains_hz) if passes else "",
        parts_read=bool(findings.fitted) and case.network.shares_meter,
        unlike_any_db=_unlike_any_db(reading.residuals),
    )


def _levels(case: Case, fit: Fit, decision: Decision, residuals: Sequence[ResidualFinding]) -> str:
    """What captures say of levels, where nothing was found that depends on them."""
    if decision is Decision.PASS:
        return levels_note(fit, case.asked.judged_hz, mains_hz=case.asked.mains_hz)
    told = any(r.kind in (ResidualKind.LEVEL, ResidualKind.TWO_UNITS) for r in residuals)
    return "" if told or decision is Decision.FAIL else level_step_note(fit)


def _unlike_any_db(residuals: Sequence[ResidualFinding]) -> float:
    """The farthest that the response is from every shape of the model, 0 where none is told.

    Infinite where no shape comes near, or only beside parts that hardly a network has.
    """
    if any(r.kind in (ResidualKind.NO_SHAPE, ResidualKind.NETWORK) for r in residuals):
        return math.inf
    odd = [r.misfit_db for r in residuals if r.kind in LACKED_SHAPES and r.misfit_db.size]
    farthest = [float(m[np.argmax(np.abs(m))]) for m in odd]
    return max(farthest, key=abs, default=0.0)


def _question(case: Case, reading: _Reading, ruling: BandDecision) -> OpenQuestion | None:
    """What leaves the response open, if anything does."""
    kinds = {r.kind for r in reading.residuals if r.forbids_pass}
    # What is found then says what to do first; no further capture decides before.
    first = kinds & {ResidualKind.NETWORK, ResidualKind.RINGING} or not_linear(reading.residuals)
    if ruling.decision is not Decision.UNDECIDED or first:
        return None
    at_hz = np.array([ruling.frequency_hz])
    advised = [r for r in reading.residuals if r.kind in _ADVISED]
    changes = float(misfit_uncertainty_db(advised, at_hz)[0])
    if changes > _MOST_OF_IT * ruling.expanded_uncertainty_db:
        return None  # the finding itself says what to do
    misfit = misfit_uncertainty_db(reading.residuals, at_hz)
    at = int(np.argmin(np.abs(reading.deviation.frequency_hz - ruling.frequency_hz)))
    return open_question(
        reading.allowed,
        ruling,
        flatness_db=case.flatness_db,
        misfit_db=float(misfit[0]),
        shapes_db=float(reading.deviation.model_part_db[at]),
        mains_hz=case.asked.mains_hz,
    )


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


def _undecided(case: Case, fit: Fit, reasons: tuple[str, ...]) -> Verdict:
    """The verdict where captures can't tell anything: no constant, no fault, no bound."""
    asked, frequency = case.asked, _frequencies(case.asked.limits)
    centre, nothing = _deviation_of_fit(case, fit.families[0]), np.full(frequency.size, np.inf)
    deviation = Deviation(frequency, centre, nothing, 0.0 * centre, nothing)
    decisions = _decisions(deviation, asked.limits)
    return Verdict(
        decision=Decision.UNDECIDED,
        bands=tuple(replace(d, decision=Decision.UNDECIDED) for d in decisions),
        ruling=combined_decision(decisions),
        band_hz=asked.judged_hz,
        playback=asked.playback,
        deviation=deviation,
        fitted=(),
        low_end=_low_end(fit),
        findings=reasons,
        faults=(),
        gain=_gains(fit),
        traces=_traces(fit),
        unit_curve=case.curve.name,
    )


def _frequencies(limits: Sequence[LimitBand]) -> Floats:
    low, high = min(b.low_hz for b in limits), max(b.high_hz for b in limits)
    edges = [f for b in limits for f in (b.low_hz, b.high_hz)]
    grid = log_frequencies((low, high), points_per_decade=_POINTS_PER_DECADE)
    return np.unique(np.concatenate([grid, edges]))


def _low_end(fit: Fit) -> str:
    family = fit.families[0]
    return family.model.end_in_words(family.solution.units, "low_corner_hz")


def _gains(fit: Fit) -> tuple[float, ...]:
    return tuple(o.gain(fit.prediction(k).nuisance) for k, o in enumerate(fit.observations))


def _overlay(fit: Fit, band_hz: tuple[float, float]) -> Overlay | None:
    """The first capture that holds its stimulus, laid over it."""
    overlays = (o.overlay(fit.prediction(k), band_hz) for k, o in enumerate(fit.observations))
    return next((overlay for overlay in overlays if overlay is not None), None)


def _traces(fit: Fit) -> tuple[Trace, ...]:
    return tuple(o.trace(fit.prediction(k)) for k, o in enumerate(fit.observations))
