"""The level of a network: at 1 kHz, at every decade, above noise and below overload."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from antecurve.algebra.partial_fractions import partial_fractions
from antecurve.analysis.noise import TEMPERATURE_K, noise_voltage
from antecurve.analysis.peaks import peak_voltage
from antecurve.analysis.waveform import SquareWave
from antecurve.arrays import log_frequencies
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.networks.centred_error import reference_gain
from antecurve.networks.compiled import input_impedance, output_impedance, transfer
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.poles_and_zeros import network_zero_pole_gain
from antecurve.networks.topology import Loading, Network
from antecurve.quantities import check_number
from antecurve.results import Result

__all__ = ["DECADES_HZ", "LevelReport", "level_report", "smallest_input_impedance"]

DECADES_HZ = (10.0, 100.0, 1e3, 10e3, 100e3)
"""Frequencies at which attenuation is listed [Hz]."""


@dataclass(frozen=True, slots=True)
class LevelReport(Result):
    """Level, impedances, noise and peak at a job's source level.

    Attributes
    ----------
    gain_db_at_1khz : float
        20 log10(abs(H)) at 1 kHz, output level over EMF [dB].
    output_v : float
        Level at 1 kHz into the load [V rms].
    output_resistance_ohm_at_1khz : float
        Magnitude of the output impedance at 1 kHz, source counted, load not [ohm].
    input_impedance_ohm_min : float
        Smallest magnitude of the input impedance over the band, source not counted [ohm].
    noise_v : float
        Thermal noise at the output over the band at 293.15 K, load noiseless [V rms].
    square_wave_peak_v : float
        Largest magnitude at the unit's input for a 1 kHz square wave of EMF whose amplitude is
        the peak of the job's sine wave, sqrt(2) times its rms level [V].
    square_wave_amplitude_v : float
        That amplitude [V].
    decades_hz, decades_db : tuple of float
        Frequencies [Hz], and 20 log10(abs(H)) there [dB].
    """

    _keys: ClassVar = (
        "gain_db_at_1khz",
        "output_v",
        "output_resistance_ohm_at_1khz",
        "input_impedance_ohm_min",
        "noise_v",
        "snr_db",
        "square_wave_peak_v",
        "square_wave_amplitude_v",
        "decades_hz",
        "decades_db",
    )

    gain_db_at_1khz: float
    output_v: float
    output_resistance_ohm_at_1khz: float
    input_impedance_ohm_min: float
    noise_v: float
    square_wave_peak_v: float
    square_wave_amplitude_v: float
    decades_hz: tuple[float, ...]
    decades_db: tuple[float, ...]

    @property
    def snr_db(self) -> float:
        """Level at 1 kHz over thermal noise within the band [dB]."""
        return 20.0 * math.log10(self.output_v / self.noise_v)


@checked
def level_report(
    design: AnyNetwork,
    conditions: Conditions | None = None,
) -> LevelReport:
    """Work out level, impedances, noise and square-wave peak of a network.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.

    Returns
    -------
    LevelReport
        The numbers.

    Raises
    ------
    InputError
        When the level is not above 0 or the band is out of range.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    loading, source_level_v, band_hz = (
        conditions.loading,
        conditions.source_level_v,
        conditions.band_hz,
    )
    check_number(source_level_v, field="source.level", unit="V")
    gains = 20.0 * np.log10(np.abs(transfer(network, DECADES_HZ, loading=loading)))
    gain = reference_gain(network, loading=loading)
    outward = output_impedance(network, REFERENCE_FREQUENCY_HZ, loading=loading)[0]
    wave = SquareWave(REFERENCE_FREQUENCY_HZ, math.sqrt(2.0) * source_level_v)
    return LevelReport(
        gain_db_at_1khz=20.0 * math.log10(gain),
        output_v=gain * source_level_v,
        output_resistance_ohm_at_1khz=abs(complex(outward)),
        input_impedance_ohm_min=smallest_input_impedance(network, loading=loading, band_hz=band_hz),
        noise_v=noise_voltage(
            network, loading=loading, band_hz=band_hz, temperature_k=TEMPERATURE_K
        ),
        square_wave_peak_v=peak_voltage(
            partial_fractions(network_zero_pole_gain(network, loading=loading)), wave
        ),
        square_wave_amplitude_v=wave.amplitude_v,
        decades_hz=DECADES_HZ,
        decades_db=tuple(float(g) for g in gains),
    )


def smallest_input_impedance(
    network: Network, *, loading: Loading, band_hz: tuple[float, float]
) -> float:
    """Find the smallest magnitude of the input impedance over a band.

    Parameters
    ----------
    network : Network
        The network.
    loading : Loading
        Load; the source is not counted.
    band_hz : tuple of float
        Band [Hz].

    Returns
    -------
    float
        Magnitude [ohm].

    Raises
    ------
    InputError
        When the band is not finite, above 0 Hz and ascending.

    Notes
    -----
    The magnitude of an RC impedance falls with frequency, so that the smallest is at the upper
    end; it is looked for over 240 points a decade all the same.
    """
    impedance = input_impedance(network, log_frequencies(band_hz), loading=loading)
    return float(np.abs(impedance).min())
