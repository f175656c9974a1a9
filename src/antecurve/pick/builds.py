"""The centred error over builds, for ranking many picks: each physical part scatters by itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import level_db
from antecurve.job import Job
from antecurve.networks.centred_error import log_frequencies
from antecurve.networks.compiled import loaded_coefficients, magnitude_squared_coefficients
from antecurve.networks.topology import ElementKind
from antecurve.parts.position import PickedNetwork
from antecurve.pick.model import NEPER_DB

__all__ = ["spread_percentile"]

Floats = NDArray[np.float64]

_POINTS_PER_DECADE = 12
_CHUNK = 5000


def spread_percentile(
    picked: PickedNetwork, job: Job, *, builds: int = 4000, percent: float = 95.0
) -> float:
    """Return a percentile of the centred error over builds.

    Parameters
    ----------
    picked : PickedNetwork
        A network with parts; each part has a tolerance.
    job : Job
        Curve, loading, band; seed and distribution of its spread.
    builds : int, optional
        Number of builds.
    percent : float, optional
        Which percentile.

    Returns
    -------
    float
        The percentile [dB].  The same random numbers are used for all picks, so that picks
        compare better than each is known.
    """
    rng = np.random.default_rng(job.spread.seed)
    frequency = log_frequencies(*job.target.band_hz, points_per_decade=_POINTS_PER_DECADE)
    square = (2.0 * np.pi * frequency) ** 2
    target = level_db(job.curve, frequency) / NEPER_DB
    errors: list[Floats] = []
    for start in range(0, builds, _CHUNK):
        count = min(_CHUNK, builds - start)
        values = _built(picked, _draws(rng, job, (2 * len(picked.positions), count)))
        found = loaded_coefficients(picked.topology, values, loading=job.loading)
        squares = []
        for polynomial in (found.numerator, found.denominator):
            coefficients = magnitude_squared_coefficients(polynomial)
            squares.append(coefficients @ square ** np.arange(coefficients.shape[-1])[:, None])
        rows = 0.5 * np.log(squares[0] / squares[1]) - target
        errors.append(np.ptp(rows, axis=1) / 2.0)
    return float(np.percentile(np.concatenate(errors), percent)) * NEPER_DB


def _draws(rng: np.random.Generator, job: Job, shape: tuple[int, int]) -> Floats:
    """Deviations of parts as a share of their tolerance, within [-1, 1]."""
    if job.spread.distribution == "uniform":
        return rng.uniform(-1.0, 1.0, shape)
    found = rng.standard_normal(shape) / 3.0
    outside = np.abs(found) > 1.0
    while outside.any():
        found[outside] = rng.standard_normal(int(outside.sum())) / 3.0
        outside = np.abs(found) > 1.0
    return np.asarray(found)


def _built(picked: PickedNetwork, draws: Floats) -> Floats:
    """Element values of builds, shape (builds, elements); two draws are kept for each position."""
    columns = []
    for place, position in enumerate(picked.positions):
        parts = [
            part.value * (1.0 + part.tolerance * draws[2 * place + k])
            for k, part in enumerate(position.parts)
        ]
        if len(parts) == 1:
            columns.append(parts[0])
        elif (position.joined == "series") == (position.element.kind is ElementKind.RESISTOR):
            columns.append(parts[0] + parts[1])
        else:
            columns.append(1.0 / (1.0 / parts[0] + 1.0 / parts[1]))
    return np.stack(columns, axis=1)
