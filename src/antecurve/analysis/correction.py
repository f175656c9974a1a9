"""The correction table: what to subtract from levels measured through a network.

A level measured at the output of a unit with ideal playback, 0 dB at 1 kHz, is the unit's own
deviation plus the network's: L(f) - P(f), with L the level of the network as built and P that of
the published curve, both re 1 kHz.  Playback does not undo ultrasonic poles, so their fall is
part of the correction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.analysis.subject import picked_of
from antecurve.arrays import hold_read_only
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.curves.tabulate import third_octave_frequencies
from antecurve.errors import InputError
from antecurve.networks.centred_error import error_db
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.sensitivity import logarithmic_sensitivity
from antecurve.networks.topology import ElementKind
from antecurve.parts.distributions import standard_deviation
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table, part_weights, position_scatter
from antecurve.quantities import DB_PER_NEPER
from antecurve.results import Result

__all__ = [
    "COVERAGE_FACTOR",
    "TABLE_FREQUENCIES_HZ",
    "Correction",
    "ValueUncertainty",
    "correction",
    "value_uncertainty",
]

Floats = NDArray[np.float64]

COVERAGE_FACTOR = 2.0
"""Expanded uncertainty = 2 standard uncertainties, about 95 % (JCGM 100:2008, 6.3.3)."""
TABLE_FREQUENCIES_HZ = tuple(third_octave_frequencies().tolist())
"""Nominal one-third-octave frequencies from 20 Hz to 20 kHz [Hz] (ISO 266:1997)."""


@checked
@dataclass(frozen=True, slots=True, eq=False)
class ValueUncertainty:
    """Standard uncertainties of the values of the positions, relative.

    Attributes
    ----------
    own : numpy.ndarray of float, shape (positions,)
        Of each position by itself.
    common : numpy.ndarray of float, shape (causes, positions)
        Of causes that reach several positions, such as the error of a meter: one row a cause.
        Whether it is the same at all of them (a meter that reads high) or another at each (a
        meter that changes its range) need not be known.
    """

    own: Floats
    common: Floats


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
        Expanded uncertainty with a coverage factor of 2 [dB]; read-only.
    """

    frequency_hz: Floats
    correction_db: Floats
    expanded_uncertainty_db: Floats

    def __post_init__(self) -> None:
        hold_read_only(self, "frequency_hz", "correction_db", "expanded_uncertainty_db")


def value_uncertainty(built: PickedNetwork) -> ValueUncertainty:
    """Derive the standard uncertainties of a network's values from its parts' tolerances.

    Parameters
    ----------
    built : PickedNetwork
        The network; the tolerance of a measured part is its meter's limit of error.

    Returns
    -------
    ValueUncertainty
        Limits count as rectangular distributions, u = limit / sqrt(3) (JCGM 100:2008, 4.3.7).
    """
    table, weights = part_table(built), part_weights(part_table(built))
    standard = standard_deviation(table.tolerance, "uniform")
    by_meter = np.array([q.nominal is not None for p in built.positions for q in p.parts])
    kinds = np.array(table.kinds)
    return ValueUncertainty(
        own=position_scatter(table, np.where(by_meter, 0.0, standard)),
        common=np.stack(
            [weights @ np.where(by_meter & (kinds == kind), standard, 0.0) for kind in ElementKind]
        ),
    )


@checked
def correction(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    uncertainty: ValueUncertainty | None = None,
    frequency_hz: ArrayLike = TABLE_FREQUENCIES_HZ,
) -> Correction:
    """Tabulate the correction of a network.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    uncertainty : ValueUncertainty, optional
        Of the values of the positions; by default that of the parts' tolerances.
    frequency_hz : array_like, shape (frequencies,), optional
        Frequencies [Hz], greater than 0; those of ISO 266 in thirds of octaves by default.

    Returns
    -------
    Correction
        Over frequency.

    Raises
    ------
    InputError
        When a frequency is not above 0, or an uncertainty is negative.

    Notes
    -----
    First-order propagation (JCGM 100:2008, 5.1.2 and, for common causes, 5.2.2): with S_i the
    sensitivity of the level re 1 kHz, u**2 = sum (S_i u_i)**2 for what is each position's own.  Of
    a common cause the larger counts, frequency by frequency, of (sum S_i u_i)**2, the same at all
    positions, and sum (S_i u_i)**2, independent between them: an error common to all resistors
    leaves some levels re 1 kHz as they are, which no meter with several ranges can promise.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    curve, loading = conditions.curve, conditions.loading
    if uncertainty is None:
        uncertainty = value_uncertainty(picked_of(design))
    if np.any(uncertainty.own < 0) or np.any(uncertainty.common < 0):
        raise InputError("uncertainty", "a negative number", "it must be 0 or greater")
    frequency = np.atleast_1d(np.array(frequency_hz, dtype=float))
    level = error_db(network, curve, frequency, loading=loading, published=True)
    logarithmic = logarithmic_sensitivity(
        network, np.append(frequency, REFERENCE_FREQUENCY_HZ), loading=loading
    ).real
    sensitivity = DB_PER_NEPER * (logarithmic[:, :-1] - logarithmic[:, -1:])
    variance = ((sensitivity * uncertainty.own[:, None]) ** 2).sum(axis=0)
    for cause in uncertainty.common:
        each = sensitivity * cause[:, None]
        variance += np.maximum(each.sum(axis=0) ** 2, (each**2).sum(axis=0))
    return Correction(frequency, level, COVERAGE_FACTOR * np.sqrt(variance))
