"""The response of a design over frequency, as a table of arrays."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.arrays import hold_read_only
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, level_db, response
from antecurve.networks.compiled import input_impedance, output_impedance, transfer
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.results import Result

__all__ = ["ResponseTable", "response_frequencies", "response_table"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ResponseTable(Result):
    """Levels re 1 kHz, error, phase and impedances over frequency.

    Arrays of shape (frequencies,), read-only.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float
        Frequencies [Hz].
    ideal_db, network_db : numpy.ndarray of float
        Level of the job's curve and of the network [dB], 0 at 1 kHz.
    published_db : numpy.ndarray of float
        Level of the published time constants alone [dB], 0 at 1 kHz.
    error_db : numpy.ndarray of float
        Their difference [dB], 0 at 1 kHz.
    phase_deg, ideal_phase_deg : numpy.ndarray of float
        Phase of the network and of the curve [degrees].
    input_ohm, output_ohm : numpy.ndarray of float
        Magnitudes of the input impedance (source not counted, load connected) and of the output
        impedance (source counted, load not connected) [ohm].
    """

    frequency_hz: Floats
    ideal_db: Floats
    network_db: Floats
    error_db: Floats
    phase_deg: Floats
    ideal_phase_deg: Floats
    input_ohm: Floats
    output_ohm: Floats
    published_db: Floats

    def __post_init__(self) -> None:
        hold_read_only(self, *(f.name for f in fields(self)))

    def within(self, band_hz: tuple[float, float]) -> NDArray[np.bool_]:
        """Mark the frequencies in a band, its ends included.

        Parameters
        ----------
        band_hz : tuple of float
            Low and high end [Hz].

        Returns
        -------
        numpy.ndarray of bool, shape (frequencies,)
            Whether they lie in the band, to 0.1 %, as grids are rounded.
        """
        low, high = band_hz
        return (self.frequency_hz >= low * 0.999) & (self.frequency_hz <= high * 1.001)


def response_frequencies(
    *, band_hz: tuple[float, float] = (20.0, 100e3), points_per_decade: int = 48
) -> Floats:
    """Space frequencies for tables and plots evenly in the logarithm, 1 kHz among them.

    Parameters
    ----------
    band_hz : tuple of float, optional
        Low and high end [Hz], both included.
    points_per_decade : int, optional
        Points per decade.

    Returns
    -------
    numpy.ndarray of float, shape (frequencies,)
        Ascending; decades of 1 kHz come out exact.
    """
    low, high = band_hz
    first = math.ceil(points_per_decade * math.log10(low / REFERENCE_FREQUENCY_HZ) - 1e-9)
    last = math.floor(points_per_decade * math.log10(high / REFERENCE_FREQUENCY_HZ) + 1e-9)
    steps = np.arange(first, last + 1)
    grid = REFERENCE_FREQUENCY_HZ * 10.0 ** (steps / points_per_decade)
    return np.unique(np.concatenate([band_hz, np.round(grid, 9)]))


@checked
def response_table(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    frequency_hz: ArrayLike | None = None,
) -> ResponseTable:
    """Tabulate the response of a network beside its curve.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    frequency_hz : array_like, shape (frequencies,), optional
        Frequencies [Hz], greater than 0; by default 20 Hz to 100 kHz at 48 points a decade.

    Returns
    -------
    ResponseTable
        Levels, error, phases and impedances.

    Raises
    ------
    InputError
        When a frequency is not finite and greater than 0.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    curve, loading = conditions.curve, conditions.loading
    frequency = response_frequencies() if frequency_hz is None else np.asarray(frequency_hz, float)
    ideal = response(curve, frequency)
    with_reference = np.append(frequency, REFERENCE_FREQUENCY_HZ)
    made = transfer(network, with_reference, loading=loading)
    level = 20.0 * np.log10(np.abs(made))
    ideal_db = 20.0 * np.log10(np.abs(ideal))
    network_db = level[:-1] - level[-1]
    return ResponseTable(
        frequency_hz=frequency,
        ideal_db=ideal_db,
        network_db=network_db,
        error_db=network_db - ideal_db,
        phase_deg=np.degrees(np.unwrap(np.angle(made[:-1]))),
        ideal_phase_deg=np.degrees(np.unwrap(np.angle(ideal))),
        input_ohm=np.abs(input_impedance(network, frequency, loading=loading)),
        output_ohm=np.abs(output_impedance(network, frequency, loading=loading)),
        published_db=level_db(curve, frequency, published=True),
    )
