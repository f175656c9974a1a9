"""Calibration of the network itself from a sweep of it.

The elements are fitted within what is known of them: ln x = ln x0 + L u with a prior of variance
1 on every source of error u, and the sweep's level free.  What a sweep can't see (the impedance
of the whole) stays as known as it was; what it sees becomes as well known as the sweep is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import log_frequencies
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve, level_db
from antecurve.errors import InputError
from antecurve.judge.capture import Capture
from antecurve.judge.network_estimate import (
    JudgedThrough,
    NetworkEstimate,
    estimate_of,
    network_log_response,
    network_slopes,
)
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.networks.topology import Loading
from antecurve.quantities import DB_PER_NEPER, check_number
from antecurve.results import Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Calibration", "calibrate_network"]

Floats = NDArray[np.float64]

_PER_DECADE = 10  # corrections are smooth; linear between them errs below 1 mdB
_COVERAGE = 1.96  # 95 % of a normal distribution
_LEAST_SIGMA_DB = 5e-4  # half the last digit of a level printed to 0.001 dB
_UNLIKELY = 1e-4  # of ten thousand networks within tolerance one


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Calibration(Result):
    """A network as a sweep of it shows it.

    Attributes
    ----------
    estimate : NetworkEstimate
        The network with fitted values and the uncertainty that remains; to be judged with.
    refs : tuple of str
        References of the elements.
    values, uncertainty : numpy.ndarray of float, shape (elements,)
        Fitted values [ohm or F] and their expanded uncertainty, 95 %, as fractions.
    frequency_hz, correction_db, correction_uncertainty_db : numpy.ndarray of float
        Frequencies [Hz], and what is to be subtracted from levels measured through the network,
        0 dB at 1 kHz [dB], with expanded uncertainty; shape (frequencies,).
    residual_db : float
        Root mean square of what the fit leaves [dB].
    consistent : bool
        Whether the elements had to move no farther than their tolerances make likely.
    """

    estimate: NetworkEstimate
    refs: tuple[str, ...]
    values: Floats
    uncertainty: Floats
    frequency_hz: Floats
    correction_db: Floats
    correction_uncertainty_db: Floats
    residual_db: float
    consistent: bool

    def to_dict(self) -> dict[str, Any]:
        """Return the calibration as its file holds it.

        Returns
        -------
        dict
            Elements with expanded uncertainty as a fraction, and the correction table.
        """
        return {
            "format": "antecurve-calibration-1",
            "elements": [
                {"ref": r, "value": float(v), "expanded_uncertainty": float(u)}
                for r, v, u in zip(self.refs, self.values, self.uncertainty, strict=True)
            ],
            "residual_db": self.residual_db,
            "consistent": self.consistent,
            "correction": self.to_frame().to_dict(orient="records"),
        }

    def to_frame(self) -> pd.DataFrame:
        """Return the correction table.

        Returns
        -------
        pandas.DataFrame
            frequency_hz, correction_db, expanded_uncertainty_db.
        """
        import pandas as pd

        return pd.DataFrame(
            {
                "frequency_hz": self.frequency_hz,
                "correction_db": self.correction_db,
                "expanded_uncertainty_db": self.correction_uncertainty_db,
            }
        )


@checked
def calibrate_network(
    sweep: Capture,
    design: JudgedThrough,
    *,
    conditions: Conditions | None = None,
    sweep_loading: Loading | None = None,
    level_uncertainty_db: float = 0.01,
) -> Calibration:
    """Fit a network's elements to a sweep of its output.

    Parameters
    ----------
    sweep : Capture
        Levels at the network's output, constant EMF.
    design : Designed, PickedNetwork or NetworkEstimate
        The network: a design, or with `conditions` a network with parts or an estimate.
    conditions : Conditions, optional
        Generator and unit when a unit is judged later, and the curve whose published time
        constants later measurements are corrected to; those of the design by default.
    sweep_loading : Loading, optional
        Source and load during the sweep, where its meter was another load than the unit.
    level_uncertainty_db : float, optional
        Standard uncertainty of a level re the others [dB], above 0; the scatter of the sweep
        counts instead where it is larger.

    Returns
    -------
    Calibration
        Fitted values, correction table, and the estimate to judge units with.

    Raises
    ------
    InputError
        When the capture holds no levels, the network is taken as exact, so that nothing may
        move, or the uncertainty is not above 0.
    """
    conditions = conditions_of(design, conditions)
    unit_loading = conditions.loading
    network = estimate_of(design, replace(conditions, loading=sweep_loading or unit_loading))
    if network.sources == 0:
        raise InputError("network", "exactly known", "give tolerances: nothing may be fitted")
    check_number(level_uncertainty_db, field="level_uncertainty_db", unit="dB")
    sigma = max(level_uncertainty_db, _LEAST_SIGMA_DB)
    levels = sweep.levels_db()
    unknowns, residual, slopes = _solve(levels, network, sigma)
    scatter = float(np.sqrt(residual @ residual / max(1, residual.size - 4)))
    if scatter > sigma:
        sigma = scatter
        unknowns, residual, slopes = _solve(levels, network, sigma)
    inverse = np.linalg.inv(
        slopes.T @ slopes / sigma**2 + np.diag([*np.ones(unknowns.size - 1), 0.0])
    )
    sources = unknowns[:-1]
    root = np.linalg.cholesky(inverse[:-1, :-1])
    count = len(network.values)
    factor = np.exp(network.errors @ sources)
    fitted = replace(
        network,
        values=network.values * factor[:count],
        loading=unit_loading,
        errors=network.errors @ root,
        uniform=np.zeros(network.sources, dtype=bool),
    )
    frequency = log_frequencies(
        float(levels[0][0]), float(levels[0][-1]), points_per_decade=_PER_DECADE
    )
    correction, uncertain = _correction(fitted, frequency, conditions.curve)
    return Calibration(
        estimate=fitted,
        refs=network.topology.refs,
        values=fitted.values,
        uncertainty=_COVERAGE * np.linalg.norm(fitted.errors[:count], axis=1),
        frequency_hz=frequency,
        correction_db=correction,
        correction_uncertainty_db=uncertain,
        residual_db=float(np.sqrt(np.mean(residual**2))),
        consistent=_likely(sources),
    )


def _solve(
    levels: tuple[Floats, Floats], network: NetworkEstimate, sigma: float
) -> tuple[Floats, Floats, Floats]:
    """Sources of error and level; residuals [dB] and their derivatives at the solution."""
    from scipy.optimize import least_squares

    frequency, measured_db = levels

    def residual(unknowns: Floats) -> Floats:
        level = network_log_response(network, unknowns[:-1], frequency).real + unknowns[-1]
        missed = (DB_PER_NEPER * level - measured_db) / sigma
        return np.concatenate([missed, unknowns[:-1]])

    def slopes(unknowns: Floats) -> Floats:
        by_source = network_slopes(network, unknowns[:-1], frequency)[1:].real
        data = DB_PER_NEPER * np.vstack([by_source, np.ones(frequency.size)]).T / sigma
        return np.vstack([data, np.eye(unknowns.size)[:-1]])

    start = np.zeros(network.sources + 1)
    first = network_log_response(network, start[:-1], frequency).real
    start[-1] = float(np.mean(measured_db / DB_PER_NEPER - first))
    fit = least_squares(residual, start, jac=slopes, x_scale="jac", ftol=1e-12, xtol=1e-12)
    count = frequency.size
    return fit.x, residual(fit.x)[:count] * sigma, slopes(fit.x)[:count] * sigma


def _correction(network: NetworkEstimate, frequency: Floats, curve: Curve) -> tuple[Floats, Floats]:
    both = np.append(frequency, REFERENCE_FREQUENCY_HZ)
    slopes_db = DB_PER_NEPER * network_slopes(network, np.zeros(network.sources), both).real
    slopes_db = slopes_db[:, :-1] - slopes_db[:, -1:]
    error = slopes_db[0] - level_db(curve, frequency, published=True)
    return np.asarray(error), _COVERAGE * np.linalg.norm(slopes_db[1:], axis=0)


def _likely(sources: Floats) -> bool:
    """Whether the sources of error moved no farther than chance: chi-square of the prior."""
    from scipy.special import chdtrc

    return bool(chdtrc(sources.size, float(sources @ sources)) > _UNLIKELY)
