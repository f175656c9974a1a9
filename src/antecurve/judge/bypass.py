"""The response that a square wave shows with the unit bypassed.

In place of the unit stands a flat response between two corners.  It is fitted like a unit, so
that edge, duty and frequency are known and what the sampling folds back is taken off as the fit
predicts it.  Where noise explains what the harmonics have beside the fit, the response is the
fitted one; otherwise it is that of the harmonics.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import ClassVar

import numpy as np

from antecurve.judge.capture import DirectResponse
from antecurve.judge.fit import Fit, fit_observations
from antecurve.judge.hum import interferences
from antecurve.judge.interference import NOTHING_ELSE
from antecurve.judge.network_estimate import NetworkEstimate, network_log_response
from antecurve.judge.problem import Bench
from antecurve.judge.signal_path import CaptureChain, Generator
from antecurve.judge.square_observation import SquareWaveObservation
from antecurve.judge.unit_model import flat_model
from antecurve.judge.unit_parameters import Shape

__all__ = ["bypass_response"]

_DESCRIBED = 1.5  # mean square; noise in 100 residuals reaches it once in 1,100 records


@dataclass(frozen=True, slots=True, eq=False)
class _StraightObservation(SquareWaveObservation):
    """A square wave that did not pass through the network."""

    through_network: ClassVar[bool] = False


def bypass_response(observation: SquareWaveObservation, through: NetworkEstimate) -> DirectResponse:
    """Fit a square wave taken with the unit bypassed, its hum and drift taken out.

    Parameters
    ----------
    observation : SquareWaveObservation
        The record reduced.
    through : NetworkEstimate
        The network, with the load that it had if the square wave went through it.

    Returns
    -------
    DirectResponse
        At the odd harmonics, the network included where it was in the path.
    """
    from scipy.linalg import solve_triangular

    bench = Bench(through, Generator(), CaptureChain())

    def fitted(reduced: SquareWaveObservation) -> Fit:
        fit = fit_observations([reduced], model=flat_model(), bench=bench, widest=Shape())
        (beside,) = interferences([reduced.remainder(fit.prediction(0))])
        if beside is NOTHING_ELSE:
            return fit
        cleared = reduced.without_interference(beside)
        cleared = cleared if reduced.through_network else _straight(cleared)
        return fit_observations([cleared], model=flat_model(), bench=bench, widest=Shape())

    likely, other = _by_flatness(observation, through)
    fit = fitted(likely)
    if fit.excess[0] > _DESCRIBED:
        fit = min(fit, fitted(other), key=lambda fit: fit.excess[0])
    prediction = fit.prediction(0)
    record = fit.observations[0]
    assert isinstance(record, SquareWaveObservation)
    record = record.corrected(prediction, folded=record.folded)
    basis, frequency = record.basis, record.frequency_hz
    response = prediction.log_response(frequency)
    model = record.amplitudes(prediction.nuisance, response, basis.orders, 0.0).value
    raw = solve_triangular(basis.whitener, record.data)
    seen = raw[: raw.size // 2] + 1j * raw[raw.size // 2 :]
    odd = basis.orders % 2 == 1
    variance = record.sigma**2 * basis.variances() / np.abs(seen) ** 2
    if fit.excess[0] <= _DESCRIBED:
        # Of all harmonics together few unknowns are fitted.
        variance = variance * fit.solution.free.sum() / record.rows
    else:
        response = response + np.log(seen / np.where(model == 0.0, 1.0, model))
    return DirectResponse(frequency[odd], response[odd], variance[odd])


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
