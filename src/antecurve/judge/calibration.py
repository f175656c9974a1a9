"""Calibration of the network itself from a sweep of it.

The elements are fitted within their tolerances, distributed as the job says, with the level of the
sweep free and the responses of generator and meter as smooth errors.  What a sweep can't see (the
impedance of the whole) stays as known as it was; what it sees becomes as well known as the sweep
is.  A sweep that no values within tolerance explain gets no interval, but what explains it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import log_frequencies
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve, level_db
from antecurve.errors import InputError
from antecurve.judge.calibration_faults import (
    OutsideTolerance,
    contradicted,
    explained,
    free_fit,
    outside_tolerance,
)
from antecurve.judge.calibration_fit import (
    LevelModel,
    SweepFit,
    bounded_fit,
    directed,
    posterior_draws,
    source_limits,
)
from antecurve.judge.calibration_intervals import confidence_intervals
from antecurve.judge.capture import Capture
from antecurve.judge.factor_of_two import level_question
from antecurve.judge.network_estimate import (
    JudgedThrough,
    NetworkEstimate,
    estimate_of,
    network_slopes,
)
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.networks.topology import Loading
from antecurve.quantities import DB_PER_NEPER, check_number
from antecurve.results import Result, column_rows
from antecurve.threads import single_threaded_linear_algebra

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Calibration", "calibrate_network"]

Floats = NDArray[np.float64]

_PER_DECADE = 10  # corrections are smooth; linear between them errs below 1 mdB
_COVERAGE = 1.96  # 95 % of a normal distribution
_BY_CHANCE = 0.05  # scatter that the stated uncertainty shows in one sweep of twenty is not more
_LEAST_SIGMA_DB = 5e-4  # half the last digit of a level printed to 0.001 dB


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Calibration(Result):
    """A network as a sweep of it shows it.

    Attributes
    ----------
    estimate : NetworkEstimate
        The network with fitted values and the uncertainty that remains; to be judged with.
    refs : tuple of str
        References of the elements.
    values, low, high : numpy.ndarray of float, shape (elements,)
        Fitted values and ends of their 95 % intervals [ohm or F].  Where the sweep tells nothing
        an interval ends at the tolerance and so holds more.
    uncertainty : numpy.ndarray of float, shape (elements,)
        Distance to the farther end, as a fraction.
    frequency_hz, correction_db, correction_uncertainty_db : numpy.ndarray of float
        Frequencies [Hz], and what is to be subtracted from levels measured through the network,
        0 dB at 1 kHz [dB], with expanded uncertainty; shape (frequencies,).
    residual_db : float
        Root mean square of what the fit leaves, levels weighted by their noise [dB].
    consistent : bool
        Whether values within tolerance explain the sweep.  Where not, `low`, `high` and both
        uncertainties are not numbers, and values are those of the first explanation, if any.
    outside : tuple of OutsideTolerance
        What explains the sweep instead; values that the sweep can't tell apart stand side by side.
    findings : tuple of str
        The same in words, and a question where the level is off by a factor of two.
    """

    FORMAT: ClassVar = "antecurve-calibration-1"
    _keys: ClassVar = (
        "format:FORMAT",
        "elements",
        "residual_db",
        "consistent",
        "outside_tolerance:outside",
        "findings",
        "correction:records",
    )

    estimate: NetworkEstimate
    refs: tuple[str, ...]
    values: Floats
    low: Floats
    high: Floats
    uncertainty: Floats
    frequency_hz: Floats
    correction_db: Floats
    correction_uncertainty_db: Floats
    residual_db: float
    consistent: bool
    outside: tuple[OutsideTolerance, ...]
    findings: tuple[str, ...]

    @property
    def elements(self) -> list[dict[str, Any]]:
        """Each element: value [ohm or F], expanded uncertainty as a fraction, interval."""
        return column_rows(
            ref=self.refs,
            value=self.values,
            expanded_uncertainty=self.uncertainty,
            low=self.low,
            high=self.high,
        )

    def to_frame(self) -> pd.DataFrame:
        """Tabulate the correction.

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
@single_threaded_linear_algebra()
def calibrate_network(
    sweep: Capture,
    design: JudgedThrough,
    *,
    conditions: Conditions | None = None,
    sweep_loading: Loading | None = None,
    level_uncertainty_db: float = 0.01,
    generator_flatness_db: float = 0.0,
    meter_response_db: float = 0.0,
) -> Calibration:
    """Fit a network's elements to a sweep of its output.

    Parameters
    ----------
    sweep : Capture
        Levels at the network's output, constant EMF, or a record of it beside its stimulus.
    design : Design, PickedNetwork or NetworkEstimate
        The network: a design, or with `conditions` a network with parts or an estimate.
    conditions : Conditions, optional
        Generator and unit when a unit is judged later, and the curve whose published time
        constants later measurements are corrected to; those of the design by default.
    sweep_loading : Loading, optional
        Source and load during the sweep, where its meter was another load than the unit.
    level_uncertainty_db : float, optional
        Standard uncertainty of a level re the others [dB], above 0; the scatter of the sweep
        counts instead where it is larger by more than chance.
    generator_flatness_db, meter_response_db : float, optional
        How far the generator's output and the meter's reading may change with frequency, 95 %
        [dB], 0 or greater: smooth errors, of their own at each decade.

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
    loading = sweep_loading or conditions.loading
    network = _between_limits(estimate_of(design, replace(conditions, loading=loading)))
    if network.sources == 0:
        raise InputError("network", "exactly known", "give tolerances, or nothing can be fitted")
    check_number(level_uncertainty_db, field="level_uncertainty_db", unit="dB")
    levels = sweep.network_levels(network, conditions.band_hz)
    influences = _influences_db(levels.frequency_hz, generator_flatness_db, meter_response_db)
    stated = max(level_uncertainty_db, _LEAST_SIGMA_DB)
    weight = stated / np.hypot(stated, levels.deviation_db)
    model = LevelModel(levels.frequency_hz, levels.level_db, network, 0, influences, weight)
    sigma, fit, free = _fits(model, stated)
    consistent = not contradicted(fit, free, sigma)
    explanations = () if consistent else explained(fit, free, sigma)
    outside = tuple(o for e in explanations for o in outside_tolerance(*e, sigma))
    best = explanations[0][0] if explanations else fit
    calibration = _calibration(best, sigma, conditions, consistent, outside)
    question = level_question(levels.off_db)
    findings = (*calibration.findings, *([question] if question else []))
    return replace(calibration, findings=findings)


def _between_limits(network: NetworkEstimate) -> NetworkEstimate:
    """The network with errors whose limits are those of the tolerance on the low side too.

    A value within +-t has its logarithm within atanh(t) of that of sqrt(1 - t^2).
    """
    count = len(network.values)
    limits = np.abs(network.errors[:count]) @ source_limits(network)
    sizes = np.ones(len(network.errors))
    sizes[:count] = np.divide(np.arctanh(limits), limits, out=np.ones(count), where=limits > 0)
    return replace(
        network,
        values=network.values * np.sqrt(1.0 - limits**2),
        errors=network.errors * sizes[:, None],
    )


def _fits(model: LevelModel, sigma: float) -> tuple[float, SweepFit, SweepFit]:
    """Uncertainty of a level, the fit within tolerances and that of free elements."""
    from scipy.special import chdtrc

    fit = bounded_fit(model, sigma)
    free = free_fit(model, sigma, fit)
    # What free elements leave is scatter: of their values all but the impedance are seen.
    freedom = max(1, model.frequency_hz.size - len(model.network.values))
    scatter = float(np.sqrt(free.square_db / freedom))
    if chdtrc(freedom, free.square_db / sigma**2) < _BY_CHANCE:
        sigma = scatter
        fit = bounded_fit(model, sigma, fit.unknowns)
    return sigma, fit, free


def _influences_db(frequency: Floats, *limits_db: float) -> Floats:
    """Errors that change smoothly with frequency: linear in its logarithm between decades."""
    for limit, name in zip(limits_db, ("generator_flatness_db", "meter_response_db"), strict=True):
        check_number(limit, field=name, unit="dB", zero=True)
    standard = float(np.linalg.norm(limits_db)) / _COVERAGE
    if standard == 0.0:
        return np.zeros((frequency.size, 0))
    decades = np.log10(frequency)
    nodes = np.arange(np.floor(decades[0]), np.ceil(decades[-1]) + 1.0)
    return np.array([standard * np.interp(decades, nodes, one) for one in np.eye(nodes.size)]).T


def _calibration(
    fit: SweepFit,
    sigma: float,
    conditions: Conditions,
    consistent: bool,
    outside: tuple[OutsideTolerance, ...],
) -> Calibration:
    """The network as the posterior draws show it."""
    network, levels = fit.model.network, fit.model.frequency_hz
    sources, count = network.sources, len(network.values)
    draws = posterior_draws(fit, sigma)[:, :sources]
    mean = draws.mean(axis=0)
    values, vectors = np.linalg.eigh(np.cov(draws, rowvar=False).reshape(sources, sources))
    root = directed(vectors.T).T * np.sqrt(np.maximum(values, 0.0))
    fitted = replace(
        network,
        values=network.values * np.exp(network.errors[:count] @ mean),
        loading=conditions.loading,
        errors=network.errors @ root,
        uniform=np.zeros(sources, dtype=bool),
    )
    frequency = log_frequencies(
        (float(levels[0]), float(levels[-1])), points_per_decade=_PER_DECADE
    )
    correction, uncertain = _correction(fitted, frequency, conditions.curve)
    low, high = _intervals(fit, sigma, draws) if consistent else np.full((2, count), np.nan)
    return Calibration(
        estimate=fitted,
        refs=network.topology.refs,
        values=fitted.values,
        low=low,
        high=high,
        uncertainty=np.maximum(high - fitted.values, fitted.values - low) / fitted.values,
        frequency_hz=frequency,
        correction_db=correction,
        correction_uncertainty_db=uncertain if consistent else np.full(frequency.size, np.nan),
        residual_db=float(np.sqrt(np.mean(fit.residual_db**2))),
        consistent=consistent,
        outside=outside,
        findings=() if consistent else _findings(outside),
    )


def _intervals(fit: SweepFit, sigma: float, draws: Floats) -> Floats:
    """Ends of the 95 % interval of each element, shape (2, elements).

    Of parts equally likely anywhere within their limits one that holds 95 % of them wherever they
    lie; of normal ones the middle of the posterior, which holds 95 % of all.
    """
    network = fit.model.network
    own = network.errors[: len(network.values)]
    if not network.uniform.all():
        ends = np.percentile(draws @ own.T, (2.5, 97.5), axis=0)
    else:
        ends = confidence_intervals(fit, sigma)
        mean = own @ draws.mean(axis=0)
        ends = np.array([np.minimum(ends[0], mean), np.maximum(ends[1], mean)])
    return np.asarray(network.values * np.exp(ends))


def _findings(outside: tuple[OutsideTolerance, ...]) -> tuple[str, ...]:
    if outside:
        return tuple(one.sentence for one in outside)
    return (
        "no values within tolerance explain the sweep, nor do one or two outside it. Check the "
        "wiring, the parts and the load of the sweep",
    )


def _correction(network: NetworkEstimate, frequency: Floats, curve: Curve) -> tuple[Floats, Floats]:
    both = np.append(frequency, REFERENCE_FREQUENCY_HZ)
    slopes_db = DB_PER_NEPER * network_slopes(network, np.zeros(network.sources), both).real
    slopes_db = slopes_db[:, :-1] - slopes_db[:, -1:]
    error = slopes_db[0] - level_db(curve, frequency, published=True)
    return np.asarray(error), _COVERAGE * np.linalg.norm(slopes_db[1:], axis=0)
