"""The deviation of a unit from ideal playback over a band, with its expanded uncertainty.

d(f) = 20 log10 |U(f)/P(f)| less its value at 1 kHz, P the inverse of the curve.  Where the
captures allow several families of units the uncertainty reaches over all of them: what can't be
told apart is not claimed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import Curve, inverse_response
from antecurve.judge.fit import Family
from antecurve.judge.uncertainty import COVERAGE, error_draws
from antecurve.judge.unit_model import UnitModel
from antecurve.quantities import DB_PER_NEPER

__all__ = ["Deviation", "deviation_db", "deviation_of_families"]

Floats = NDArray[np.float64]

_LINEAR_LOG = 0.1
_LINEAR_CORNER = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Deviation:
    """The deviation over frequency.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    deviation_db : numpy.ndarray of float, shape (frequencies,)
        Deviation re 1 kHz [dB].
    expanded_uncertainty_db : numpy.ndarray of float, shape (frequencies,)
        Expanded uncertainty, 95 % [dB].
    model_part_db : numpy.ndarray of float, shape (frequencies,)
        How much of it is due to several families being allowed [dB].
    capture_part_db : numpy.ndarray of float, shape (frequencies,)
        Expanded uncertainty from the captures' noise alone [dB]: what counts between two units
        captured through the same network.
    """

    frequency_hz: Floats
    deviation_db: Floats
    expanded_uncertainty_db: Floats
    model_part_db: Floats
    capture_part_db: Floats


def deviation_db(
    model: UnitModel, coordinates: Floats, frequency_hz: Floats, *, curve: Curve, published: bool
) -> Floats:
    """Return the deviation of units from ideal playback.

    Parameters
    ----------
    model : UnitModel
        The family.
    coordinates : numpy.ndarray of float, shape (..., constants)
        Units in the fit's coordinates.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    curve : Curve
        The emphasis curve.
    published : bool
        Whether ideal playback is the inverse of the published curve, ultrasonic poles not undone.

    Returns
    -------
    numpy.ndarray of float, shape (..., frequencies)
        Deviation [dB], 0 at 1 kHz.
    """
    ideal = np.log(np.abs(inverse_response(curve, frequency_hz, published=published)))
    return np.asarray(DB_PER_NEPER * (model.log_response(coordinates, frequency_hz).real - ideal))


def deviation_of_families(
    families: tuple[Family, ...],
    errors: tuple[Floats, ...],
    frequency_hz: Floats,
    *,
    curve: Curve,
    published: bool,
) -> Deviation:
    """Return the deviation with an uncertainty that reaches over all allowed families.

    Parameters
    ----------
    families : tuple of Family
        Allowed families, the reported one first.
    errors : tuple of numpy.ndarray of float, shape (draws, constants)
        Draws of errors, one array per family.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    curve : Curve
        The emphasis curve.
    published : bool
        Whether ideal playback is the inverse of the published curve.

    Returns
    -------
    Deviation
        Of the reported family.
    """
    lows, highs = [], []
    for family, drawn in zip(families, errors, strict=True):
        units = family.solution.units
        best = deviation_db(family.model, units, frequency_hz, curve=curve, published=published)
        half = np.quantile(np.abs(_moved(family, drawn, frequency_hz)), COVERAGE, axis=0)
        lows.append(best - half)
        highs.append(best + half)
    centre = (lows[0] + highs[0]) / 2.0
    own = (highs[0] - lows[0]) / 2.0
    reach = np.maximum(np.max(highs, axis=0) - centre, centre - np.min(lows, axis=0))
    quiet = error_draws(families[0].solution, builds=False)[:, : errors[0].shape[1]]
    noise = _moved(families[0], quiet, frequency_hz)
    alone = np.minimum(np.quantile(np.abs(noise), COVERAGE, axis=0), own)
    return Deviation(frequency_hz, centre, reach, reach - own, alone)


def _moved(family: Family, drawn: Floats, frequency_hz: Floats) -> Floats:
    """Errors of the deviation [dB] for errors of the constants: linear while these are small."""
    model, units = family.model, family.solution.units
    spread = np.quantile(np.abs(drawn), COVERAGE, axis=0)
    small = np.array([_LINEAR_LOG if p.logarithmic else _LINEAR_CORNER for p in model.parameters])
    if not model.level_only and np.all(spread < small):
        slopes = model.linearised(units, frequency_hz).derivative.real
        return np.asarray(DB_PER_NEPER * drawn @ slopes.T)
    low, high = model.bounds
    about = model.log_response(np.clip(units + drawn, low, high), frequency_hz).real
    return np.asarray(DB_PER_NEPER * (about - model.log_response(units, frequency_hz).real))
