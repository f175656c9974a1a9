"""Linear playback units of the shapes that real ones have, and benches that disturb a capture.

Shapes by their poles and zeros: low ends with free corners or a resonance, tops with a zero, a
resonance or two corners.  The bench adds hum, drift, a probe out of adjustment, AC coupling,
noise and the steps of an 8-bit converter.  Everything by polynomials and partial fractions that
share nothing with the package.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from playback_units import VALUES, network_polynomials, steady_state

from antecurve.judge.square_wave import SquareWaveCapture

Floats = NDArray[np.float64]

LOW_ENDS = ("one corner", "two corners", "three corners", "resonant low end")
TOPS = ("one pole", "two poles", "playback zero", "resonant top")


@dataclass(frozen=True)
class ShapedUnit:
    """A unit by its three constants, its low end and its top."""

    bass_shelf_s: float
    turnover_s: float
    treble_s: float
    low_end: str
    top: str
    low: tuple[float, ...]
    high: tuple[float, ...]

    def polynomials(self) -> tuple[Floats, Floats]:
        """Numerator and denominator in s, highest power first."""
        above = np.array([self.turnover_s, 1.0])
        below = np.polymul([self.bass_shelf_s, 1.0], [self.treble_s, 1.0])
        if self.low_end == "resonant low end":
            corner, quality = 2 * np.pi * self.low[0], self.low[1]
            above = np.polymul(above, [1.0, 0.0, 0.0])
            below = np.polymul(below, [1.0, corner / quality, corner**2])
        else:
            for corner_hz in self.low:
                above = np.polymul(above, [1.0, 0.0])
                below = np.polymul(below, [1.0, 2 * np.pi * corner_hz])
        if self.top == "resonant top":
            corner, quality = 2 * np.pi * self.high[0], self.high[1]
            below = np.polymul(below, [1 / corner**2, 1 / (quality * corner), 1.0])
        elif self.top == "playback zero":
            above = np.polymul(above, [1 / (2 * np.pi * self.high[0]), 1.0])
            below = np.polymul(below, [1 / (2 * np.pi * self.high[1]), 1.0])
        else:
            for corner_hz in self.high:
                below = np.polymul(below, [1 / (2 * np.pi * corner_hz), 1.0])
        return above, below

    def deviation_db(self, frequency: Floats) -> Floats:
        """Deviation from 3180/318/75 us (IEC 60098), 0 dB at 1 kHz."""
        s = 2j * np.pi * np.append(frequency, 1000.0)
        above, below = self.polynomials()
        ideal = (1 + s * 318e-6) / ((1 + s * 3180e-6) * (1 + s * 75e-6))
        level = 20 * np.log10(np.abs(np.polyval(above, s) / np.polyval(below, s) / ideal))
        return level[:-1] - level[-1]


def shaped_unit(rng: np.random.Generator, low_end: str, top: str) -> ShapedUnit:
    """Draw a unit: constants a little or a few percent off, ends as real units have them."""
    low: tuple[float, ...] = {
        "one corner": lambda: (rng.uniform(0.5, 8.0),),
        "two corners": lambda: tuple(rng.uniform(0.5, 8.0, 2)),
        "three corners": lambda: tuple(10 ** rng.uniform(-0.3, 1.3) * rng.uniform(0.7, 1.3, 3)),
        "resonant low end": lambda: (rng.uniform(5.0, 15.0), 0.5 * 8.0 ** rng.uniform()),
    }[low_end]()
    high: tuple[float, ...] = {
        "one pole": lambda: (10 ** rng.uniform(4.8, 5.6),),
        "two poles": lambda: tuple(10 ** rng.uniform(4.9, 5.6, 2)),
        "playback zero": lambda: (rng.uniform(19e3, 80e3), 10 ** rng.uniform(5.2, 5.8)),
        "resonant top": lambda: (10 ** rng.uniform(4.7, 5.5), rng.uniform(0.5, 3.0)),
    }[top]()
    off = np.exp(rng.choice([0.005, 0.02]) * rng.standard_normal(3))
    return ShapedUnit(
        3180e-6 * float(off[0]), 318e-6 * float(off[1]), 75e-6 * float(off[2]),
        low_end, top, low, high,
    )  # fmt: skip


@dataclass(frozen=True)
class BenchSetup:
    """What the bench does to a capture; every level relative to the span of the record.

    Attributes
    ----------
    mains_hz, hum : float
        Mains frequency [Hz] and amplitude of its first line; the next two have half and a third.
    drift : float
        Change of the mean over the record, along a bent line.
    probe : float
        Error of the probe's adjustment: a shelf of that size around 3 kHz.
    coupling_hz : float
        Corner of an AC-coupled input [Hz]; 0 for none.
    bits : int
        Of the converter.
    noise : float
        Standard deviation.
    """

    mains_hz: float = 50.0
    hum: float = 0.0
    drift: float = 0.0
    probe: float = 0.0
    coupling_hz: float = 0.0
    bits: int = 8
    noise: float = 0.002
    hum_phase: tuple[float, ...] = field(default=(0.3, 1.9, 4.4))

    def polynomials(self) -> tuple[Floats, Floats]:
        """Probe and coupling."""
        above, below = np.array([1.0]), np.array([1.0])
        if self.probe:
            time_constant = 1 / (2 * np.pi * 3e3)
            above = np.array([time_constant * (1 + self.probe), 1.0])
            below = np.array([time_constant, 1.0])
        if self.coupling_hz:
            above = np.polymul(above, [1.0, 0.0])
            below = np.polymul(below, [1.0, 2 * np.pi * self.coupling_hz])
        return above, below

    def disturbance(self, time: Floats, start_s: float) -> Floats:
        """Hum and drift over a record that starts at a moment of the mains."""
        turns = 2 * np.pi * self.mains_hz * (time + start_s)
        lines = enumerate(self.hum_phase, start=1)
        hum = sum(np.sin(k * turns + phase) / k for k, phase in lines)
        along = time / time[-1]
        return np.asarray(self.hum * hum + self.drift * (along + 0.5 * along**2) / 1.5)


def capture_of(
    unit: ShapedUnit | None,
    setup: BenchSetup,
    rng: np.random.Generator,
    *,
    square_hz: float,
    values: Floats | None = VALUES,
    periods: float = 4.3,
    samples: int = 5000,
    name: str = "",
) -> SquareWaveCapture:
    """Draw the record of a square wave; without unit and network it is a reference."""
    above, below = setup.polynomials()
    for polynomials in (
        () if unit is None else (unit.polynomials(),),
        () if values is None else (network_polynomials(values),),
    ):
        for more_above, more_below in polynomials:
            above, below = np.polymul(above, more_above), np.polymul(below, more_below)
    square_hz = square_hz * (1 + rng.uniform(-0.002, 0.002))
    time = np.arange(samples) * (periods / square_hz / samples)
    if below.size == 1:
        phase = np.mod(time * square_hz + rng.uniform(), 1.0)
        volts = np.where(phase < 0.5, 1.0, -1.0)
    else:
        shifted = time + rng.uniform(0, 1 / square_hz)
        volts = steady_state(above, below, shifted, square_hz)
    span = float(np.ptp(volts))
    volts = volts / span + setup.disturbance(time, rng.uniform(0.0, 1.0))
    volts = volts + rng.uniform(-0.1, 0.1) + setup.noise * rng.standard_normal(samples)
    step = np.ptp(volts) * rng.uniform(1.1, 1.8) / 2**setup.bits
    volts = np.round(volts / step) * step
    return SquareWaveCapture(time, 0.7 * volts, name=name or f"square at {square_hz:.0f} Hz")
