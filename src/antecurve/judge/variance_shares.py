"""Where the variance of a deviation comes from.

Linearised about the best fit the deviation is off by g' C (J' e + P' v + S u), as
`antecurve.judge.uncertainty` draws it: e the captures' noise, v what the priors of the constants
leave open, u the sources of error of network and bench, each of variance 1 and independent.  With
c = C g each source of error adds its own c_j^2, noise |J c|^2, and the priors of constants what
remains of g' c.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.judge.fit import Family
from antecurve.quantities import DB_PER_NEPER
from antecurve.results import Result

__all__ = [
    "NETWORK",
    "VarianceShare",
    "deviation_slope",
    "inverse_information",
    "unknown_name",
    "variance_shares",
]

Floats = NDArray[np.float64]

NETWORK = "the network's parts"
"""The origin that no capture through the network takes away."""
_CAPTURES = "the captures"
_BENCH = "probe, references and generator"
_ROUNDING = 1e-13  # of the largest eigenvalue: what is less is rounding of the normal matrix


@dataclass(frozen=True, slots=True)
class VarianceShare(Result):
    """What one origin makes of the variance of a deviation.

    Attributes
    ----------
    origin : str
        Such as ``the network's parts``.
    share : float
        Of the variance, 0 to 1.
    most : str
        The one quantity that makes most of it; empty where there is no single one.
    """

    _keys: ClassVar = ("origin", "share", "most")

    origin: str
    share: float
    most: str = ""


def deviation_slope(family: Family, frequency_hz: float) -> Floats:
    """Derive the deviation by the free unknowns of a fit.

    Parameters
    ----------
    family : Family
        The fitted shape.
    frequency_hz : float
        Frequency of the deviation [Hz], above 0.

    Returns
    -------
    numpy.ndarray of float, shape (free,)
        Derivatives [dB]; only those by the unit's constants differ from 0.
    """
    solution = family.solution
    hertz = np.array([frequency_hz, REFERENCE_FREQUENCY_HZ])
    slopes = family.model.linearised(solution.units, hertz).derivative.real
    whole = np.zeros(solution.problem.size)
    whole[: solution.problem.unit_count] = DB_PER_NEPER * (slopes[0] - slopes[1])
    return whole[solution.free]


def inverse_information(information: Floats) -> Floats:
    """Invert an information matrix whose unknowns are of unlike size.

    Parameters
    ----------
    information : numpy.ndarray of float, shape (unknowns, unknowns)
        Symmetric, not negative.

    Returns
    -------
    numpy.ndarray of float, shape (unknowns, unknowns)
        The covariance; directions without information get a large but finite variance.
    """
    scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
    values, vectors = np.linalg.eigh(information / np.outer(scale, scale))
    values = np.maximum(values, _ROUNDING * values[-1])
    return np.asarray((vectors / values) @ vectors.T / np.outer(scale, scale))


def variance_shares(
    family: Family, frequency_hz: float, *, total: float, beside: Mapping[str, float]
) -> tuple[VarianceShare, ...]:
    """Split the variance of a deviation by its origins.

    Parameters
    ----------
    family : Family
        The reported shape.
    frequency_hz : float
        Frequency of the deviation [Hz], above 0.
    total : float
        Square of the expanded uncertainty there [dB^2].
    beside : mapping of str to float
        What of it is not of the fit, by origin [dB^2].

    Returns
    -------
    tuple of VarianceShare
        The largest first, none of 0; together 1.
    """
    solution, problem = family.solution, family.solution.problem
    jacobian = solution.evaluation.jacobian[:, solution.free]
    slope = deviation_slope(family, frequency_hz)
    free = inverse_information(jacobian.T @ jacobian) @ slope
    carried = np.zeros(problem.size)
    carried[solution.free] = free
    first, last = problem.unit_count, problem.unit_count + problem.bench.estimate.sources
    network, bench = carried[first:last] ** 2, carried[last : first + problem.priors] ** 2
    fitted = max(float(slope @ free), 1e-300)
    of_fit = max(1.0 - sum(beside.values()) / total, 0.0) if total > 0.0 else 1.0
    shares = [VarianceShare(name, value / total) for name, value in beside.items() if value > 0.0]
    if network.size:
        most = unknown_name(family, first + int(np.argmax(network)))
        shares.append(VarianceShare(NETWORK, of_fit * float(network.sum()) / fitted, most))
    of_bench = of_fit * float(bench.sum()) / fitted
    shares.append(VarianceShare(_BENCH, of_bench))
    so_far = sum(s.share for s in shares)
    shares.append(VarianceShare(_CAPTURES, max(1.0 - so_far, 0.0)))
    return tuple(sorted((s for s in shares if s.share > 0.0), key=lambda s: -s.share))


def unknown_name(family: Family, unknown: int) -> str:
    """Name an unknown of a fit in words.

    Parameters
    ----------
    family : Family
        The fitted shape.
    unknown : int
        Its number among all unknowns but those of single captures.

    Returns
    -------
    str
        Such as ``the network's R2``.
    """
    problem = family.solution.problem
    if unknown < problem.unit_count:
        constant = family.model.parameters[unknown]
        if constant.low or constant.role.startswith("high") or constant.role == "lift":
            return "the shape of the unit's " + ("low end" if constant.low else "top")
        return "the unit's " + constant.name.removesuffix("_s").replace("_", " ")
    estimate, source = problem.bench.estimate, unknown - problem.unit_count
    if source < estimate.sources:
        row = int(np.argmax(np.abs(estimate.errors[:, source])))
        refs = [f"the network's {e.ref}" for e in estimate.topology.elements]
        beside = ["the generator's resistance", "the load resistance", "the load capacitance"]
        return [*refs, *beside][row]
    if source < estimate.sources + problem.bench.chain.probe_sources:
        return "the probe"
    return "the references' noise" if problem.bench.references else "the generator's rise time"
