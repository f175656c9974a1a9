"""The generator of the square wave, and the chain that takes the capture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.checked import checked
from antecurve.quantities import check_number

__all__ = [
    "CaptureChain",
    "Generator",
    "SquareHarmonics",
    "chain_log_response",
    "probe_slopes",
    "square_harmonics",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_LINEAR_FROM_10_90 = 1.0 / 0.8  # from 10 to 90 % an edge that is a ramp goes 0.8 of its way
_EXPANDED = 1.96  # 95 % of a normal distribution
_PROBE_CORNER_HZ = 2000.0  # 9 megohms across 9 pF, as usual in probes of 10:1
_PROBE_CORNER_SPREAD = 0.4  # of ln f_c: 1 to 4 kHz (18 to 4.5 pF), uniform; sd ln 4/sqrt(12)


@checked
@dataclass(frozen=True, slots=True)
class Generator:
    """What is known of the generator.

    Attributes
    ----------
    rise_time_s : float
        Rise time of the square wave, 10 to 90 % [s], 0 or greater; the edge is taken as a ramp.
    rise_time_uncertainty_s : float
        Standard uncertainty of it [s], 0 or greater.
    flatness_db : float
        Expanded uncertainty (95 %) of the sweep's level re 1 kHz [dB], 0 or greater.

    Raises
    ------
    InputError
        When a value is negative or not finite.
    """

    rise_time_s: float = 0.0
    rise_time_uncertainty_s: float = 0.0
    flatness_db: float = 0.0

    def __post_init__(self) -> None:
        for name in ("rise_time_s", "rise_time_uncertainty_s", "flatness_db"):
            value = getattr(self, name)
            check_number(value, field=f"generator.{name}", zero=True)


@checked
@dataclass(frozen=True, slots=True)
class CaptureChain:
    """What stands between the unit's output and the record, by its corners.

    Attributes
    ----------
    low_corners_hz : tuple of float
        First-order low corners [Hz], such as the AC coupling of an oscilloscope.
    high_corners_hz : tuple of float
        First-order high corners [Hz], such as the unit's output resistance with the probe.
    probe_percent : float
        Expanded uncertainty (95 %) of the level of a compensated probe above its corner re that
        below [%], 0 or greater; 0 for no probe.

    Raises
    ------
    InputError
        When a corner is not above 0 Hz, or the probe's uncertainty is below 0.
    """

    low_corners_hz: tuple[float, ...] = ()
    high_corners_hz: tuple[float, ...] = ()
    probe_percent: float = 0.0

    def __post_init__(self) -> None:
        for name in ("low_corners_hz", "high_corners_hz"):
            for corner in getattr(self, name):
                check_number(corner, field=f"chain.{name}", unit="Hz")
        check_number(self.probe_percent, field="chain.probe_percent", unit="%", zero=True)

    @property
    def probe_sources(self) -> int:
        """Number of rows of `probe_slopes`."""
        return 2 if self.probe_percent else 0


def chain_log_response(chain: CaptureChain, frequency_hz: Floats) -> Complex:
    """Compute the logarithm of the chain's response.

    Parameters
    ----------
    chain : CaptureChain
        The chain.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz], above 0.

    Returns
    -------
    numpy.ndarray of complex, shape (frequencies,)
        Natural logarithm, 0 between the corners.
    """
    total = np.zeros(frequency_hz.shape, dtype=complex)
    for corner in chain.low_corners_hz:
        total -= np.log1p(corner / (1j * frequency_hz))
    for corner in chain.high_corners_hz:
        total -= np.log1p(1j * frequency_hz / corner)
    return total


def probe_slopes(chain: CaptureChain, frequency_hz: Floats) -> Complex:
    """Derive a capture by the errors of a probe's compensation: its size, and where it sets in.

    The divider passes from the resistors' ratio to the capacitors' about the corner f_c of the
    series resistor with its capacitor: ln H = a jf/(f_c + jf), a the difference of the ratios.
    The corner is known to about an octave, which the derivative by ln f_c spans to first order.

    Parameters
    ----------
    chain : CaptureChain
        The chain.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz], above 0.

    Returns
    -------
    numpy.ndarray of complex, shape (2, frequencies)
        Natural logarithm for one standard uncertainty of each; no row without a probe.
    """
    if not chain.probe_percent:
        return np.zeros((0, frequency_hz.size), dtype=complex)
    size = chain.probe_percent / 100.0 / _EXPANDED
    shelf = 1j * frequency_hz / (_PROBE_CORNER_HZ + 1j * frequency_hz)
    return np.stack([size * shelf, size * _PROBE_CORNER_SPREAD * shelf * (1.0 - shelf)])


@dataclass(frozen=True, slots=True, eq=False)
class SquareHarmonics:
    """Complex amplitudes of a square wave and their derivatives.

    Attributes
    ----------
    value : numpy.ndarray of complex, shape (harmonics,)
        c_n of Re sum c_n exp(j 2 pi n f t), peak amplitude 1, rising edge at time 0.
    by_duty : numpy.ndarray of complex, shape (harmonics,)
        Derivative by the duty.
    by_rise_time : numpy.ndarray of complex, shape (harmonics,)
        Derivative by the rise time (10 to 90 %) [1/s].
    """

    value: Complex
    by_duty: Complex
    by_rise_time: Complex


def square_harmonics(
    order: Floats, *, frequency_hz: float, duty: float, rise_time_s: float
) -> SquareHarmonics:
    """Compute the harmonics of a square wave of +-1 with ramps for edges.

    c_n = 2 (1 - exp(-j 2 pi n d)) / (j pi n) times sinc(n f t_r), d the duty and t_r the whole
    ramp, 10 to 90 % being 0.8 of it (Fourier series of a trapezoid; the ramp is centred on the
    edge).

    Parameters
    ----------
    order : numpy.ndarray of float, shape (harmonics,)
        Orders n, 1 or greater.
    frequency_hz : float
        Frequency of the square wave [Hz], above 0.
    duty : float
        Fraction of the period that is high, between 0 and 1.
    rise_time_s : float
        Rise time, 10 to 90 % [s], 0 or greater.

    Returns
    -------
    SquareHarmonics
        Amplitudes and derivatives.

    Examples
    --------
    >>> orders = np.array([1.0, 2.0])
    >>> harmonics = square_harmonics(orders, frequency_hz=1.0, duty=0.5, rise_time_s=0.0)
    >>> np.round(np.abs(harmonics.value), 6)  # 4/pi, and no even harmonic
    array([1.27324, 0.     ])
    """
    turn = np.exp(-2j * math.pi * order * duty)
    ideal = 2.0 * (1.0 - turn) / (1j * math.pi * order)
    if rise_time_s == 0.0:
        return SquareHarmonics(ideal, 4.0 * turn, np.zeros_like(ideal))
    ramp = order * frequency_hz * rise_time_s * _LINEAR_FROM_10_90
    window = np.sinc(ramp)
    slope = np.zeros_like(ramp)
    wide = ramp > 1e-9
    slope[wide] = (np.cos(math.pi * ramp[wide]) - window[wide]) / ramp[wide]
    return SquareHarmonics(
        ideal * window,
        4.0 * turn * window,
        ideal * slope * order * frequency_hz * _LINEAR_FROM_10_90,
    )
