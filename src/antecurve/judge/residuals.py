"""What the fit of a unit leaves of all its captures, and what it does to the deviation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache, partial

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.judge.advice import LOW_SQUARE_HZ, clear_frequency
from antecurve.judge.deviation import Deviation
from antecurve.judge.fit import Fit
from antecurve.judge.fit_harmonics import harmonics_of_each, seen_frequencies_hz
from antecurve.judge.level_dependence import (
    LOUDER_DB,
    RelativeHarmonics,
    least_soft_change,
    least_soft_change_shown,
    level_findings,
    shows_dead_zone,
    unlike_levels,
)
from antecurve.judge.level_reading import UnitWaves, unit_waves
from antecurve.judge.misfit import misfit_findings, misfit_sizes
from antecurve.judge.network_misfit import network_findings
from antecurve.judge.noise import residual_parts
from antecurve.judge.observation import Observation, ResidualFinding, ResidualKind
from antecurve.judge.ringing import phase_margin_deg, ringing_of_poles
from antecurve.judge.unit_model import UnitModel
from antecurve.judge.unseen_misfit import beyond_seen
from antecurve.judge.unseen_pause import WANTED_PAUSE, unseen_pause

__all__ = [
    "NOT_LINEAR",
    "edges_note",
    "fitted_ringing",
    "is_nonlinear",
    "level_step_note",
    "levels_note",
    "misfit_uncertainty_db",
    "not_linear",
    "residual_findings",
    "unfit_texts",
    "widened",
    "with_misfit",
]

Floats = NDArray[np.float64]

NOT_LINEAR = frozenset(
    (ResidualKind.EVEN_ORDERS, ResidualKind.EDGES, ResidualKind.PAUSE, ResidualKind.SLOPE)
)
"""What one record shows of a unit that is not linear."""
_OF_NO_LINEAR_UNIT = NOT_LINEAR | {
    ResidualKind.OSCILLATION,
    ResidualKind.SLOW_MOVEMENT,
    ResidualKind.LEVEL,
    ResidualKind.TWO_UNITS,
}
_NO_CONSTANTS = _OF_NO_LINEAR_UNIT | {ResidualKind.NO_SHAPE}
_WITHOUT_CONSTANTS = (
    "Constants read from such captures are no time constants of the unit: none is shown, and no "
    "part is named. Put this right first, then capture again"
)
_WANTED_CHANGE = 0.1  # of the peak, by judgement: a compression of 0.9 dB
_SLOWER_HZ = (100.0, 50.0, LOW_SQUARE_HZ, 10.0)  # at which low corners tilt tops more and more
_SLOWER = 0.7  # of the slowest square wave: a frequency beside it shows no more
_LOUDER = f"{LOUDER_DB:.0f}"
_FOLDED = 1.5  # of half the rate: folded back onto the upper half of what a record shows
_TELLS = 0.5  # of the time between samples of hidden edges: half as far apart, or nearer
_BY_MOVEMENT = {ResidualKind.HUM, ResidualKind.DRIFT}  # lines and trends that it leaks into
_RINGING_DRAWS = 300  # enough for their hundredth part


def residual_findings(
    fit: Fit, band_hz: tuple[float, float], *, mains_hz: float | None = None
) -> tuple[ResidualFinding, ...]:
    """Describe what a fit leaves, in the order of the captures, then that of several.

    Parameters
    ----------
    fit : Fit
        The fit.
    band_hz : tuple of float
        The band judged [Hz].
    mains_hz : float, optional
        Mains frequency [Hz], of which advised square waves keep clear; by default of 50 and 60 Hz.

    Returns
    -------
    tuple of ResidualFinding
        Empty where noise explains all residuals.
    """
    findings: list[ResidualFinding] = []
    parts = zip(fit.observations, residual_parts(fit.solution), fit.excess, strict=True)
    for index, (observation, residual, excess) in enumerate(parts):
        findings += observation.residual_findings(
            residual, fit.prediction(index), excess=excess, band_hz=band_hz
        )
    findings = _settled_by_others(findings, fit.observations)
    each = harmonics_of_each(fit)
    harmonics = [h for h in each if h is not None]
    findings += level_findings(harmonics, band_hz=band_hz, waves=partial(_waves, fit))
    # What folds brings an uncertainty of its own; the harmonics are a linear unit's all the same.
    disturbed = any(f.forbids_pass and f.kind is not ResidualKind.HIDDEN_EDGES for f in findings)
    findings += misfit_findings(harmonics, band_hz=band_hz, disturbed=disturbed)
    findings += network_findings(fit, band_hz)
    sizes = None if disturbed else partial(misfit_sizes, harmonics, band_hz=band_hz)
    return beyond_seen(
        findings, seen_frequencies_hz(fit, each), band_hz, sizes=sizes, mains_hz=mains_hz
    )


def _settled_by_others(
    findings: list[ResidualFinding], observations: Sequence[Observation]
) -> list[ResidualFinding]:
    """Leave out what another finding or another capture explains."""
    kinds = [f.kind for f in findings]
    explained: set[ResidualKind] = set()
    if kinds.count(ResidualKind.NO_EDGES) < len(observations):
        explained.add(ResidualKind.NO_EDGES)
    if ResidualKind.SLOW_MOVEMENT in kinds:
        explained |= _BY_MOVEMENT
    # A capture without edges, or one that shows them more closely, tells what others fold.
    apart = {o.name: o.edges_apart_s for o in observations}
    closest = min(apart.values())
    shown = {name for name, own in apart.items() if closest < _TELLS * own}
    return [
        f
        for f in findings
        if f.kind not in explained
        and not (f.kind is ResidualKind.HIDDEN_EDGES and f.capture in shown)
    ]


def _harmonics(fit: Fit) -> list[RelativeHarmonics]:
    return [h for h in harmonics_of_each(fit) if h is not None]


def _waves(fit: Fit, number: int, orders: Floats) -> UnitWaves:
    """The unit's waves in one of the square-wave records."""
    return unit_waves(fit, _squares(fit)[number], orders)


def levels_note(fit: Fit, band_hz: tuple[float, float], *, mains_hz: float | None = None) -> str:
    """Say at which levels captures show a unit, and which compression they leave unseen.

    Parameters
    ----------
    fit : Fit
        The fit.
    band_hz : tuple of float
        The band judged [Hz].
    mains_hz : float, optional
        Mains frequency [Hz], of which advised square waves keep clear; by default of 50 and 60 Hz.

    Returns
    -------
    str
        What a pass leaves open, and which capture would show it.
    """
    each = harmonics_of_each(fit)
    harmonics = [h for h in each if h is not None]
    step_db = _level_step_db(fit, harmonics)
    if step_db is None:
        return f"The pass holds at the level captured. {_other_level(fit, each, band_hz, mains_hz)}"
    least = least_soft_change(harmonics, band_hz=band_hz, waves=partial(_waves, fit))
    unseen = (
        f"Of soft compression at the output, less than {100.0 * least:.2g} % does not show"
        if least < 1.0
        else "Soft compression at the output does not show"
    )
    return (
        f"The pass holds at the levels captured, {step_db:.2f} dB apart. {unseen}. "
        f"{_before_a_capacitor(step_db)}. If the generator's own step is larger than "
        f"{step_db:.2f} dB, the unit compresses"
    )


def level_step_note(fit: Fit) -> str:
    """Say what an open verdict leaves of compression that no harmonic shows.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    str
        How it shows; empty without square waves at two levels.
    """
    step_db = _level_step_db(fit, _harmonics(fit))
    if step_db is None:
        return ""
    return (
        f"The captures are {step_db:.2f} dB apart. Compression before a coupling capacitor shows "
        "by that step alone. If the generator's own step is larger, the unit compresses"
    )


def _level_step_db(fit: Fit, harmonics: Sequence[RelativeHarmonics]) -> float | None:
    """The largest step between square waves of one frequency [dB]; none where levels are alike."""
    gains = [fit.observations[k].gain(fit.prediction(k).nuisance) for k in _squares(fit)]
    steps = [20.0 * math.log10(gains[high] / gains[low]) for low, high in unlike_levels(harmonics)]
    return max(steps, default=None)


def _before_a_capacitor(step_db: float) -> str:
    """What compression before a coupling capacitor does: it lowers tops that are flat there."""
    quieter = _WANTED_CHANGE * 10.0 ** (-step_db / 10.0)
    short_db = 20.0 * math.log10((1.0 - quieter) / (1.0 - _WANTED_CHANGE))
    return (
        "Compression before a coupling capacitor changes the step alone: "
        f"{100.0 * _WANTED_CHANGE:.0f} % makes it {short_db:.1f} dB smaller"
    )


def _other_level(
    fit: Fit,
    harmonics: Sequence[RelativeHarmonics | None],
    band_hz: tuple[float, float],
    mains_hz: float | None,
) -> str:
    """Which capture at a higher level shows soft compression, and how much of it."""
    each = {k: h for k, h in enumerate(harmonics) if h is not None}
    if not each:
        return (
            f"Square waves of one low frequency at two levels, {_LOUDER} dB apart, can show soft "
            "compression"
        )
    slowest = min(each, key=lambda k: each[k].fundamental_hz)
    seen_hz = each[slowest].fundamental_hz

    def waves(square_hz: float, orders: Floats) -> UnitWaves:
        return unit_waves(fit, slowest, orders, square_hz=square_hz)

    @cache
    def least(square_hz: float) -> float:
        return least_soft_change_shown(
            each[slowest], band_hz=band_hz, square_hz=square_hz, waves=waves
        )

    lower_hz = (hz for hz in _SLOWER_HZ if hz < _SLOWER * seen_hz)
    slower = (clear_frequency(hz, mains_hz=mains_hz) for hz in lower_hz)
    at_hz = next((hz for hz in (seen_hz, *slower) if least(hz) <= _WANTED_CHANGE), None)
    if at_hz is None:
        return (
            "Its tops tilt too little to show soft compression. Capture one square wave again "
            f"{_LOUDER} dB higher: a unit that compresses makes a smaller step"
        )
    also = "again" if at_hz == seen_hz else "at this level and"
    return (
        f"Capture {at_hz:.0f} Hz {also} {_LOUDER} dB higher: soft compression of "
        f"{100.0 * least(at_hz):.2g} % or more at the output then shows. "
        f"{_before_a_capacitor(LOUDER_DB)}"
    )


def _squares(fit: Fit) -> list[int]:
    """Numbers of the square-wave records among the captures."""
    return [k for k, o in enumerate(fit.observations) if o.edges_apart_s > 0.0]


def edges_note(fit: Fit, band_hz: tuple[float, float]) -> str:
    """Say which dead zone captures leave unseen.

    Parameters
    ----------
    fit : Fit
        The fit.
    band_hz : tuple of float
        The band judged [Hz].

    Returns
    -------
    str
        What a pass leaves open, and which capture would show it; empty where the edges of one
        capture tell, two levels do, or no capture has edges that are looked at.
    """
    parts = zip(fit.observations, residual_parts(fit.solution), fit.excess, strict=True)
    edges = [
        observation.recorded_edges(residual, fit.prediction(index), excess=excess)
        for index, (observation, residual, excess) in enumerate(parts)
    ]
    note = unseen_pause([e for e in edges if e is not None])
    if not note or shows_dead_zone(
        _harmonics(fit), band_hz=band_hz, waves=partial(_waves, fit), share=WANTED_PAUSE
    ):
        return ""
    return note


def is_nonlinear(fit: Fit, band_hz: tuple[float, float]) -> bool:
    """Tell whether captures that disagree may be of one unit that is not linear.

    Parameters
    ----------
    fit : Fit
        A fit that does not describe all captures, their noise not raised yet.
    band_hz : tuple of float
        The band judged [Hz].

    Returns
    -------
    bool
        Whether a response changes with the level as that of one unit may, or does so beside
        edges or halves of a wave that no linear unit has.
    """
    fit = replace(fit, excess=(1.0,) * len(fit.excess))
    kinds = {f.kind for f in residual_findings(fit, band_hz) if f.forbids_pass}
    by_level = {ResidualKind.LEVEL, ResidualKind.TWO_UNITS} & kinds
    return ResidualKind.LEVEL in kinds or bool(by_level and kinds & NOT_LINEAR)


def not_linear(residuals: Sequence[ResidualFinding]) -> bool:
    """Tell whether captures show what no single linear unit does.

    Parameters
    ----------
    residuals : sequence of ResidualFinding
        What the fit does not describe.

    Returns
    -------
    bool
        Whether harmonics are not the response of a unit.
    """
    return any(f.forbids_pass and f.kind in _OF_NO_LINEAR_UNIT for f in residuals)


def unfit_texts(residuals: Sequence[ResidualFinding]) -> tuple[str, ...]:
    """Say why constants read from captures are no time constants of a unit.

    Parameters
    ----------
    residuals : sequence of ResidualFinding
        What the fit does not describe.

    Returns
    -------
    tuple of str
        What no single linear unit does, and what follows from it; empty where nothing is seen.
    """
    bent = {ResidualKind.NARROW_SHAPE}  # a fit without the peak bends its constants to make up
    texts = [
        f.text for f in residuals if f.kind in bent or (f.forbids_pass and f.kind in _NO_CONSTANTS)
    ]
    return (*texts, _WITHOUT_CONSTANTS) if texts else ()


def fitted_ringing(
    model: UnitModel, draws: Floats, highest_seen_hz: float
) -> tuple[ResidualFinding, ...]:
    """Name poles of the fitted top that are short of oscillation.

    Parameters
    ----------
    model : UnitModel
        The reported shape.
    draws : numpy.ndarray of float, shape (draws, constants)
        Units drawn of it.
    highest_seen_hz : float
        Half the sampling rate of the fastest record [Hz]; what lies far beyond it is told by the
        few samples that meet an edge, and not said.

    Returns
    -------
    tuple of ResidualFinding
        One, or none.
    """
    pairs = np.array([model.top_polynomial(d) for d in draws[:_RINGING_DRAWS]])
    ringing = ringing_of_poles(*pairs.T)
    if ringing is None or ringing.frequency_hz > _FOLDED * highest_seen_hz:
        return ()
    text = (
        f"The top rings at {1e-3 * ringing.frequency_hz:.3g} kHz with a Q of "
        f"{ringing.quality:.2g} ({ringing.least_quality:.2g} or more), a phase margin of some "
        f"{phase_margin_deg(ringing.quality):.0f} degrees. Capture again with the cable and load "
        "of use, at 2 million samples a second or more"
    )
    kind, at = ResidualKind.RINGING, ringing.frequency_hz
    return (ResidualFinding(kind, "", text, at, forbids_pass=True),)


def widened(deviation: Deviation, extra_db: Floats | float) -> Deviation:
    """Add an independent uncertainty to that of a deviation.

    Parameters
    ----------
    deviation : Deviation
        The deviation.
    extra_db : numpy.ndarray of float, shape (frequencies,), or float
        Expanded uncertainty [dB].

    Returns
    -------
    Deviation
        With the root of the sum of squares.
    """
    total = np.hypot(deviation.expanded_uncertainty_db, extra_db)
    return replace(deviation, expanded_uncertainty_db=total)


def misfit_uncertainty_db(residuals: Sequence[ResidualFinding], frequency_hz: Floats) -> Floats:
    """Sum the uncertainty that residuals bring.

    Parameters
    ----------
    residuals : sequence of ResidualFinding
        What the fit does not describe.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].

    Returns
    -------
    numpy.ndarray of float, shape (frequencies,)
        Expanded uncertainty [dB].
    """
    total = np.zeros(frequency_hz.size)
    for residual in residuals:
        if residual.misfit_hz.size:
            seen = np.log(residual.misfit_hz)
            own = np.interp(np.log(frequency_hz), seen, residual.uncertainty_db)
            total = np.hypot(total, own)
    return total


def with_misfit(deviation: Deviation, residuals: Sequence[ResidualFinding]) -> Deviation:
    """Add what residuals say of the unit's own response, and the uncertainty they bring.

    Parameters
    ----------
    deviation : Deviation
        That of the fitted unit.
    residuals : sequence of ResidualFinding
        What the fit does not describe.

    Returns
    -------
    Deviation
        0 at 1 kHz as before.
    """
    total, octave = deviation.deviation_db, np.log(deviation.frequency_hz)
    for residual in residuals:
        if residual.misfit_hz.size:
            seen, own = np.log(residual.misfit_hz), residual.misfit_db
            at_reference = float(np.interp(math.log(REFERENCE_FREQUENCY_HZ), seen, own))
            total = total + np.interp(octave, seen, own) - at_reference
    extra = misfit_uncertainty_db(residuals, deviation.frequency_hz)
    return widened(replace(deviation, deviation_db=total), extra)
