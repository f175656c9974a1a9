"""Units that nobody would ship though their mean response is flat, simulated in the time domain.

The linear part before a defect is answered by partial fractions, the part behind it by the
transform of one period on a fine grid; memoryless defects act sample by sample, a slew limit by
plain integration.  Nothing is shared with the package.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from playback_units import VALUES, network_polynomials, steady_state
from unit_shapes import BenchSetup, ShapedUnit

from antecurve.judge.square_wave import SquareWaveCapture

Floats = NDArray[np.float64]

_GRID = 2**17  # of a period: 0.04 us at 200 Hz, a fiftieth of the fastest edge below


@dataclass(frozen=True)
class Defect:
    """What is wrong with a unit.

    Attributes
    ----------
    name : str
        In words.
    periodic : callable or None
        Turns a period of the output, of half swing 1 without defect, into that with it; takes
        the samples and their spacing [s].
    added : callable or None
        What is added to a record of half swing 1 at its times [s].
    stage : str
        ``output``: behind everything.  ``input``: before the equaliser, where the network's
        emphasis makes spikes of edges.  ``coupled``: before the low end's capacitors.
    """

    name: str
    periodic: Callable[[Floats, float], Floats] | None = None
    added: Callable[[Floats], Floats] | None = None
    stage: str = "output"


def ceiling(level: float, *, both: bool = False) -> Callable[[Floats, float], Floats]:
    """Cut the upper rail at a share of the largest value, or both."""

    def cut(volts: Floats, step_s: float) -> Floats:
        top = level * float(volts.max())
        return np.clip(volts, -top if both else -np.inf, top)

    return cut


def dead_zone(share: float) -> Callable[[Floats, float], Floats]:
    """Leave out a zone about zero, a share of the half swing wide to either side."""

    def crossover(volts: Floats, step_s: float) -> Floats:
        reach = share * float(np.ptp(volts)) / 2.0
        return np.sign(volts) * np.maximum(np.abs(volts) - reach, 0.0)

    return crossover


def compression(share: float) -> Callable[[Floats, float], Floats]:
    """Compress softly: the third-order term takes a share of the largest value."""

    def compressed(volts: Floats, step_s: float) -> Floats:
        top = float(np.abs(volts).max())
        return volts - share * volts**3 / top**2

    return compressed


def slew_limit(microseconds: float) -> Callable[[Floats, float], Floats]:
    """Limit the slope: the whole swing takes a time."""

    def limited(volts: Floats, step_s: float) -> Floats:
        most = float(np.ptp(volts)) / (microseconds * 1e-6) * step_s
        output = np.array(volts)
        last = float(volts[0])
        for _ in range(2):  # the second time round the period is steady
            for index, value in enumerate(volts):
                last += min(max(float(value) - last, -most), most)
                output[index] = last
        return output

    return limited


def sine(frequency_hz: float, amplitude: float, phase: float = 0.7) -> Callable[[Floats], Floats]:
    """A line of its own."""
    return lambda time: amplitude * np.sin(2 * np.pi * frequency_hz * time + phase)


def split(unit: ShapedUnit, stage: str) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Polynomials before and behind the defect."""
    above, below = unit.polynomials()
    one = np.array([1.0])
    if stage == "output":
        return (above, below), (one, one)
    if stage == "input":
        return (one, one), (above, below)
    low = len(unit.low) if unit.low_end != "resonant low end" else 2
    first = ShapedUnit(
        unit.bass_shelf_s, unit.turnover_s, unit.treble_s, "one corner", unit.top, (), unit.high
    ).polynomials()
    corners = np.array([1.0])
    for corner_hz in unit.low if unit.low_end != "resonant low end" else ():
        corners = np.polymul(corners, [1.0, 2 * np.pi * corner_hz])
    if unit.low_end == "resonant low end":
        rate = 2 * np.pi * unit.low[0]
        corners = np.array([1.0, rate / unit.low[1], rate**2])
    return first, (np.concatenate([[1.0], np.zeros(low)]), corners)


def unfit_capture(
    unit: ShapedUnit,
    defect: Defect,
    setup: BenchSetup,
    rng: np.random.Generator,
    *,
    square_hz: float,
    values: Floats = VALUES,
    periods: float = 4.3,
    samples: int = 10_000,
    name: str = "",
) -> SquareWaveCapture:
    """Draw the record of a square wave from a unit with a defect."""
    square_hz = square_hz * (1 + rng.uniform(-0.002, 0.002))
    before, behind = split(unit, defect.stage)
    bench = setup.polynomials()
    behind = np.polymul(behind[0], bench[0]), np.polymul(behind[1], bench[1])
    network = network_polynomials(values)
    grid = np.arange(_GRID) / (_GRID * square_hz)
    period = steady_state(
        np.polymul(network[0], before[0]), np.polymul(network[1], before[1]), grid, square_hz
    )
    if defect.periodic is not None:
        period = defect.periodic(period, float(grid[1]))
    s = 2j * np.pi * square_hz * np.arange(_GRID // 2 + 1)
    s[0] = 1e-9j  # the offset is arbitrary
    spectrum = np.fft.rfft(period) * np.polyval(behind[0], s) / np.polyval(behind[1], s)
    period = np.fft.irfft(spectrum, _GRID)
    time = np.arange(samples) * (periods / square_hz / samples)
    phase = np.mod(time * square_hz + rng.uniform(), 1.0) * _GRID
    volts = np.interp(phase, np.arange(_GRID + 1), np.append(period, period[0]))
    span = float(np.ptp(volts))
    volts = volts / span
    if defect.added is not None:
        volts = volts + 0.5 * defect.added(time + rng.uniform())
    volts = volts + setup.disturbance(time, rng.uniform(0.0, 1.0))
    volts = volts + rng.uniform(-0.1, 0.1) + setup.noise * rng.standard_normal(samples)
    step = np.ptp(volts) * rng.uniform(1.1, 1.8) / 2**setup.bits
    volts = np.round(volts / step) * step
    return SquareWaveCapture(time, 0.7 * volts, name=name or f"square at {square_hz:.0f} Hz")
