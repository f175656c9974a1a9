"""Thermal noise at the output of a network, over frequency and over a band.

By Nyquist's theorem a passive one-port of impedance Z at temperature T has the open-circuit
noise density 4 k T Re Z.  The network with its source is such a one-port; a load Y taken as
noiseless divides it:

.. math:: S(f) = 4 k T \\, \\mathrm{Re} Z_o \\, / \\, |1 + Z_o Y_L|^2

(H. Nyquist, Thermal agitation of electric charge in conductors, Phys. Rev. 32, 1928.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.analysis.a_weighting import a_weighting
from antecurve.checked import checked
from antecurve.curves.model import Curve, inverse_response
from antecurve.errors import InputError
from antecurve.networks.centred_error import reference_gain
from antecurve.networks.compiled import output_impedance
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.topology import Loading, Network
from antecurve.quantities import check_band, check_number
from antecurve.results import Result

__all__ = [
    "BOLTZMANN_CONSTANT",
    "TEMPERATURE_K",
    "NoiseReport",
    "noise_density",
    "noise_report",
    "noise_voltage",
]

BOLTZMANN_CONSTANT = 1.380649e-23
"""Boltzmann constant [J/K], exact (SI Brochure, 9th edition, 2019)."""
TEMPERATURE_K = 293.15
"""Temperature at which noise is given unless another is stated [K]: 20 degrees Celsius."""

_MOST_DENSITY = 1.0  # V per square root of hertz, a million times what a unit has
_NODES = 12  # of Gauss-Legendre: exact for polynomials up to degree 23 on a panel
_PANELS_PER_DECADE = 6  # a panel is narrower than the bend of a first-order corner


@dataclass(frozen=True, slots=True)
class NoiseReport(Result):
    """Noise at the unit's input over a band, and how far the signal stands above it.

    Attributes
    ----------
    band_hz : tuple of float
        Band [Hz].
    temperature_k : float
        Temperature of source and network [K].
    noise_v : float
        Thermal noise at the output [V rms].
    weighted_noise_v : float
        The same A-weighted (IEC 61672-1) [V rms].
    playback_noise_v : float
        After ideal playback with unit gain at 1 kHz [V rms].
    weighted_playback_noise_v : float
        After ideal playback, A-weighted [V rms].
    signal_v : float
        Level of the signal at 1 kHz [V rms].
    noisy_load : bool
        Whether the noise of the load resistor counts.
    unit_density : float
        The unit's own noise voltage that counts [V/sqrt(Hz)].
    """

    _keys: ClassVar = (
        "band_hz",
        "temperature_k",
        "noise_v",
        "weighted_noise_v",
        "playback_noise_v",
        "weighted_playback_noise_v",
        "signal_v",
        "noisy_load",
        "unit_density",
        "snr_db",
        "weighted_snr_db",
        "playback_snr_db",
        "weighted_playback_snr_db",
    )

    band_hz: tuple[float, float]
    temperature_k: float
    noise_v: float
    weighted_noise_v: float
    playback_noise_v: float
    weighted_playback_noise_v: float
    signal_v: float
    noisy_load: bool = False
    unit_density: float = 0.0

    @property
    def snr_db(self) -> float:
        """Signal at 1 kHz over noise at the output [dB]."""
        return self._over(self.noise_v)

    @property
    def weighted_snr_db(self) -> float:
        """Signal at 1 kHz over A-weighted noise at the output [dB]."""
        return self._over(self.weighted_noise_v)

    @property
    def playback_snr_db(self) -> float:
        """Signal at 1 kHz over noise after ideal playback [dB]."""
        return self._over(self.playback_noise_v)

    @property
    def weighted_playback_snr_db(self) -> float:
        """Signal at 1 kHz over A-weighted noise after ideal playback [dB]."""
        return self._over(self.weighted_playback_noise_v)

    def _over(self, noise: float) -> float:
        return 20.0 * math.log10(self.signal_v / noise)


@checked
def noise_density(
    network: Network,
    frequency_hz: ArrayLike,
    *,
    loading: Loading,
    temperature_k: float = TEMPERATURE_K,
    noisy_load: bool = False,
) -> NDArray[np.float64]:
    """Work out the thermal noise density at the output, load connected.

    Parameters
    ----------
    network : Network
        The network.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies [Hz], 0 or greater.
    loading : Loading
        Source and load; the source resistance is as warm as the network.
    temperature_k : float, optional
        Temperature [K], 0 or greater.
    noisy_load : bool, optional
        Whether the load resistor makes noise at that temperature as well.

    Returns
    -------
    numpy.ndarray of float, shape (frequencies,)
        Density [V/sqrt(Hz)].

    Raises
    ------
    InputError
        When the temperature is negative or not finite.
    """
    check_number(temperature_k, field="temperature", unit="K", zero=True)
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    impedance = output_impedance(network, frequency, loading=loading)
    conductance = 1.0 / loading.load_resistance
    load = conductance + 2j * math.pi * frequency * loading.load_capacitance
    real = impedance.real
    if noisy_load:
        real = real + conductance * np.abs(impedance) ** 2
    spectrum = 4.0 * BOLTZMANN_CONSTANT * temperature_k * real
    return np.asarray(np.sqrt(spectrum) / np.abs(1.0 + impedance * load))


def noise_voltage(
    network: Network,
    *,
    loading: Loading,
    band_hz: tuple[float, float],
    temperature_k: float = TEMPERATURE_K,
    playback: Curve | None = None,
    weighted: bool = False,
    noisy_load: bool = False,
    unit_density: float = 0.0,
) -> float:
    """Integrate the noise at the output over a band.

    Parameters
    ----------
    network : Network
        The network.
    loading : Loading
        Source and load.
    band_hz : tuple of float
        Band [Hz], 0 < low < high.
    temperature_k : float, optional
        Temperature [K], 0 or greater.
    playback : Curve, optional
        Curve whose ideal playback, unit gain at 1 kHz, the noise passes.
    weighted : bool, optional
        Whether to weight by the A characteristic of IEC 61672-1.
    noisy_load : bool, optional
        Whether the load resistor makes noise as well.
    unit_density : float, optional
        Density of the unit's own noise voltage, referred to its input [V/sqrt(Hz)], white; 0 or
        greater.

    Returns
    -------
    float
        Noise [V rms].

    Raises
    ------
    InputError
        When the band or the temperature is out of range.

    Notes
    -----
    Gauss-Legendre quadrature over ln f, 12 nodes in each of 6 panels a decade: the spectrum is
    analytic in ln f with singularities at least a quarter turn off the real axis, so the error
    is below 1e-12 of the result.
    """
    frequency, weight = _quadrature(band_hz)
    density = noise_density(
        network, frequency, loading=loading, temperature_k=temperature_k, noisy_load=noisy_load
    )
    check_number(unit_density, field="the unit's noise density", unit="V", zero=True)
    if unit_density > _MOST_DENSITY:
        rule = f"no unit is noisier than {_MOST_DENSITY:g} V in a bandwidth of 1 Hz"
        raise InputError("the unit's noise density", unit_density, rule)
    power = density**2 + unit_density**2
    if playback is not None:
        power = power * np.abs(inverse_response(playback, frequency)) ** 2
    if weighted:
        power = power * 10.0 ** (a_weighting(frequency) / 10.0)
    return math.sqrt(float(power @ weight))


def _quadrature(
    band_hz: tuple[float, float],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies and weights of an integral over frequency, by panels in ln f."""
    low, high = band_hz
    check_band(band_hz)
    panels = max(1, math.ceil(_PANELS_PER_DECADE * math.log10(high / low)))
    edges = np.linspace(math.log(low), math.log(high), panels + 1)
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    half = (edges[1] - edges[0]) / 2.0
    logs = (edges[:-1, None] + half * (1.0 + nodes)).ravel()
    frequency = np.exp(logs)
    return frequency, np.tile(weights * half, panels) * frequency


@checked
def noise_report(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    signal_v: float | None = None,
    temperature_k: float = TEMPERATURE_K,
    noisy_load: bool = False,
    unit_density: float = 0.0,
) -> NoiseReport:
    """Work out the noise over a band, plain, A-weighted and after ideal playback.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    signal_v : float, optional
        Level of the signal at 1 kHz at the output [V rms], above 0; that of the EMF through the
        network by default.
    temperature_k : float, optional
        Temperature [K], above 0.
    noisy_load : bool, optional
        Whether the load resistor makes noise at that temperature as well.
    unit_density : float, optional
        Density of the unit's own noise voltage, referred to its input [V/sqrt(Hz)].

    Returns
    -------
    NoiseReport
        Noise and signal-to-noise ratios; by default of the network and its source alone.

    Raises
    ------
    InputError
        When a value is out of range.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    curve, loading, band_hz = conditions.playback_curve, conditions.loading, conditions.band_hz
    if signal_v is None:
        signal_v = conditions.source_level_v * reference_gain(network, loading=loading)
    check_number(signal_v, field="signal", unit="V")
    if not temperature_k > 0:
        raise InputError("temperature", temperature_k, "it must be finite and above 0 K")

    def noise(playback: Curve | None, weighted: bool) -> float:
        return noise_voltage(
            network,
            loading=loading,
            band_hz=band_hz,
            temperature_k=temperature_k,
            playback=playback,
            weighted=weighted,
            noisy_load=noisy_load,
            unit_density=unit_density,
        )

    return NoiseReport(
        (float(band_hz[0]), float(band_hz[1])),
        temperature_k,
        noise_v=noise(None, False),
        weighted_noise_v=noise(None, True),
        playback_noise_v=noise(curve, False),
        weighted_playback_noise_v=noise(curve, True),
        signal_v=signal_v,
        noisy_load=noisy_load,
        unit_density=unit_density,
    )
