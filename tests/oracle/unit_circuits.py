"""Playback units as circuits, answered by ngspice, a general circuit simulator (Debian's package).

Three arrangements: a passive equaliser between two amplifiers, a non-inverting feedback stage
around an operational amplifier, and a valve-like stage with output and input capacitance.  The
simulator's ``.ac`` analysis of network and unit gives every harmonic of a square wave; their sum
is the record.  The unit's own deviation comes from the same analysis of the unit by itself.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from playback_units import LOADING, TOPOLOGY

from antecurve.judge.square_wave import SquareWaveCapture

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

T1, T2, T3 = 3180e-6, 318e-6, 75e-6
LOWEST_HZ, HIGHEST_HZ = 1.0, 30e6  # harmonics beyond are below 1e-5 of the record


@dataclass(frozen=True)
class Circuit:
    """A unit: its parts by name and the cards that hold them.

    ``cards`` names parts in braces.  Node ``out`` is the network's output and the unit's input,
    ``unit`` the unit's output; input resistance and capacitance belong to the load.
    """

    name: str
    parts: Mapping[str, float]
    cards: str

    def text(self) -> str:
        """The cards with their values."""
        return self.cards.format(**{k: f"{v:.12g}" for k, v in self.parts.items()})

    def changed(self, **parts: float) -> Circuit:
        """The circuit with other values."""
        return Circuit(self.name, {**self.parts, **parts}, self.cards)


def two_stage_passive(
    *, low_corners_hz: tuple[float, float] = (2.0, 1.0), high_corner_hz: float = 300e3
) -> Circuit:
    """Amplifier, series resistor, shunt of C1 beside R1 + C2, amplifier; two coupling capacitors.

    Into a series resistor R the shunt (R1 + 1/sC2) || 1/sC1 plays
    (1 + s R1 C2) / (1 + s (R C1 + R C2 + R1 C2) + s^2 R C1 R1 C2).
    """
    series = 47e3
    # T2 = R1 C2; T1 T3 = R C1 T2; T1 + T3 = R C1 + R C2 + T2.
    c1 = T1 * T3 / (T2 * series)
    c2 = (T1 + T3 - T2) / series - c1
    parts = {
        "r0": series - 1e3, "r1": T2 / c2, "c1": c1, "c2": c2,
        "ro": 1e3, "cc": 1.0 / (2 * np.pi * low_corners_hz[0] * 1e6), "rb": 1e6,
        "cd": 1.0 / (2 * np.pi * low_corners_hz[1] * 1e6),
        "ch": 1.0 / (2 * np.pi * high_corner_hz * 1e3),
    }  # fmt: skip
    cards = (
        "EA a1 0 out 0 30\nRO a1 a2 {ro}\nR0 a2 a3 {r0}\nR1 a3 a4 {r1}\nC2 a4 0 {c2}\n"
        "C1 a3 0 {c1}\nEB a5 0 a3 0 1\nCC a5 a6 {cc}\nRB a6 0 {rb}\nEC b1 0 a6 0 30\n"
        "RP b1 b2 1000\nCH b2 0 {ch}\nED b3 0 b2 0 1\nCD b3 unit {cd}\nRD unit 0 1e6\n"
    )
    return Circuit("two-stage passive", parts, cards)


def feedback_stage(
    *, gain: float = 50.0, low_corner_hz: float = 1.0, gain_bandwidth_hz: float = 20e6
) -> Circuit:
    """Non-inverting: two RC pairs in series from output to input, R0 and C0 to ground.

    R1 C1 = T1, R2 C2 = T3, and the zero of the pairs at T2.  The gain ends at 1 at the top.
    """
    r0 = 1e3
    ratio = (T2 - T3) / (T1 - T2)  # R2/R1 for the zero of the sum at T2
    r1 = r0 * gain * 10.0 / (1.0 + ratio)  # the level at 1 kHz is a tenth of that at 0 Hz
    r2 = ratio * r1
    parts = {
        "r0": r0, "c0": 1.0 / (2 * np.pi * low_corner_hz * r0), "r1": r1, "r2": r2,
        "c1": T1 / r1, "c2": T3 / r2, "cg": 1.0 / (2 * np.pi * gain_bandwidth_hz / 1e6 * 1e3),
        "cd": 1.0 / (2 * np.pi * 0.7 * 1e5),
    }  # fmt: skip
    cards = (
        "EA a1 0 out m 1e6\nRG a1 a2 1000\nCG a2 0 {cg}\nEB b1 0 a2 0 1\n"
        "R1 b1 b2 {r1}\nC1 b1 b2 {c1}\nR2 b2 m {r2}\nC2 b2 m {c2}\nR0 m m2 {r0}\nC0 m2 0 {c0}\n"
        "CD b1 unit {cd}\nRD unit 0 1e5\n"
    )
    return Circuit("feedback", parts, cards)


def valve_stage(
    *, low_corners_hz: tuple[float, float, float] = (0.3, 1.5, 1.0), miller: float = 120e-12
) -> Circuit:
    """Anode resistance, coupling, split equaliser (75 us, then 3180/318 us), second stage, output.

    The second stage's input capacitance lies across the first equaliser.
    """
    source, leak = 50e3, 1e6
    second = 220e3
    # First: R = source || leak and 75 us with C = c1 + Miller; second: 3180 and 318 us.
    r_first = source * leak / (source + leak)
    parts = {
        "ro": source, "rl": leak, "cc": 1.0 / (2 * np.pi * low_corners_hz[0] * (source + leak)),
        "c1": T3 / r_first - miller, "cm": miller,
        "r2": second, "r3": second * T2 / (T1 - T2), "c2": (T1 - T2) / second,
        "ck": 1.0 / (2 * np.pi * low_corners_hz[1] * 1e6),
        "cd": 1.0 / (2 * np.pi * low_corners_hz[2] * 1e6),
    }  # fmt: skip
    cards = (
        "EA a1 0 out 0 -50\nRO a1 a2 {ro}\nCC a2 a3 {cc}\nRL a3 0 {rl}\nC1 a3 0 {c1}\n"
        "CM a3 0 {cm}\nEB b1 0 a3 0 -30\nCK b1 b2 {ck}\nRK b2 0 1e6\nEC b3 0 b2 0 1\n"
        "R2 b3 b4 {r2}\nR3 b4 b5 {r3}\nC2 b5 0 {c2}\nED b6 0 b4 0 1\nCD b6 unit {cd}\n"
        "RD unit 0 1e6\n"
    )
    return Circuit("valve-like", parts, cards)


def _network_cards(values: Floats) -> str:
    lines = [f"RSOURCE drive in {LOADING.source_resistance:.12g}"]
    for element, value in zip(TOPOLOGY.elements, values, strict=True):
        lines.append(f"{element.ref}N {element.nodes[0]} {element.nodes[1]} {value:.12g}")
    lines += [
        f"RLOAD out 0 {LOADING.load_resistance:.12g}",
        f"CLOAD out 0 {LOADING.load_capacitance:.12g}",
    ]
    return "\n".join(lines)


def simulated_response(
    circuit: Circuit, values: Floats | None, folder: Path
) -> tuple[Floats, Complex]:
    """Frequencies [Hz] and response of the unit, behind the network where values are given."""
    front = "EIN out 0 drive 0 1" if values is None else _network_cards(values)
    return simulator_response(front, circuit.text(), "unit", folder)


def simulator_response(front: str, cards: str, output: str, folder: Path) -> tuple[Floats, Complex]:
    """Frequencies [Hz] and response of cards between the node ``drive`` and another."""
    text = (
        f"* unit\nV1 drive 0 AC 1\n{front}\n{cards}\n.ac dec 150 {LOWEST_HZ} {HIGHEST_HZ}\n.end\n"
    )
    (folder / "unit.cir").write_text(text)
    subprocess.run(
        ["ngspice", "-b", "-r", "unit.raw", "unit.cir"],
        cwd=folder, capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    header, _, numbers = (folder / "unit.raw").read_bytes().partition(b"Binary:\n")
    names = re.findall(r"^\t\d+\t(\S+)", header.decode(), re.MULTILINE)
    columns = np.frombuffer(numbers, dtype=complex).reshape(-1, len(names)).T
    return columns[0].real, columns[names.index(f"v({output})")]


def interpolated(frequency: Floats, response: Complex, at: Floats) -> Complex:
    """The response between the simulator's frequencies: a cubic through its logarithm.

    With 150 points a decade the fourth difference of a resonance of Q 4 leaves below 1e-6 of it.
    """
    from scipy.interpolate import CubicSpline

    logarithm = np.log(np.abs(response)) + 1j * np.unwrap(np.angle(response))
    return np.exp(CubicSpline(np.log(frequency), logarithm)(np.log(at)))


def deviation_db(frequency: Floats, response: Complex, at: Floats) -> Floats:
    """Deviation of the unit from 3180/318/75 us (IEC 60098), 0 dB at 1 kHz."""
    points = np.append(at, 1000.0)
    s = 2j * np.pi * points
    ideal = (1 + s * T2) / ((1 + s * T1) * (1 + s * T3))
    level = 20 * np.log10(np.abs(interpolated(frequency, response, points) / ideal))
    return level[:-1] - level[-1]


def square_of_response(
    frequency: Floats,
    response: Complex,
    *,
    square_hz: float,
    time: Floats,
) -> Floats:
    """The square wave of +-1 at given times, sampled without a filter.

    A period is the inverse transform of all harmonics at 2**20 points: of 23 Hz they are 41 ns
    apart, over which a cubic interpolation of edges of 0.3 us errs by less than 1e-4.
    """
    from scipy.ndimage import map_coordinates

    points = 2**20
    order = np.arange(1, min(int(HIGHEST_HZ / square_hz), points // 2), 2)
    amplitude = 4 / (1j * np.pi * order) * interpolated(frequency, response, order * square_hz)
    spectrum = np.zeros(points // 2 + 1, dtype=complex)
    spectrum[order] = amplitude * points / 2
    period = np.fft.irfft(spectrum, points)
    phase = np.mod(time * square_hz, 1.0) * points
    return map_coordinates(period, phase[None], order=3, mode="grid-wrap")


def recorded(
    clean: Floats,
    rng: np.random.Generator,
    *,
    time: Floats,
    bits: int = 8,
    noise: float = 0.002,
    name: str = "",
) -> SquareWaveCapture:
    """The record as an 8-bit oscilloscope gives it: noise, offset, steps."""
    span = float(np.ptp(clean))
    volts = clean + span * rng.uniform(-0.1, 0.1) + noise * span * rng.standard_normal(clean.size)
    step = np.ptp(volts) * rng.uniform(1.1, 1.8) / 2**bits
    return SquareWaveCapture(time, np.round(volts / step) * step, name=name)
