"""The deviation of a unit from ideal playback over a band, with its expanded uncertainty.

d(f) = 20 log10 |U(f)/P(f)| less its value at 1 kHz, P the inverse of the curve.  The deviation
is the mean over the shapes that the captures allow, each by its evidence.  The uncertainty
reaches over the band of each of them, so that the verdict is the worst over all: what can't be
told apart is not claimed.  A band holds 95 % of whole curves, not of each frequency by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import Curve, inverse_response
from antecurve.judge.fit import Family
from antecurve.judge.uncertainty import COVERAGE, unit_draws
from antecurve.judge.unit_model import UnitModel
from antecurve.quantities import DB_PER_NEPER
from antecurve.results import Result, column_rows

__all__ = ["Deviation", "deviation_db", "deviation_of_families", "joined"]

Floats = NDArray[np.float64]

_LEAST_SHARE = 1e-6  # of the widest: about 1 kHz, where every curve is 0, there is no width


@dataclass(frozen=True, slots=True, eq=False)
class Deviation(Result):
    """The deviation over frequency.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    deviation_db : numpy.ndarray of float, shape (frequencies,)
        Deviation re 1 kHz [dB].
    expanded_uncertainty_db : numpy.ndarray of float, shape (frequencies,)
        Expanded uncertainty [dB]: 95 % of whole curves.
    model_part_db : numpy.ndarray of float, shape (frequencies,)
        How much of it is due to several shapes being allowed [dB].
    capture_part_db : numpy.ndarray of float, shape (frequencies,)
        Expanded uncertainty from the captures' noise alone [dB]: what counts between two units
        captured through the same network.
    """

    frequency_hz: Floats
    deviation_db: Floats
    expanded_uncertainty_db: Floats
    model_part_db: Floats
    capture_part_db: Floats

    def about(self, deviation_db: Floats) -> Deviation:
        """State the same band about another deviation.

        Parameters
        ----------
        deviation_db : numpy.ndarray of float, shape (frequencies,)
            The other deviation [dB].

        Returns
        -------
        Deviation
            Wider, so that it holds the band.
        """
        reach = np.abs(self.deviation_db - deviation_db) + self.expanded_uncertainty_db
        return replace(self, deviation_db=deviation_db, expanded_uncertainty_db=reach)

    @property
    def rows(self) -> list[dict[str, Any]]:
        """Frequency, deviation and expanded uncertainty, as the files hold them."""
        return column_rows(
            frequency_hz=self.frequency_hz,
            deviation_db=self.deviation_db,
            expanded_uncertainty_db=self.expanded_uncertainty_db,
        )


def deviation_db(
    model: UnitModel, coordinates: Floats, frequency_hz: Floats, *, curve: Curve, published: bool
) -> Floats:
    """Compute the deviation of units from ideal playback.

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
    return np.asarray(DB_PER_NEPER * (model.level(coordinates, frequency_hz) - ideal))


def deviation_of_families(
    families: tuple[Family, ...],
    draws: tuple[Floats, ...],
    frequency_hz: Floats,
    *,
    curve: Curve,
    published: bool,
) -> Deviation:
    """Evaluate the deviation with an uncertainty that reaches over all allowed shapes.

    Parameters
    ----------
    families : tuple of Family
        Allowed shapes, the reported one first.
    draws : tuple of numpy.ndarray of float, shape (draws, constants)
        Units drawn, one array per shape.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    curve : Curve
        The emphasis curve.
    published : bool
        Whether ideal playback is the inverse of the published curve.

    Returns
    -------
    Deviation
        Of the mixture of shapes.
    """
    centres, halves = [], []
    for family, units in zip(families, draws, strict=True):
        of_units = deviation_db(family.model, units, frequency_hz, curve=curve, published=published)
        centre, half = _band(of_units)
        centres.append(centre)
        halves.append(half)
    weights = np.array([family.odds for family in families])
    centre = weights @ np.array(centres) / weights.sum()
    apart = [abs(own - centre) + half for own, half in zip(centres, halves, strict=True)]
    reach = np.max(apart, axis=0)
    quiet = unit_draws(families[0].solution, builds=False)
    noise = deviation_db(families[0].model, quiet, frequency_hz, curve=curve, published=published)
    alone = np.minimum(_band(noise)[1], halves[0])
    return Deviation(frequency_hz, centre, reach, reach - halves[0], alone)


def joined(inside: Deviation, outside: Deviation, range_hz: tuple[float, float]) -> Deviation:
    """Take one deviation within a range of frequencies, another one beyond it.

    Parameters
    ----------
    inside, outside : Deviation
        At the same frequencies.
    range_hz : tuple of float
        The range [Hz].

    Returns
    -------
    Deviation
        Of both.
    """
    frequency = inside.frequency_hz
    within = (frequency >= range_hz[0]) & (frequency <= range_hz[1])
    names = ("deviation_db", "expanded_uncertainty_db", "model_part_db", "capture_part_db")
    columns = (np.where(within, getattr(inside, n), getattr(outside, n)) for n in names)
    return Deviation(frequency, *columns)


def _band(curves_db: Floats) -> tuple[Floats, Floats]:
    """The middle of drawn curves, and the half width of a band that holds 95 % of them whole.

    The 95 % intervals of the single frequencies, all widened by one factor.
    """
    tail = (1.0 - COVERAGE) / 2.0
    low, high = np.quantile(curves_db, [tail, 1.0 - tail], axis=0)
    centre, half = (low + high) / 2.0, (high - low) / 2.0
    least = max(_LEAST_SHARE * float(half.max()), np.finfo(float).tiny)
    off = np.max(np.abs(curves_db - centre) / np.maximum(half, least), axis=1)
    return centre, half * float(np.quantile(off, COVERAGE))
