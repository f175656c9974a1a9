"""From captures and a unit's circuit to the suspects, in one call."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from antecurve.checked import checked
from antecurve.diagnose.circuit_wiring import check_circuit
from antecurve.diagnose.explained import explained_level
from antecurve.diagnose.hidden import hidden_ranges
from antecurve.diagnose.hypotheses import single_faults
from antecurve.diagnose.information import (
    LogUnit,
    ResponseInformation,
    information_about,
    without_delay,
)
from antecurve.diagnose.nodal import Drive, NodalModel, ideal_drive
from antecurve.diagnose.own_error import own_error
from antecurve.diagnose.ranking import FittedHypothesis, Ranker
from antecurve.diagnose.suspect import Diagnosis
from antecurve.diagnose.suspects import suspects_of
from antecurve.diagnose.unit_circuit import UnitCircuit
from antecurve.diagnose.weighing import Weighed, weigh
from antecurve.errors import NoResultError
from antecurve.judge.capture import Captures, capture_sequence
from antecurve.judge.case import Case, fit_case
from antecurve.judge.fit import Fit
from antecurve.judge.network_estimate import JudgedThrough, NetworkEstimate, estimate_of
from antecurve.judge.residuals import residual_findings, unfit_texts
from antecurve.judge.verdicts import JudgeRequest
from antecurve.networks.compiled import output_impedance
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.threads import single_threaded_linear_algebra

__all__ = ["diagnose_unit"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_PASSES = 5  # of linearisation about the best hypothesis, at most
_DESCRIBED = 1.3  # mean square residual: the response is so near that another pass moves nothing
_WORSE = 2.0  # times what the response of the pass before leaves
_DOUBTFUL = 10.0  # mean square residual of a good unit: of less, linearisation may leave all
_GAINING = 0.9  # times what it leaves: what no fault explains is worth another pass
_UNIT_HZ = (0.05, 200e6)  # what waveforms of a record may ask for
_UNIT_PER_DECADE = 24  # a cubic between errs by less than 1e-6


@checked
def diagnose_unit(
    captures: Captures,
    design: JudgedThrough,
    unit: UnitCircuit,
    *,
    conditions: Conditions | None = None,
    measured: Mapping[str, float] | None = None,
    request: JudgeRequest | None = None,
    progress: Callable[[str], None] | None = None,
) -> Diagnosis:
    """Rank what may be wrong with a unit, by captures of it and its circuit.

    Parameters
    ----------
    captures : Capture or sequence of Capture
        Captures of the same unit; at least one.
    design : Designed, PickedNetwork or NetworkEstimate
        The network that they went through, as in `judge_unit`.
    unit : UnitCircuit
        The unit's circuit.
    conditions : Conditions, optional
        For a network that is no design.
    measured : mapping of str to float, optional
        Measured values of the network's parts [ohm or F], as in `measured_network`.
    request : JudgeRequest, optional
        Generator, chain and band.
    progress : callable, optional
        Called with the name of each stage as it begins.

    Returns
    -------
    Diagnosis
        Suspects by probability, good and unexplained ones counted.

    Raises
    ------
    InputError
        When a capture can't be used.
    WiringError
        As in `check_circuit`.
    NoResultError
        When the captures tell nothing, are not of one unit in one state, or show what no linear
        unit does, for which no part's value is to blame.
    """
    model = check_circuit(unit)
    given = conditions_of(design, conditions)
    asked = request or JudgeRequest()
    asked = replace(asked, band_hz=asked.band_hz or given.band_hz)
    begin = progress or (lambda stage: None)
    network = estimate_of(design, given, measured=measured, meter=asked.meter)
    case = Case(
        capture_sequence(captures), asked, replace(given, unit_curve=unit.curve).playback_curve,
        network, begin,
    )  # fmt: skip
    with single_threaded_linear_algebra():
        fit, useless = fit_case(case)
        if useless:
            raise NoResultError(useless)
        band = asked.judged_hz
        unfit = unfit_texts(residual_findings(fit, band))
        if unfit:
            raise NoResultError(unfit)
        begin("weighing what may be wrong")
        weighed = _weighed(fit, model, network)
        return Diagnosis(
            unit, own_error(model, band), *suspects_of(weighed, band),
            hidden_ranges(weighed.ranker), explained_level(weighed, band), asked.limit_db,
        )  # fmt: skip


def _drive(fit: Fit, network: NetworkEstimate, frequency_hz: Floats) -> Drive:
    """What drives the unit: the network, the load that its own response counts taken off."""
    if not any(o.through_network for o in fit.observations):
        return ideal_drive(frequency_hz)
    loading = network.loading
    source = output_impedance(network.network, frequency_hz, loading=loading)
    load = 1.0 / loading.load_resistance + 2j * np.pi * frequency_hz * loading.load_capacitance
    return Drive(frequency_hz, 1.0 / source, 1.0 / source - load)


def _weighed(fit: Fit, model: NodalModel, network: NetworkEstimate) -> Weighed:
    """Weigh about the judge's fit, then about the best hypothesis, until that one stays."""
    faults = single_faults(model)
    problem, solution = fit.solution.problem, fit.solution
    unit = without_delay(lambda f: problem.model.log_response(solution.units, f))
    folded, bench = fit.folded, solution.unknowns[problem.unit_count :]

    def about(information: ResponseInformation) -> Weighed:
        drive = _drive(fit, network, information.frequency_hz)
        return weigh(Ranker(model.solved(drive), information, drive), faults)

    information, problem, bench = information_about(
        problem, unit, bench, corrected=False, folded=folded
    )
    weighed = about(information)
    for _ in range(_PASSES):
        before, known, explained = information, weighed.best.hypothesis, weighed.explained
        centres = _centres(weighed)
        # What is in doubt may be a record whose edges were taken for smooth ones.
        folds = (folded,) if explained and len(centres) == 1 else (True, False)
        reduced = [
            (information_about(problem, log_unit, bench, corrected=True, folded=f), f)
            for log_unit in (_unit_of(fit, weighed, c, network) for c in centres)
            for f in folds
        ]
        (information, problem, bench), folded = min(reduced, key=lambda r: r[0][0].unaccounted)
        if information.unaccounted > _WORSE * before.unaccounted:
            break  # this response does not describe the captures: nothing is linear about it
        weighed = about(information)
        if not (explained or weighed.explained):
            if information.unaccounted > _GAINING * before.unaccounted:
                break
        elif weighed.best.hypothesis == known or information.excess < _DESCRIBED:
            break
    return weighed


def _centres(weighed: Weighed) -> list[FittedHypothesis]:
    """The responses that captures are to be reduced about: the best one, and the good unit's."""
    best = weighed.best if weighed.explained else weighed.best_single
    doubtful = weighed.good.chi_square < _DOUBTFUL * weighed.ranker.information.rows
    return [best, weighed.good] if doubtful and best is not weighed.good else [best]


def _unit_of(
    fit: Fit, weighed: Weighed, centre: FittedHypothesis, network: NetworkEstimate
) -> LogUnit:
    """ln U under a hypothesis, its good parts where the captures put them.

    Level and polarity are those of the response before, so that gain and delay hardly move.
    """
    from scipy.interpolate import CubicSpline

    ranker = weighed.ranker
    model = ranker.solved.model
    values = ranker.values_at(centre.parts)
    if centre.hypothesis is not None:
        for port, value in centre.hypothesis.fixed:
            values[port] = value
        for free, value in zip(centre.hypothesis.free, centre.values, strict=True):
            values[free.port] = value
    count = round(_UNIT_PER_DECADE * math.log10(_UNIT_HZ[1] / _UNIT_HZ[0]))
    grid = np.geomspace(*_UNIT_HZ, count)
    response = model.response(values, _drive(fit, network, grid))
    logarithm = np.log(np.abs(response)) + 1j * np.unwrap(np.angle(response))
    spline = CubicSpline(np.log(grid), logarithm)
    information = ranker.information
    middle = information.frequency_hz.size // 2
    off = spline(math.log(information.frequency_hz[middle])) - information.centre[middle]
    spline = CubicSpline(
        np.log(grid), logarithm - off.real - 1j * math.pi * round(off.imag / math.pi)
    )
    return lambda frequency_hz: np.asarray(spline(np.log(frequency_hz)))
