"""The response that a square wave shows with the unit bypassed.

In place of the unit stands a flat response between two corners, and a probe's shelf.  It is
fitted like a unit, so that edge, duty and frequency are known and what the sampling folds back is
taken off as the fit predicts it.  Where noise and the steps of a converter explain what the
harmonics have beside the fit, the response is the fitted one, whose errors all harmonics share;
otherwise it is that of the harmonics, each with its own noise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.capture import DirectResponse
from antecurve.judge.fit import Fit, fit_observations
from antecurve.judge.hum import interferences
from antecurve.judge.interference import NOTHING_ELSE, Interference
from antecurve.judge.network_estimate import NetworkEstimate, network_log_response
from antecurve.judge.noise import residual_parts
from antecurve.judge.problem import Bench
from antecurve.judge.signal_path import CaptureChain, Generator
from antecurve.judge.square_observation import SquareWaveObservation
from antecurve.judge.uncertainty import unknowns_covariance
from antecurve.judge.unit_model import flat_model
from antecurve.judge.unit_parameters import Shape

__all__ = ["bypass_responses"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_DESCRIBED = 1.5  # mean square; noise in 100 residuals reaches it once in 1,100 records
_PROBE_PERCENT = 3.0
# 95 % of probes adjusted by eye on a square wave: a step of 3 % at an edge is still seen.  A
# reference settles its probe far better; what it leaves open, this bounds.
_LEAST_HARMONICS = 12  # for a median of their second differences
_MEDIAN_OF_TWO = 2.0 * math.log(2.0)  # of chi-square, two degrees of freedom
_HIDDEN = 9.0  # times the usual variance: three times as uncertain as its neighbours
_RIDGE = 1e-12  # of a variance: rounding must not make a covariance singular
_LEAST_ERROR = 1e-6  # neper: a hundredth of the least uncertainty that a band states


@dataclass(frozen=True, slots=True, eq=False)
class _StraightObservation(SquareWaveObservation):
    """A square wave that did not pass through the network."""

    through_network: ClassVar[bool] = False


def bypass_responses(
    observations: Sequence[SquareWaveObservation], through: NetworkEstimate
) -> tuple[DirectResponse, ...]:
    """Fit square waves taken with the unit bypassed, their hum and drift taken out.

    Parameters
    ----------
    observations : sequence of SquareWaveObservation
        The records reduced.  Where one chain explains them all, it is fitted to all of them.
    through : NetworkEstimate
        The network, with the load that it had where a square wave went through it.

    Returns
    -------
    tuple of DirectResponse
        At the odd harmonics, the network included where it was in the path.
    """
    bench = Bench(through, Generator(), CaptureChain(probe_percent=_PROBE_PERCENT))

    def fitted(reduced: Sequence[SquareWaveObservation]) -> Fit:
        fit = fit_observations(reduced, model=flat_model(), bench=bench, widest=Shape())
        beside = interferences([o.remainder(fit.prediction(k)) for k, o in enumerate(reduced)])
        if all(i is NOTHING_ELSE for i in beside):
            return fit
        cleared = [_cleared(o, i) for o, i in zip(reduced, beside, strict=True)]
        return fit_observations(cleared, model=flat_model(), bench=bench, widest=Shape())

    ways = [_by_flatness(o, through) for o in observations]
    together = fitted([likely for likely, _ in ways])
    if _described(together):
        return _fitted_responses(together)
    if len(ways) > 1:
        return _apart([bypass_responses([likely], through)[0] for likely, _ in ways])
    fit = min(together, fitted([ways[0][1]]), key=lambda fit: fit.excess[0])
    return _fitted_responses(fit) if _described(fit) else (_response_of_harmonics(fit),)


def _described(fit: Fit) -> bool:
    """Whether noise explains what the harmonics have beside a fit, or steps of a converter do.

    A clean record repeats the errors of its steps each period; what a chain has that the fit
    lacks is alike from harmonic to harmonic, errors of steps are not.
    """
    if max(fit.excess) <= _DESCRIBED:
        return True
    return all(
        float(np.mean(np.abs(missed) ** 2)) / 2.0 <= _DESCRIBED * max(1.0, _erratic(missed))
        for missed in _missed(fit)
    )


def _missed(fit: Fit) -> list[Complex]:
    """What the odd harmonics of each record have beside a fit, over its standard deviation."""
    each = [
        square.relative_harmonics(residual, excess=1.0)
        for square, residual in zip(_squares(fit), residual_parts(fit.solution), strict=True)
    ]
    return [harmonics.error / np.sqrt(harmonics.variance) for harmonics in each]


def _erratic(missed: Complex) -> float:
    """Variance of what neighbours do not share, by their second differences."""
    if missed.size < _LEAST_HARMONICS:
        return 1.0
    return float(np.median(np.abs(np.diff(missed, 2)) ** 2)) / (6.0 * _MEDIAN_OF_TWO)


def _apart(responses: Sequence[DirectResponse]) -> tuple[DirectResponse, ...]:
    """Responses of which no two share an error."""
    ends = np.cumsum([len(r.shared_errors) for r in responses])
    apart = []
    for response, end in zip(responses, ends, strict=True):
        errors = np.zeros((ends[-1], response.frequency_hz.size), dtype=complex)
        errors[end - len(response.shared_errors) : end] = response.shared_errors
        apart.append(replace(response, shared_errors=errors))
    return tuple(apart)


def _response_of_harmonics(fit: Fit) -> DirectResponse:
    """What the harmonics of the only record show, each by itself.

    Of one that a line of hum hides, its neighbours tell what it has beside the fit.
    """
    from scipy.linalg import solve_triangular

    prediction, record = fit.prediction(0), _squares(fit)[0]
    record = record.corrected(prediction, folded=record.folded)
    basis, frequency = record.basis, record.frequency_hz
    response = prediction.log_response(frequency)
    model = record.amplitudes(prediction.nuisance, response, basis.orders, 0.0).value
    raw = solve_triangular(basis.whitener, record.data)
    seen = raw[: raw.size // 2] + 1j * raw[raw.size // 2 :]
    variance = record.sigma**2 * basis.variances() / np.abs(seen) ** 2
    odd = basis.orders % 2 == 1
    beside = np.log(seen[odd] / model[odd])
    usual = basis.orders[odd] ** 2 * float(np.median(variance[odd] / basis.orders[odd] ** 2))
    told, position = variance[odd] <= _HIDDEN * usual, np.log(frequency[odd])
    beside = np.interp(position, position[told], beside[told])
    variance = np.where(told, variance[odd], usual) * max(1.0, _erratic(_missed(fit)[0]))
    none = np.zeros((0, int(odd.sum())), dtype=complex)
    return DirectResponse(frequency[odd], response[odd] + beside, variance, none)


def _fitted_responses(fit: Fit) -> tuple[DirectResponse, ...]:
    """The responses of a fit, whose errors all its records share."""
    solution = fit.solution
    each = [o.frequency_hz[o.basis.orders % 2 == 1] for o in _squares(fit)]
    slopes = [
        solution.problem.shared_slopes(solution.unknowns, hertz, k) for k, hertz in enumerate(each)
    ]
    free = solution.free[: slopes[0].shape[1]]
    count = int(free.sum())
    covariance = max(1.0, *fit.excess) * unknowns_covariance(solution)[:count, :count]
    size = np.sqrt(np.diag(covariance))
    inner = covariance / np.outer(size, size) + _RIDGE * np.eye(count)
    axes = np.linalg.cholesky(inner).T * size
    errors = [axes @ by_unknowns[:, free].T for by_unknowns in slopes]
    notable = np.max(np.abs(np.hstack(errors)), axis=1) > _LEAST_ERROR
    return tuple(
        DirectResponse(
            hertz, fit.prediction(k).log_response(hertz), np.zeros(hertz.size), own[notable]
        )
        for k, (hertz, own) in enumerate(zip(each, errors, strict=True))
    )


def _squares(fit: Fit) -> list[SquareWaveObservation]:
    return [o for o in fit.observations if isinstance(o, SquareWaveObservation)]


def _cleared(observation: SquareWaveObservation, beside: Interference) -> SquareWaveObservation:
    """The record without hum and drift, through the network or straight as before."""
    cleared = observation.without_interference(beside)
    return cleared if observation.through_network else _straight(cleared)


def _by_flatness(
    observation: SquareWaveObservation, through: NetworkEstimate
) -> tuple[SquareWaveObservation, SquareWaveObservation]:
    """The record as taken straight and through the network, first what leaves the flatter chain."""
    odd = observation.basis.orders % 2 == 1
    seen = np.log(np.abs(observation.basis.amplitudes(observation.prepared.volts))[odd])
    seen += np.log(observation.basis.orders[odd])  # a square wave falls by the order
    network = network_log_response(
        through, np.zeros(through.sources), observation.frequency_hz[odd]
    ).real
    ways = _straight(observation), observation
    return ways if np.std(seen) < np.std(seen - network) else ways[::-1]


def _straight(observation: SquareWaveObservation) -> _StraightObservation:
    given = {f.name: getattr(observation, f.name) for f in fields(observation)}
    return _StraightObservation(**given)
