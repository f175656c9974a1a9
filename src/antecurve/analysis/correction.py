"""The correction table: what to subtract from levels measured through a network.

A level measured at the output of a unit with ideal playback, 0 dB at 1 kHz, is the unit's own
deviation plus the network's: L(f) - P(f), with L the level of the network as built and P that of
the published curve, both re 1 kHz.  Playback does not undo ultrasonic poles, so their fall is
part of the correction.

Its uncertainty is counted over draws of what is not known: the scatter of parts that were not
measured, the errors of meters, source and load.  Each draw goes through the network: where a
frequency hardly feels a common error the second order is all there is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.algebra.transfer_function import squared_powers
from antecurve.analysis.meter import MeterAccuracy
from antecurve.analysis.subject import picked_of
from antecurve.arrays import hold_read_only
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.curves.tabulate import third_octave_frequencies
from antecurve.errors import InputError
from antecurve.networks.centred_error import error_db
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.conditions import (
    AnyNetwork,
    Conditions,
    LoadingTolerance,
    conditions_of,
    network_of,
)
from antecurve.networks.topology import Loading, Network
from antecurve.parts.distributions import deviation_quantile
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table, position_values
from antecurve.results import Result

__all__ = [
    "COVERAGE",
    "TABLE_FREQUENCIES_HZ",
    "Correction",
    "correction",
    "drawn_deviations",
]

Floats = NDArray[np.float64]

COVERAGE = 0.95
"""Coverage probability of the intervals (JCGM 100:2008, 6.2.2)."""
TABLE_FREQUENCIES_HZ = tuple(third_octave_frequencies().tolist())
"""Nominal one-third-octave frequencies from 20 Hz to 20 kHz [Hz] (ISO 266:1997)."""

_DRAWS = 40_000  # coverage of a counted 95 % interval then holds to 0.2 % (binomial, 2 sigma)
_SEED = 1  # the same build gives the same table
_ROUNDING_DB = 1e-12  # of a level of -100 dB; below it a change is none


@dataclass(frozen=True, slots=True, eq=False)
class Correction(Result):
    """What to subtract from measured levels, with its uncertainty.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz]; read-only.
    correction_db : numpy.ndarray of float, shape (frequencies,)
        To be subtracted from levels re 1 kHz [dB]; read-only.
    expanded_uncertainty_db : numpy.ndarray of float, shape (frequencies,)
        Half of the interval that holds 95 % at each frequency by itself [dB]; read-only.
    sweep_uncertainty_db : numpy.ndarray of float, shape (frequencies,)
        The same, widened by one factor so that 95 % stay within at all frequencies at once [dB];
        read-only.
    """

    frequency_hz: Floats
    correction_db: Floats
    expanded_uncertainty_db: Floats
    sweep_uncertainty_db: Floats

    def __post_init__(self) -> None:
        hold_read_only(
            self,
            "frequency_hz",
            "correction_db",
            "expanded_uncertainty_db",
            "sweep_uncertainty_db",
        )


def drawn_deviations(
    built: PickedNetwork,
    *,
    distribution: str = "uniform",
    meter: MeterAccuracy | None = None,
    loading_tolerance: LoadingTolerance | None = None,
) -> Floats:
    """Draw what is not known of a build, its source and its load.

    Parameters
    ----------
    built : PickedNetwork
        The network; the tolerance of a measured part is its meter's limit of error.
    distribution : str, optional
        Of the parts that were not measured: ``uniform``, or ``normal`` (tolerance = 3 sigma).
    meter : MeterAccuracy, optional
        The meter that measured the others.
    loading_tolerance : LoadingTolerance, optional
        Limits of source and load.

    Returns
    -------
    numpy.ndarray of float, shape (positions + 3, draws)
        Relative deviations of the positions, the source resistance, the load resistance and the
        load capacitance.

    Notes
    -----
    Limits of error count as rectangular distributions (JCGM 100:2008, 4.3.7), that of a reading
    as two: what goes with the reading, and the constant.  Errors that go with the reading are
    correlated (5.2.2): z = sqrt(r) z_range + sqrt(1 - r) z_reading with z normal, each then
    equally likely anywhere within its limits.  The constants are each reading's own.
    """
    meter = meter or MeterAccuracy()
    rng = np.random.default_rng(_SEED)
    table = part_table(built)
    parts = [part for position in built.positions for part in position.parts]
    common: dict[object, Floats] = {}
    drawn = np.empty((len(parts), _DRAWS))
    for row, part, kind in zip(drawn, parts, table.kinds, strict=True):
        if part.nominal is None:
            row[:] = part.tolerance * deviation_quantile(rng.random(_DRAWS), distribution)
        else:
            key = None if meter.one_meter else (kind, meter.range_of(part.value))
            # A part of the drawer brings the accuracy it was measured with.
            constant = min(meter.constant(kind, part.value), part.tolerance)
            row[:] = (part.tolerance - constant) * _reading(rng, common, key, meter.correlation)
            if constant:
                row += constant * rng.uniform(-1.0, 1.0, _DRAWS)
    loading = loading_tolerance or LoadingTolerance()
    limits = [loading.source_resistance, loading.load_resistance, loading.load_capacitance]
    around = np.array(limits)[:, None] * rng.uniform(-1.0, 1.0, (3, _DRAWS))
    positions = position_values(table, table.nominal[:, None] * (1.0 + drawn))
    return np.vstack([positions / position_values(table, table.nominal)[:, None] - 1.0, around])


def _reading(
    rng: np.random.Generator, common: dict[object, Floats], key: object, correlation: float
) -> Floats:
    """Errors of one reading as fractions of its limit; `common` keeps those of its range."""
    from scipy.special import ndtr

    if key not in common:
        common[key] = rng.standard_normal(_DRAWS)
    own = rng.standard_normal(_DRAWS)
    z = np.sqrt(correlation) * common[key] + np.sqrt(1.0 - correlation) * own
    return np.asarray(2.0 * ndtr(z) - 1.0)


@checked
def correction(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    deviations: NDArray[np.float64] | None = None,
    frequency_hz: ArrayLike = TABLE_FREQUENCIES_HZ,
) -> Correction:
    """Tabulate the correction of a network.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    deviations : numpy.ndarray of float, shape (positions + 3, draws), optional
        Drawn relative deviations of the values, source and load, as `drawn_deviations` draws them;
        by default within the parts' tolerances.
    frequency_hz : array_like, shape (frequencies,), optional
        Frequencies [Hz], greater than 0; those of ISO 266 in thirds of octaves by default.

    Returns
    -------
    Correction
        Over frequency.

    Raises
    ------
    InputError
        When a frequency is not above 0, or the deviations do not fit the network.

    Notes
    -----
    Propagation of distributions (JCGM 101:2008, 7): each draw by itself through the network.
    The interval of each frequency is the smallest symmetric one.  "At all frequencies at once"
    takes the 95th percentile, over draws, of the largest ratio to it.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    curve, loading = conditions.curve, conditions.loading
    if deviations is None:
        deviations = drawn_deviations(picked_of(design))
    if deviations.ndim != 2 or len(deviations) != len(network.values) + 3:
        raise InputError(
            "deviations",
            deviations.shape,
            f"give one row for each of the {len(network.values)} positions, source resistance, "
            "load resistance and load capacitance",
        )
    frequency = np.atleast_1d(np.array(frequency_hz, dtype=float))
    level = error_db(network, curve, frequency, loading=loading, published=True)
    away = np.abs(_changes_db(network, loading, frequency, deviations))
    expanded = np.quantile(away, COVERAGE, axis=1)
    expanded[expanded < _ROUNDING_DB] = 0.0
    known = expanded > 0.0
    ratio = away[known] / expanded[known, None]
    factor = float(np.quantile(ratio.max(axis=0), COVERAGE)) if known.any() else 1.0
    return Correction(frequency, level, expanded, max(1.0, factor) * expanded)


def _changes_db(
    network: Network, loading: Loading, frequency: Floats, deviations: Floats
) -> Floats:
    """Changes of the level re 1 kHz that deviations make [dB], shape (frequencies, draws)."""
    given = [loading.source_resistance, loading.load_resistance, loading.load_capacitance]
    # The first draw has no deviation.
    drawn = 1.0 + np.insert(deviations, 0, 0.0, axis=1)
    values, around = np.split(drawn, [len(network.values)])
    source, load, cable = np.array(given)[:, None] * around
    power = transfer_coefficients(
        network.topology,
        network.values * values.T,
        source_resistance=source,
        load_resistance=load,
        load_capacitance=cable,
    ).magnitude_squared()
    top, bottom = power.numerator, power.denominator
    powers = squared_powers(
        np.append(frequency, REFERENCE_FREQUENCY_HZ), max(top.shape[1], bottom.shape[1])
    ).T
    level = 10.0 * np.log10(
        (powers[:, : top.shape[1]] @ top.T) / (powers[:, : bottom.shape[1]] @ bottom.T)
    )
    relative = level[:-1] - level[-1]
    return np.asarray(relative[:, 1:] - relative[:, :1])
