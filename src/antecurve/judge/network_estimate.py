"""The network before the unit as an estimate: best values and the uncertainty of each.

ln x = ln x0 + L u: x0 holds the element values with the source and the load, each column of L is
one independent source of error (a part's tolerance, a meter's accuracy) and u has variance 1 in
each.  A part within +-t, equally likely anywhere, has the standard uncertainty t/sqrt(3)
(JCGM 100:2008, 4.3.7); joined parts scatter each by itself.

Readings of one meter are correlated (JCGM 100:2008, 5.2.2), and by how much no data sheet says:
wholly where the meter reads high everywhere, not at all where each range has an error of its own.
`antecurve.analysis.correction` draws them with a correlation that is stated.  A fit needs one
covariance that holds for each.  With
u_k the standard uncertainties of n readings, C = u u' (wholly correlated) and D = diag(u_k**2)
(not at all), C <= n D by Cauchy and Schwarz, so that D + (1 - 1/n) C is nowhere below either; no
smaller multiple of C beside D would do.  That is what measured parts get: each reading an error
of its own, and all of a meter one in common, sqrt(1 - 1/n) times as large.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.as_built import measured_network
from antecurve.analysis.meter import MeterAccuracy
from antecurve.analysis.subject import job_of, picked_of
from antecurve.arrays import hold_read_only
from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.conditions import Conditions, Designed, LoadingTolerance
from antecurve.networks.sensitivity import each_at_zero
from antecurve.networks.topology import ElementKind, Loading, Network, Topology
from antecurve.parts.distributions import deviation_quantile, standard_deviation
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table, part_weights

__all__ = [
    "JudgedThrough",
    "NetworkEstimate",
    "estimate_by_tolerance",
    "estimate_of",
    "exact_estimate",
    "network_log_response",
    "network_slopes",
    "sources_at",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]


@checked
@dataclass(frozen=True, slots=True, eq=False)
class NetworkEstimate:
    """A network with its source and load: best values and sources of error.

    Attributes
    ----------
    topology : Topology
        The shape.
    values : numpy.ndarray of float, shape (elements,)
        Best values [ohm or F], read-only.
    loading : Loading
        Source and load.
    errors : numpy.ndarray of float, shape (elements + 3, sources)
        L above; the last three rows are source resistance, load resistance, load capacitance.
    uniform : numpy.ndarray of bool, shape (sources,)
        Whether a source is equally likely anywhere within its limits, otherwise normal.
    unmeasured : numpy.ndarray of bool, shape (sources,)
        Whether a source is the tolerance of a part that no meter has read; by default none is, as
        after a calibration.
    shares_meter : bool
        Whether one meter read several parts, so that the errors of its readings may be alike.
    """

    topology: Topology
    values: Floats
    loading: Loading
    errors: Floats
    uniform: NDArray[np.bool_]
    unmeasured: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    shares_meter: bool = False

    def __post_init__(self) -> None:
        hold_read_only(self, "values", "errors")
        if self.errors.ndim != 2:
            raise InputError("errors", self.errors.shape, "give rows for elements and loading")
        for name in ("uniform", "unmeasured"):
            given = np.asarray(getattr(self, name), dtype=bool)
            flags = np.array(given) if given.size else np.zeros(self.sources, dtype=bool)
            flags.setflags(write=False)
            object.__setattr__(self, name, flags)

    @property
    def sources(self) -> int:
        """Number of independent sources of error."""
        return int(self.errors.shape[1])

    @property
    def network(self) -> Network:
        """The network with its best values."""
        return Network(self.topology, self.values)


JudgedThrough: TypeAlias = Designed | PickedNetwork | NetworkEstimate
"""What a unit is judged through; anything but a design comes with conditions."""


def estimate_of(
    subject: JudgedThrough,
    conditions: Conditions,
    *,
    measured: Mapping[str, float] | None = None,
    meter: MeterAccuracy | None = None,
) -> NetworkEstimate:
    """Estimate the network that a unit is judged through.

    Parameters
    ----------
    subject : Design, PickedNetwork or NetworkEstimate
        A design, a network with parts, or an estimate such as a calibration's.
    conditions : Conditions
        Whose source and load count.
    measured : mapping of str to float, optional
        Measured values of parts [ohm or F], as in `measured_network`.
    meter : MeterAccuracy, optional
        Accuracy of the meter that measured them.

    Returns
    -------
    NetworkEstimate
        Parts scatter as the design's job says, uniformly by default.

    Raises
    ------
    InputError
        When measured values can't be used, or come beside an estimate.
    """
    if isinstance(subject, NetworkEstimate):
        if measured is not None:
            rule = "an estimate holds its values already; give the design, or leave them out"
            raise InputError("measured", tuple(measured), rule)
        if subject.loading == conditions.loading:
            return subject
        return replace(subject, loading=conditions.loading)
    picked, job = picked_of(subject), job_of(subject)
    if measured is not None:
        picked = measured_network(picked, measured, meter=meter or MeterAccuracy())
    distribution = "uniform" if job is None else job.spread.distribution
    return estimate_by_tolerance(picked, loading=conditions.loading, distribution=distribution)


@checked
def estimate_by_tolerance(
    picked: PickedNetwork,
    *,
    loading: Loading,
    distribution: str = "uniform",
    loading_tolerance: LoadingTolerance | None = None,
) -> NetworkEstimate:
    """Estimate a network from the tolerances of its parts.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts; a part with a value marked on it and another measured counts
        as measured, its tolerance as the accuracy of the meter.
    loading : Loading
        Source and load.
    distribution : str, optional
        ``uniform``, or ``normal`` (tolerance = 3 sigma, cut there).
    loading_tolerance : LoadingTolerance, optional
        How far source and load may be off.

    Returns
    -------
    NetworkEstimate
        One source of error per physical part that has a tolerance, and one for each meter that
        read several parts.

    Raises
    ------
    InputError
        When the distribution is neither.
    """
    rows = len(picked.positions) + 3
    scattered: list[Floats] = []
    readings: dict[ElementKind, list[Floats]] = {kind: [] for kind in ElementKind}
    table = part_table(picked)
    parts = [part for position in picked.positions for part in position.parts]
    for part, kind, weight in zip(parts, table.kinds, part_weights(table).T, strict=True):
        measured = part.nominal is not None
        standard = standard_deviation(part.tolerance, "uniform" if measured else distribution)
        if standard:
            column = np.append(weight * standard, np.zeros(3))
            (readings[kind] if measured else scattered).append(column)
    within = [column for columns in readings.values() for column in _meter_columns(columns)]
    within += _loading_columns(loading_tolerance or LoadingTolerance(), rows)
    kinds = [distribution == "uniform"] * len(scattered) + [True] * len(within)
    columns = [*scattered, *within]
    errors = np.array(columns).T if columns else np.zeros((rows, 0))
    return NetworkEstimate(
        picked.topology,
        picked.network.values,
        loading,
        errors,
        np.array(kinds, dtype=bool),
        np.arange(len(columns)) < len(scattered),
        any(len(columns) > 1 for columns in readings.values()),
    )


def _meter_columns(readings: list[Floats]) -> list[Floats]:
    """Errors of the readings of one meter: each one's own, and what covers any correlation."""
    if len(readings) < 2:
        return readings
    common = math.sqrt(1.0 - 1.0 / len(readings)) * np.sum(readings, axis=0)
    return [*readings, common]


def _loading_columns(tolerance: LoadingTolerance, rows: int) -> list[Floats]:
    columns = []
    spans = (tolerance.source_resistance, tolerance.load_resistance, tolerance.load_capacitance)
    for offset, span in enumerate(spans):
        if span:
            column = np.zeros(rows)
            column[rows - 3 + offset] = standard_deviation(span, "uniform")
            columns.append(column)
    return columns


@checked
def exact_estimate(
    network: Network, *, loading: Loading, loading_tolerance: LoadingTolerance | None = None
) -> NetworkEstimate:
    """Take a network as exact.

    Parameters
    ----------
    network : Network
        The network.
    loading : Loading
        Source and load.
    loading_tolerance : LoadingTolerance, optional
        How far source and load may be off.

    Returns
    -------
    NetworkEstimate
        Without a source of error in the elements.
    """
    rows = len(network.values) + 3
    columns = _loading_columns(loading_tolerance or LoadingTolerance(), rows)
    errors = np.array(columns).T if columns else np.zeros((rows, 0))
    return NetworkEstimate(
        network.topology, network.values, loading, errors, np.ones(len(columns), dtype=bool)
    )


def network_log_response(
    estimate: NetworkEstimate, sources: Floats, frequency_hz: Floats
) -> Complex:
    """Compute ln H of the network for any number of settings of the sources of error.

    Parameters
    ----------
    estimate : NetworkEstimate
        The network.
    sources : numpy.ndarray of float, shape (..., sources)
        u above; 0 is the network by its best values.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz], above 0.

    Returns
    -------
    numpy.ndarray of complex, shape (..., frequencies)
        Natural logarithm of output voltage / EMF.
    """
    factor = np.exp(sources @ estimate.errors.T)
    count = len(estimate.values)
    load = estimate.loading
    transfer = transfer_coefficients(
        estimate.topology,
        estimate.values * factor[..., :count],
        source_resistance=load.source_resistance * factor[..., count],
        load_resistance=load.load_resistance * factor[..., count + 1],
        load_capacitance=load.load_capacitance * factor[..., count + 2],
    )
    return np.asarray(np.log(transfer.response(frequency_hz)))


def network_slopes(
    estimate: NetworkEstimate, sources: Floats, frequency_hz: Floats, *, slopes: bool = True
) -> Complex:
    """Compute ln H and its derivatives by the sources of error.

    Parameters
    ----------
    estimate : NetworkEstimate
        The network.
    sources : numpy.ndarray of float, shape (sources,)
        Where.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz], above 0.
    slopes : bool, optional
        Whether the derivatives are wanted; the value is the same to the last digit without.

    Returns
    -------
    numpy.ndarray of complex, shape (1 + sources, frequencies) or (1, frequencies)
        The value, then one row per source.
    """
    count, load = len(estimate.values), estimate.loading
    loading = [load.source_resistance, load.load_resistance, load.load_capacitance]
    given = np.append(estimate.values, loading) * np.exp(estimate.errors @ sources)
    rows = each_at_zero(given)
    transfer = transfer_coefficients(
        estimate.topology,
        rows[:, :count],
        source_resistance=rows[:, count],
        load_resistance=rows[:, count + 1],
        load_capacitance=rows[:, count + 2],
    )
    # Polynomials are affine in each value (`networks.sensitivity`): few coefficients are combined
    # by source, in place of many responses.
    parts = (transfer.numerator, transfer.denominator)
    highest = max(part.shape[-1] for part in parts)
    powers = np.asarray(np.vander(2j * math.pi * frequency_hz, highest, increasing=True).T)
    (top, by_top), (bottom, by_bottom) = (
        _with_slopes(part, estimate.errors, powers) for part in parts
    )
    value = np.log(top / bottom)[None]
    if not slopes:
        return value
    # A product takes a ninth of the time of a quotient.
    return np.vstack([value, by_top * (1.0 / top) - by_bottom * (1.0 / bottom)])


def _with_slopes(polynomial: Floats, errors: Floats, powers: Complex) -> tuple[Complex, Complex]:
    """A polynomial's values and derivatives by the sources, from rows with each value at 0."""
    by_source = errors.T @ (polynomial[-1] - polynomial[:-1])
    values = np.vstack([polynomial[-1], by_source]) @ powers[: polynomial.shape[-1]]
    return values[0], values[1:]


def sources_at(estimate: NetworkEstimate, probability: Floats) -> Floats:
    """Draw settings of the sources of error by their cumulative probability.

    Parameters
    ----------
    estimate : NetworkEstimate
        The network.
    probability : numpy.ndarray of float, shape (..., sources)
        Strictly between 0 and 1.

    Returns
    -------
    numpy.ndarray of float, shape (..., sources)
        u with variance 1 in each column, uniform or normal.
    """
    uniform, normal = (
        deviation_quantile(probability, name) / standard_deviation(1.0, name)
        for name in ("uniform", "normal")
    )
    return np.asarray(np.where(estimate.uniform, uniform, normal))
