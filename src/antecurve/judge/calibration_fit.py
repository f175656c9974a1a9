"""Elements of a network within their tolerances, given levels: best fit and posterior draws.

Sources of error u, those of the parts within their limits and those of generator and meter, and
one level that is free:

.. math:: L(f) = 20 \\log_{10} |H(f; u)| + \\sum_n b_n(f) v_n + L_0 + noise .

A part sold by its tolerance lies within it, equally likely anywhere or normally distributed and
cut, as the job says.  A normal prior of the same variance is wrong where it matters, at the
limits.  The posterior is normal in the levels times the prior, cut at the limits; it is drawn by
Gibbs steps along the axes of its normal part, along each of which the rest is a cut normal
distribution of one variable (Gelman et al., Bayesian Data Analysis, 3rd edition, section 11.1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.network_estimate import (
    NetworkEstimate,
    network_log_response,
    network_slopes,
)
from antecurve.parts.distributions import standard_deviation
from antecurve.quantities import DB_PER_NEPER

__all__ = [
    "LevelModel",
    "SweepFit",
    "bounded_fit",
    "directed",
    "posterior_draws",
    "source_limits",
]

Floats = NDArray[np.float64]

_FREE_LIMIT = 5.0  # nepers, a factor of 150: farther off nothing is a value of its kind
_OF_CHI_SQUARE = 1e-6  # of some 40 a change that no test of the fit sees
_CHAINS = 200  # each gives its draws after the first sweeps, so that 2.5 % of them are hundreds
_SWEEPS = 40  # over all axes; the draws of the second half are kept
_KEPT = 20  # the second half: chains have forgotten their start
_SEED = 1  # the same sweep gives the same intervals


def source_limits(network: NetworkEstimate) -> Floats:
    """Compute the largest magnitude of each source of error of a network, shape (sources,).

    Parameters
    ----------
    network : NetworkEstimate
        The network.

    Returns
    -------
    numpy.ndarray of float
        In standard deviations.
    """
    cut = 1.0 / standard_deviation(1.0, "normal")
    return np.where(network.uniform, math.sqrt(3.0), cut)


@dataclass(frozen=True, slots=True, eq=False)
class LevelModel:
    """Levels and what they depend on.

    Attributes
    ----------
    frequency_hz, level_db : numpy.ndarray of float, shape (frequencies,)
        The sweep [Hz], [dB].
    network : NetworkEstimate
        The network; its sources are bounded but for the last `free` of them.
    free : int
        Number of sources, the last ones, without a prior; in nepers.
    influences_db : numpy.ndarray of float, shape (frequencies, influences)
        Responses of generator and meter, each by its standard deviation, equally likely
        anywhere within sqrt(3) times it [dB].
    weight : numpy.ndarray of float, shape (frequencies,)
        Stated uncertainty of a level over that of each level, its own noise included; to 1.
    """

    frequency_hz: Floats
    level_db: Floats
    network: NetworkEstimate
    free: int
    influences_db: Floats
    weight: Floats

    @property
    def count(self) -> int:
        """Number of unknowns but for the level."""
        return self.network.sources + int(self.influences_db.shape[1])

    def limits(self) -> Floats:
        """Compute the largest magnitude of each unknown, shape (count,).

        Returns
        -------
        numpy.ndarray of float
            In standard deviations; for the free ones in nepers.
        """
        limits = np.full(self.count, math.sqrt(3.0))
        sources = self.network.sources
        limits[:sources] = source_limits(self.network)
        limits[sources - self.free : sources] = _FREE_LIMIT
        return limits

    def precision(self) -> Floats:
        """Compute the precision of the prior's normal part of each unknown, shape (count,).

        Returns
        -------
        numpy.ndarray of float
            Zero where the prior is flat.
        """
        sources, precision = self.network.sources, np.zeros(self.count)
        # Normal with tolerance = 3 sigma, cut there: limits are 3 sigma.
        normal = (standard_deviation(1.0, "normal") * 3.0) ** 2
        precision[:sources] = np.where(self.network.uniform, 0.0, normal)
        precision[sources - self.free : sources] = 0.0
        return precision

    def missed_db(self, unknowns: Floats) -> Floats:
        """Compute the model less the levels, mean taken out and weighted, shape (frequencies,).

        Parameters
        ----------
        unknowns : numpy.ndarray of float, shape (count,)
            Sources of error, then influences.

        Returns
        -------
        numpy.ndarray of float
            Difference [dB].
        """
        sources = self.network.sources
        log_response = network_log_response(self.network, unknowns[:sources], self.frequency_hz)
        missed = DB_PER_NEPER * log_response.real - self.level_db
        missed = missed + self.influences_db @ unknowns[sources:]
        return self._weighted(missed)

    def slopes_db(self, unknowns: Floats) -> Floats:
        """Compute the derivatives of `missed_db`, shape (frequencies, count).

        Parameters
        ----------
        unknowns : numpy.ndarray of float, shape (count,)
            Where.

        Returns
        -------
        numpy.ndarray of float
            Derivatives [dB].
        """
        sources = self.network.sources
        by_source = network_slopes(self.network, unknowns[:sources], self.frequency_hz)[1:].real
        slopes = np.hstack([DB_PER_NEPER * by_source.T, self.influences_db])
        return self._weighted(slopes)

    def _weighted(self, by_frequency: Floats) -> Floats:
        """Weighted rows without what the free level may take up."""
        mean = np.average(by_frequency, axis=0, weights=self.weight**2)
        return np.asarray(((by_frequency - mean).T * self.weight).T)


@dataclass(frozen=True, slots=True, eq=False)
class SweepFit:
    """The best fit within the limits.

    Attributes
    ----------
    model : LevelModel
        What was fitted.
    unknowns : numpy.ndarray of float, shape (unknowns,)
        Sources of error, then influences.
    residual_db : numpy.ndarray of float, shape (frequencies,)
        Model less levels [dB].
    """

    model: LevelModel
    unknowns: Floats
    residual_db: Floats

    @property
    def square_db(self) -> float:
        """Sum of the squared residuals [dB^2]."""
        return float(self.residual_db @ self.residual_db)


def bounded_fit(model: LevelModel, sigma_db: float, start: Floats | None = None) -> SweepFit:
    """Fit sources of error within their limits.

    Parameters
    ----------
    model : LevelModel
        Levels and what they depend on.
    sigma_db : float
        Standard uncertainty of a level [dB].
    start : numpy.ndarray of float, shape (unknowns,), optional
        Where to begin; by default with every source at 0.

    Returns
    -------
    SweepFit
        The largest posterior density.
    """
    from scipy.optimize import least_squares

    limits = model.limits()
    # Towards the middle where levels tell nothing; too little to be seen where they do.
    prior = np.diag(np.sqrt(model.precision() + 1e-6))

    def missed(unknowns: Floats) -> Floats:
        return np.concatenate([model.missed_db(unknowns) / sigma_db, prior @ unknowns])

    def slopes(unknowns: Floats) -> Floats:
        return np.vstack([model.slopes_db(unknowns) / sigma_db, prior])

    first = np.zeros(model.count) if start is None else start
    best = least_squares(
        missed, first, jac=slopes, bounds=(-limits, limits), xtol=1e-10, ftol=_OF_CHI_SQUARE
    ).x
    return SweepFit(model, best, model.missed_db(best))


def posterior_draws(fit: SweepFit, sigma_db: float) -> Floats:
    """Draw sources of error and influences as the levels and the limits leave them.

    Parameters
    ----------
    fit : SweepFit
        The best fit; the levels are taken as linear around it.
    sigma_db : float
        Standard uncertainty of a level [dB].

    Returns
    -------
    numpy.ndarray of float, shape (draws, unknowns)
        Draws, each chain one after the other.
    """
    model, centre = fit.model, fit.unknowns
    slopes = model.slopes_db(centre) / sigma_db
    precision = slopes.T @ slopes + np.diag(model.precision())
    pull = slopes.T @ (fit.residual_db / sigma_db) + model.precision() * centre
    axes = np.vstack([directed(np.linalg.eigh(precision)[1].T), np.eye(len(centre))])
    limits = model.limits()
    generator = np.random.default_rng(_SEED)
    chains = np.tile(centre, (_CHAINS, 1))
    kept = []
    for sweep in range(_SWEEPS):
        for axis in axes:
            gradient = (pull + (chains - centre) @ precision) @ axis
            step = _cut_normal(generator, gradient, axis @ precision @ axis, chains, axis, limits)
            chains = np.clip(chains + step[:, None] * axis, -limits, limits)
        if sweep >= _SWEEPS - _KEPT:
            kept.append(chains)
    return np.concatenate(kept)


def directed(axes: Floats) -> Floats:
    """Turn axes so that the largest component of each is above 0.

    Rounding chooses the sign of an eigenvector, which then differs between machines.

    Parameters
    ----------
    axes : numpy.ndarray of float, shape (axes, unknowns)
        Vectors, not 0.

    Returns
    -------
    numpy.ndarray of float, shape (axes, unknowns)
        The same lines.
    """
    largest = np.take_along_axis(axes, np.argmax(np.abs(axes), axis=1)[:, None], axis=1)
    return np.asarray(axes * np.sign(largest))


def _cut_normal(
    generator: np.random.Generator,
    gradient: Floats,
    precision: float,
    chains: Floats,
    axis: Floats,
    limits: Floats,
) -> Floats:
    """Steps along an axis, normal but for the limits, one a chain."""
    from scipy.special import ndtr, ndtri

    moved = np.abs(axis) > 1e-12
    ends = np.sort(
        (np.array([[-1.0], [1.0]])[:, None] * limits[moved] - chains[:, moved]) / axis[moved],
        axis=0,
    )
    low, high = ends[0].max(axis=1), ends[1].min(axis=1)
    width = 1.0 / math.sqrt(max(precision, 1e-12))
    mean = -gradient * width**2
    lower, upper = (low - mean) / width, (high - mean) / width
    # In the upper tail the same from the other side, where the probabilities keep their digits.
    turned = lower > 0.0
    lower, upper = np.where(turned, -upper, lower), np.where(turned, -lower, upper)
    below, above = ndtr(lower), ndtr(upper)
    drawn = ndtri(below + (above - below) * generator.random(len(mean)))
    drawn = np.where(turned, -1.0, 1.0) * np.clip(drawn, lower, upper)
    return np.asarray(np.clip(mean + width * drawn, low, high))
