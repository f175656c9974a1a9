"""Simulated units behind a network, by a path that shares nothing with the package.

The network by polynomial arithmetic on its elements, the unit by its time constants, the square
wave in periodic steady state by partial fractions (`test_judge_simulation.py` checks that
against scipy.signal.lsim), then noise, offset and quantisation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.judge.network_estimate import NetworkEstimate, estimate_by_tolerance, exact_estimate
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.sweep import SweepCapture
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Element, ElementKind, Loading, Network, Topology
from antecurve.parts.position import Part, PickedNetwork, Position

Floats = NDArray[np.float64]

LOADING = Loading(50.0, 47e3, 150e-12)
CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,))
CONDITIONS = Conditions(curve=CURVE, loading=LOADING)
NOMINAL = {"bass_shelf_s": 3180e-6, "turnover_s": 318e-6, "treble_s": 75e-6}
_R, _C = ElementKind.RESISTOR, ElementKind.CAPACITOR
TOPOLOGY = Topology(
    "foster-1",
    (
        Element("R1", _R, ("in", "n1")),
        Element("C1", _C, ("in", "n1")),
        Element("R2", _R, ("n1", "n2")),
        Element("C2", _C, ("n1", "n2")),
        Element("R3", _R, ("n2", "out")),
        Element("R4", _R, ("out", "0")),
    ),
)
VALUES = np.array([450.83e3, 7.0536e-9, 36.699e3, 2.04366e-9, 1521.8, 500.0])
_JOINED = {1: (0.8, 0.2), 3: (0.6, 0.4)}
RESISTOR_TOLERANCE, CAPACITOR_TOLERANCE = 0.01, 0.025


def picked_network() -> PickedNetwork:
    """1 % resistors, each capacitor two 2.5 % parts in parallel."""
    positions = []
    for index, (element, value) in enumerate(zip(TOPOLOGY.elements, VALUES, strict=True)):
        if index in _JOINED:
            parts = tuple(Part(value * s, CAPACITOR_TOLERANCE) for s in _JOINED[index])
            positions.append(Position(element, parts, "parallel"))
        else:
            positions.append(Position(element, (Part(value, RESISTOR_TOLERANCE),)))
    return PickedNetwork(TOPOLOGY, tuple(positions))


def drawn_values(rng: np.random.Generator) -> Floats:
    """One build: every part anywhere within its tolerance."""
    values = []
    for index, value in enumerate(VALUES):
        shares = _JOINED.get(index, (1.0,))
        tolerance = CAPACITOR_TOLERANCE if index in _JOINED else RESISTOR_TOLERANCE
        values.append(sum(value * s * (1 + tolerance * rng.uniform(-1, 1)) for s in shares))
    return np.array(values)


def by_tolerance() -> NetworkEstimate:
    """What the tolerances say."""
    return estimate_by_tolerance(picked_network(), loading=LOADING)


def known_exactly(values: Floats = VALUES) -> NetworkEstimate:
    """The network without a doubt."""
    return exact_estimate(Network(TOPOLOGY, values), loading=LOADING)


@dataclass(frozen=True)
class Unit:
    """A unit by its constants; a corner of 0 is not there."""

    bass_shelf_s: float = 3180e-6
    turnover_s: float = 318e-6
    treble_s: float = 75e-6
    low_corner_hz: float = 2.0
    high_corner_hz: float = 200e3
    low_order: int = 1

    def polynomials(self) -> tuple[Floats, Floats]:
        """Numerator and denominator in s, highest power first, gain 100 between the corners."""
        top = 100.0 * np.array([self.turnover_s, 1.0])
        bottom = np.polymul([self.bass_shelf_s, 1.0], [self.treble_s, 1.0])
        rate = 2 * np.pi * self.low_corner_hz
        if self.low_corner_hz and self.low_order == 1:
            top, bottom = np.polymul(top, [1.0, 0.0]), np.polymul(bottom, [1.0, rate])
        elif self.low_corner_hz:
            top = np.polymul(top, [1.0, 0.0, 0.0])
            bottom = np.polymul(bottom, [1.0, np.sqrt(2.0) * rate, rate**2])
        if self.high_corner_hz:
            bottom = np.polymul(bottom, [1 / (2 * np.pi * self.high_corner_hz), 1.0])
        return top, bottom

    def level_db(self, frequency: Floats) -> Floats:
        """Level of the unit alone."""
        top, bottom = self.polynomials()
        s = 2j * np.pi * np.asarray(frequency)
        return 20 * np.log10(np.abs(np.polyval(top, s) / np.polyval(bottom, s)))

    def deviation_db(self, frequency: Floats) -> Floats:
        """Deviation from the inverse of the published disc curve, 0 dB at 1 kHz."""
        s = 2j * np.pi * np.append(frequency, 1000.0)
        ideal = (1 + s * 318e-6) / ((1 + s * 3180e-6) * (1 + s * 75e-6))
        deviation = self.level_db(np.append(frequency, 1000.0)) - 20 * np.log10(np.abs(ideal))
        return deviation[:-1] - deviation[-1]


def random_unit(rng: np.random.Generator) -> Unit:
    """A unit with parts of usual tolerances."""
    return Unit(
        bass_shelf_s=3180e-6 * np.exp(rng.normal(0, 0.05)),
        turnover_s=318e-6 * np.exp(rng.normal(0, 0.03)),
        treble_s=75e-6 * np.exp(rng.normal(0, 0.05)),
        low_corner_hz=rng.uniform(0.5, 8),
        high_corner_hz=10 ** rng.uniform(4.8, 5.6),
        low_order=int(rng.choice([1, 1, 2])),
    )


def network_polynomials(values: Floats) -> tuple[Floats, Floats]:
    """H(s) of the network between its source and its load."""
    r1, c1, r2, c2, r3, r4 = values
    first, second = np.array([r1 * c1, 1.0]), np.array([r2 * c2, 1.0])
    pairs = np.polymul(first, second)
    series = np.polyadd(
        np.polyadd(r1 * second, r2 * first), (r3 + LOADING.source_resistance) * pairs
    )
    shunt = r4 * LOADING.load_resistance / (r4 + LOADING.load_resistance)
    load = np.array([shunt * LOADING.load_capacitance, 1.0])
    return shunt * pairs, np.polyadd(np.polymul(series, load), shunt * pairs)


def steady_state(top: Floats, bottom: Floats, time: Floats, frequency: float) -> Floats:
    """Response to a square wave of +-1, rising at time 0, by partial fractions.

    Each pole p adds r/p exp(p t) to the step response; the steps of -2 and +2 in the past sum to
    2/(1 + exp(p P/2)).
    """
    zeros, poles = np.roots(np.trim_zeros(top, "f")), np.roots(bottom)
    gain = np.trim_zeros(top, "f")[0] / bottom[0]
    half = 0.5 / frequency
    phase = np.mod(time, 2 * half)
    late = phase >= half
    since = np.where(late, phase - half, phase)
    volts = np.full(time.shape, top[-1] / bottom[-1], dtype=complex)
    for index, pole in enumerate(poles):
        residue = gain * np.prod(pole - zeros) / np.prod(np.delete(pole - poles, index))
        volts += residue / pole * 2 * np.exp(pole * since) / (1 + np.exp(pole * half))
    return np.where(late, -volts.real, volts.real)


def square_capture(
    unit: Unit,
    rng: np.random.Generator,
    *,
    values: Floats = VALUES,
    frequency: float = 200.0,
    periods: float | None = None,
    samples: int = 5000,
    bits: int = 8,
    noise: float = 0.002,
    extra: tuple[Floats, Floats] = (np.array([1.0]), np.array([1.0])),
) -> SquareWaveCapture:
    """A record as an oscilloscope gives it: any start, polarity and offset, noise, few bits."""
    periods = rng.uniform(2.2, 6.0) if periods is None else periods
    frequency = frequency * (1 + rng.uniform(-0.01, 0.01))
    top, bottom = network_polynomials(values)
    unit_top, unit_bottom = unit.polynomials()
    top = np.polymul(np.polymul(top, unit_top), extra[0])
    bottom = np.polymul(np.polymul(bottom, unit_bottom), extra[1])
    time = np.arange(samples) * (periods / frequency / samples)
    volts = 0.7 * steady_state(top, bottom, time + rng.uniform(0, 1 / frequency), frequency)
    span = np.ptp(volts)
    volts = volts * rng.choice([-1, 1]) + span * rng.uniform(-0.2, 0.2)
    volts = volts + noise * span * rng.standard_normal(samples)
    if bits:
        step = np.ptp(volts) * rng.uniform(1.1, 1.8) / 2**bits
        volts = np.round(volts / step) * step
    return SquareWaveCapture(time - rng.uniform(0, 1), volts, name=f"square at {frequency:.0f} Hz")


def sweep_capture(
    unit: Unit,
    rng: np.random.Generator,
    *,
    values: Floats = VALUES,
    points: int = 31,
    noise_db: float = 0.02,
    bump_db: float = 0.0,
) -> SweepCapture:
    """Levels from 20 Hz to 20 kHz, printed to 0.001 dB."""
    frequency = np.geomspace(20, 20e3, points)
    top, bottom = network_polynomials(values)
    s = 2j * np.pi * frequency
    level = 20 * np.log10(np.abs(np.polyval(top, s) / np.polyval(bottom, s)))
    level = level + unit.level_db(frequency) + noise_db * rng.standard_normal(points)
    level = level + bump_db * np.exp(-((np.log(frequency / 5000) / 0.3) ** 2))
    return SweepCapture(frequency, np.round(level, 3), name="sweep")


def two_pairs(*, large_capacitor: float = 1.0, small_capacitor: float = 1.0) -> dict[str, float]:
    """Constants of two RC pairs in series, a capacitor changed: T1, T3 = R C, T2 in parallel."""
    t1, t2, t3 = NOMINAL.values()
    ratio = (t2 - t3) / (t1 - t2)
    c1, c2 = t1 * large_capacitor, t3 / ratio * small_capacitor
    return {
        "bass_shelf_s": c1,
        "turnover_s": (c1 + c2) * ratio / (1 + ratio),
        "treble_s": ratio * c2,
    }


def gross_fault(rng: np.random.Generator) -> tuple[str, Unit]:
    """A unit with one gross fault and its name."""
    name = str(
        rng.choice([*NOMINAL, "small_capacitor", "large_capacitor", "low_corner_hz",
                    "high_corner_hz"])
    )  # fmt: skip
    given: dict[str, float] = {k: v * np.exp(rng.normal(0, 0.01)) for k, v in NOMINAL.items()}
    given |= {
        "low_corner_hz": rng.uniform(0.5, 5),
        "high_corner_hz": 10 ** rng.uniform(5, 5.6),
    }
    if name in NOMINAL:
        given[name] *= 3.0 ** rng.choice([-1, 1]) * np.exp(rng.normal(0, 0.1))
    elif name.endswith("capacitor"):
        given |= two_pairs(**{name: 0.003 * rng.uniform(0.3, 3)})
    elif name == "low_corner_hz":
        given[name] = rng.uniform(60, 150)
    else:
        given[name] = rng.uniform(5e3, 12e3)
    return name, Unit(**given)
