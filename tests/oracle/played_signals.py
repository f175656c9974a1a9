"""Records of a unit's output while a file was played, by polynomials and Fourier transforms."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from playback_units import VALUES, Unit, network_polynomials

Floats = NDArray[np.float64]


def unit_output(
    played: Floats,
    rate_hz: float,
    unit: Unit,
    *,
    gain: float = 1.0,
    noise: float = 1e-4,
    before_s: float = 0.7,
    behind_s: float = 0.3,
    seed: int = 0,
) -> Floats:
    """The file behind network and unit, as loud as it, in a longer record."""
    ends = (round(before_s * rate_hz), round(behind_s * rate_hz))
    total = np.pad(played, ends)
    size = 2 * total.size
    frequency = np.fft.rfftfreq(size, 1 / rate_hz)
    frequency[0] = 1e-3
    s = 2j * np.pi * frequency
    (top, bottom), (own_top, own_bottom) = network_polynomials(VALUES), unit.polynomials()
    response = 10.0 * np.polyval(top, s) / np.polyval(bottom, s)
    response = response * np.polyval(own_top, s) / np.polyval(own_bottom, s)
    output = gain * np.fft.irfft(np.fft.rfft(total, size) * response, size)[: total.size]
    return output + noise * np.random.default_rng(seed).standard_normal(total.size)
