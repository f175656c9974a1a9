"""Confidence intervals of the elements of a swept network.

With the sources of error u of a calibration, `antecurve.judge.calibration_fit`, the levels are
y = A u + noise, in units of the noise.  Element i is off by t = r u within its tolerance.  Of all
w' y that tell of t the one with the least variance is

.. math:: x = g (t + e), \\qquad e = w' A (u - r' t / |r|^2) / g + w' noise / g ;

its error has a known law: that of the other parts, as they are drawn, and of the noise.  The best
estimate b is the mean of t given x.  A confidence interval by Neyman (Phil. Trans. R. Soc. A 236
(1937) 333) holds each t from which b is no farther off than in 95 % of builds that have this t.
So 95 % of intervals hold the value wherever it lies within its tolerance.  The middle 95 % of the
posterior does not: it leaves out parts near the tolerance most often, and where the sweep tells
nothing always the same ones.

Parts at the edge of their tolerance seldom come alone: a batch from which a closer grade was
sorted out has no others.  Half of the builds are therefore distributed as the job says, and half
are wholly at 80 to 100 % of their tolerance; of those that have a given t each kind has its share.
So of the first kind 96 to 97 % are held and of the second 94 to 95 %, by simulation; of values at
the edge among others distributed as the job says 97 to 99 %.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.calibration_fit import SweepFit

__all__ = ["confidence_intervals"]

Floats = NDArray[np.float64]

_HELD = 95.0  # per cent, the usual confidence
_EDGE = 0.8  # a closer grade sorted out is seldom above 80 % of the wider one's tolerance
_BATCHES = 5000  # a critical value so drawn holds 95 % to within 0.3 %, one sigma
_STEPS = 20  # from the middle to the limit; the critical distance between is interpolated
_UNSEEN = 1e-12  # of the information in a tolerance: rounding errors of 41 levels are 1e-13
_SEED = 1  # the same sweep gives the same intervals


def confidence_intervals(fit: SweepFit, sigma_db: float) -> Floats:
    """Compute the 95 % interval of the deviation of each element.

    Parameters
    ----------
    fit : SweepFit
        The best fit of a network whose parts are equally likely anywhere within their limits;
        the levels are taken as linear around it.
    sigma_db : float
        Standard uncertainty of a level [dB].

    Returns
    -------
    numpy.ndarray of float, shape (2, elements)
        Lower and upper ends, natural logarithms of value / best value of the network.
    """
    model = fit.model
    slopes = model.slopes_db(fit.unknowns) / sigma_db
    basis, root = np.linalg.qr(slopes)
    seen = root @ fit.unknowns - basis.T @ fit.residual_db / sigma_db
    batches = _batches(fit)
    noise = np.random.default_rng(_SEED).standard_normal((_BATCHES, len(seen)))
    rows = np.zeros((len(model.network.values), model.count))
    rows[:, : model.network.sources] = model.network.errors[: len(rows)]
    ends = []
    for row in rows:
        size = float(row @ row)
        if size == 0.0:
            ends.append((0.0, 0.0))
            continue
        others = root - np.outer(root @ row, row) / size
        weights = np.linalg.solve(others @ others.T + np.eye(len(seen)), root @ row / size)
        gain = float(weights @ root @ row) / size
        limit = float(np.abs(row) @ model.limits())
        kinds = [
            (np.abs(batch @ row) / limit, (batch @ others.T + noise) @ weights) for batch in batches
        ]
        ends.append(_interval(float(weights @ seen), gain, kinds, limit))
    return np.array(ends).T


def _batches(fit: SweepFit) -> tuple[Floats, Floats]:
    """Builds distributed as the job says, and with every part at the edge of its tolerance."""
    model, generator = fit.model, np.random.default_rng(_SEED + 1)
    limits, sources = model.limits(), model.network.sources
    within = generator.uniform(-limits, limits, (_BATCHES, model.count))
    edge = within.copy()
    size = generator.uniform(_EDGE, 1.0, (_BATCHES, sources))
    edge[:, :sources] = limits[:sources] * size * np.sign(within[:, :sources])
    return within, edge


def _interval(
    estimate: float, gain: float, kinds: list[tuple[Floats, Floats]], limit: float
) -> tuple[float, float]:
    """Ends of the interval of t from estimate = gain t + error, t within -limit and limit."""
    if gain < _UNSEEN:
        return -limit, limit
    best = float(_best_estimate(np.array(estimate), gain, limit))
    steps = np.sort(np.append(np.linspace(-limit, limit, 2 * _STEPS + 1), best))
    critical = _critical(gain, kinds, limit)
    critical = np.interp(np.abs(steps), np.linspace(0.0, limit, len(critical)), critical)
    surplus = critical - np.abs(steps - best)
    held = np.flatnonzero(surplus >= 0.0)
    return (
        _crossing(steps, surplus, int(held[0]), -1),
        _crossing(steps, surplus, int(held[-1]), 1),
    )


def _critical(gain: float, kinds: list[tuple[Floats, Floats]], limit: float) -> Floats:
    """How far off the best estimate is in 95 % of builds, for each t from the middle on."""
    steps = np.linspace(0.0, limit, _STEPS + 1)
    within, edge = (
        np.bincount(np.rint(size * _STEPS).astype(int), minlength=len(steps)) for size, _ in kinds
    )
    counts = np.rint(_BATCHES * edge / np.maximum(within + edge, 1)).astype(int)
    critical = []
    for step, count in zip(steps, counts, strict=True):
        errors = np.concatenate([kinds[1][1][:count], kinds[0][1][count:]])
        off = np.abs(_best_estimate(gain * step + errors, gain, limit) - step)
        critical.append(np.percentile(off, _HELD))
    return np.array(critical)


def _best_estimate(estimate: Floats, gain: float, limit: float) -> Floats:
    """Mean of t given the estimate, t equally likely within its limits and the error normal."""
    from scipy.special import log_ndtr

    width = 1.0 / math.sqrt(gain)
    mean = np.asarray(estimate) / gain
    # By symmetry from the side on which the probabilities keep their digits.
    sign = np.where(mean > 0.0, 1.0, -1.0)
    low, high = (-limit - np.abs(mean)) / width, (limit - np.abs(mean)) / width
    inside = log_ndtr(high) + np.log1p(-np.exp(log_ndtr(low) - log_ndtr(high)))
    pull = np.exp(-(low**2) / 2 - inside) - np.exp(-(high**2) / 2 - inside)
    pulled = np.abs(mean) + width * pull / math.sqrt(2 * math.pi)
    return np.asarray(sign * np.clip(pulled, -limit, limit))


def _crossing(steps: Floats, surplus: Floats, last: int, way: int) -> float:
    """Where the surplus changes sign beyond the last step that is held."""
    beyond = last + way
    if not 0 <= beyond < len(steps):
        return float(steps[last])
    share = surplus[last] / (surplus[last] - surplus[beyond])
    return float(steps[last] + share * (steps[beyond] - steps[last]))
