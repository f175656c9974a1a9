"""Parts of the network that a fit has to put farther off than parts are.

What the unit's model lacks the network's parts can make up for, within their tolerances and, a
price paid in chi-square, beyond.  The parts as fitted have, were all else right, the covariance
I - C about 0: C that which the captures leave of the prior's unit variances.  The sum of their
squares is then at most chi-square of as many degrees of freedom as directions are told, tr(I - C).
"""

from __future__ import annotations

import numpy as np

from antecurve.arrays import log_frequencies
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.judge.fit import Fit
from antecurve.judge.network_estimate import network_log_response
from antecurve.judge.observation import ResidualFinding, ResidualKind
from antecurve.judge.uncertainty import unknowns_covariance
from antecurve.judge.variance_shares import unknown_name
from antecurve.quantities import DB_PER_NEPER

__all__ = ["network_findings"]

_CHANCE = 1e-3  # that parts within tolerance are said to be off; fewer, as tolerances have no tails
_POINTS_PER_DECADE = 10  # finer than any bend of the network


def network_findings(fit: Fit, band_hz: tuple[float, float]) -> list[ResidualFinding]:
    """Describe network parts that are farther off than parts are.

    Parameters
    ----------
    fit : Fit
        The fit.
    band_hz : tuple of float
        The band judged [Hz].

    Returns
    -------
    list of ResidualFinding
        One, what the parts do to the response added to the uncertainty; none where parts as usual
        explain the captures.
    """
    from scipy.special import chdtri

    solution, problem = fit.solution, fit.solution.problem
    estimate, first = problem.bench.estimate, problem.unit_count
    sources = solution.unknowns[first : first + estimate.sources]
    if not sources.any():
        return []
    known = np.zeros(problem.size)
    known[solution.free] = 1.0 - np.minimum(np.diag(unknowns_covariance(solution)), 1.0)
    told = max(1.0, float(np.sum(known[first : first + estimate.sources])))
    if float(sources @ sources) < float(chdtri(told, _CHANCE)):
        return []
    hertz = log_frequencies(band_hz, points_per_decade=_POINTS_PER_DECADE)
    both = network_log_response(
        estimate, np.stack([sources, 0.0 * sources]), np.append(hertz, REFERENCE_FREQUENCY_HZ)
    ).real
    change = DB_PER_NEPER * (both[0] - both[1])
    moved = np.abs(change[:-1] - change[-1])
    farthest = unknown_name(fit.families[0], first + int(np.argmax(np.abs(sources))))
    text = (
        "the fit needs network parts as far off as those of one network in a thousand, "
        f"{farthest} farthest. A part is wrong, or the unit's response has a shape that the model "
        "lacks. Until that is told, the deviation shown may be off by more than its uncertainty. "
        "Measure the network's parts, or record the stimulus at the unit's input"
    )
    at = float(hertz[int(np.argmax(moved))])
    return [
        ResidualFinding(
            ResidualKind.NETWORK, "", text, at, hertz, 0.0 * moved, moved, forbids_pass=True
        )
    ]
