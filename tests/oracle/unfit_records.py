"""Records of linear units of every shape on disturbed benches, tested for what no linear unit does.

The tests of residuals are given the true response in place of a fit, so that thousands of records
can be tried.  They rest on no model of the unit: what a fit leaves is alike in both halves of a
square wave.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from playback_units import (
    CURVE,
    VALUES,
    drawn_values,
    known_exactly,
    network_polynomials,
    steady_state,
)
from unfit_units import Defect, ceiling, compression, dead_zone, sine, slew_limit, unfit_capture
from unit_shapes import LOW_ENDS, TOPS, BenchSetup, ShapedUnit, capture_of, shaped_unit

from antecurve.judge.capture import ObservationSettings
from antecurve.judge.hum import interferences
from antecurve.judge.level_dependence import RelativeHarmonics, level_findings
from antecurve.judge.level_reading import UnitWaves
from antecurve.judge.observation import Prediction, ResidualFinding, RiseTime
from antecurve.judge.square_observation import SquareWaveObservation
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.threads import single_threaded_linear_algebra

Floats = NDArray[np.float64]
Polynomials = tuple[Floats, Floats]

BAND_HZ = (20.0, 20e3)
SOUND = ShapedUnit(3180e-6, 318e-6, 75e-6, "one corner", "one pole", (1.5,), (200e3,))
RINGING = ShapedUnit(3180e-6, 318e-6, 75e-6, "one corner", "resonant top", (1.5,), (300e3, 5.0))

DEFECTS: dict[str, tuple[ShapedUnit, Defect]] = {
    "oscillation, 287 kHz, 5 %": (SOUND, Defect("oscillation", added=sine(287e3, 0.05))),
    "ringing at 300 kHz, Q 5": (RINGING, Defect("ringing")),
    "motor-boating, 2.7 Hz, 30 %": (SOUND, Defect("motor-boating", added=sine(2.7, 0.3))),
    "one rail cut by 27 %": (SOUND, Defect("rail", ceiling(0.73))),
    "one rail cut before the coupling": (SOUND, Defect("rail", ceiling(0.73), None, "coupled")),
    "dead zone of 10 %": (SOUND, Defect("dead zone", dead_zone(0.1))),
    "slope limited to 10 us": (SOUND, Defect("slope", slew_limit(10.0))),
    "slope limited to 40 us": (SOUND, Defect("slope", slew_limit(40.0))),
}  # fmt: skip
"""Units not fit to ship; amplitudes of what is added relative to half the swing."""

TWO_LEVELS: dict[str, Callable[[float], Defect]] = {
    "dead zone of 10 %": lambda level: Defect("dead zone", dead_zone(0.1 / level)),
    "compression of 5 % before the equaliser": lambda level: Defect(
        "compression", compression(0.05 * level**2), None, "input"
    ),
    "compression of 5 % behind it": lambda level: Defect(
        "compression", compression(0.05 * level**2)
    ),
    "linear": lambda level: Defect("linear"),
}
"""Defects by the level re that of use: a zone keeps its volts, a third-order term falls with its
square."""


def log_response(polynomials: Sequence[Polynomials]) -> Callable[[Floats], NDArray[np.complex128]]:
    """Natural logarithm of a product of ratios of polynomials, level arbitrary."""
    roots = [(np.roots(above), np.roots(below)) for above, below in polynomials]

    def at(frequency: Floats) -> NDArray[np.complex128]:
        s = 2j * np.pi * np.asarray(frequency, dtype=float)
        total = np.zeros(s.shape, dtype=complex)
        for above, below in roots:
            for sign, values in ((1.0, above), (-1.0, below)):
                for root in values:
                    total += sign * (np.log(1.0 - s / root) if root else np.log(s))
        return total

    return at


def _settled(
    observation: SquareWaveObservation, response: Callable[[Floats], NDArray[np.complex128]]
) -> tuple[Prediction, Floats]:
    """Gain, delay and duty by least squares, and the whitened residuals."""
    nuisance, _ = observation.start(response(observation.frequency_hz))
    total = response(observation.evaluated_hz)
    shared = np.zeros((total.size, 0), dtype=complex)
    for _ in range(8):
        point = observation.evaluate(nuisance, total, shared, RiseTime(0.0))
        nuisance = nuisance - np.linalg.lstsq(point.jacobian, point.residual, rcond=None)[0]
    residual = observation.evaluate(nuisance, total, shared, RiseTime(0.0)).residual
    return Prediction(nuisance, 0.0, response), residual


@dataclass(frozen=True)
class ByTruth:
    """A record reduced beside a known linear response."""

    observation: SquareWaveObservation
    prediction: Prediction
    residual: Floats
    excess: float

    @property
    def findings(self) -> list[ResidualFinding]:
        """What the judge says of the record."""
        return self.observation.residual_findings(
            self.residual, self.prediction, excess=self.excess, band_hz=BAND_HZ
        )


def by_truth(
    capture: SquareWaveCapture, polynomials: Sequence[Polynomials], *, folded: bool = True
) -> ByTruth:
    """Reduce a record as the judge does, with the true response in place of a fit."""
    response = log_response(polynomials)
    settings = ObservationSettings(5.0 * BAND_HZ[1], CURVE, known_exactly())
    with single_threaded_linear_algebra():
        first = capture.observation(settings)
        prediction, _ = _settled(first, response)
        corrected = first.corrected(prediction, folded=folded)
        prediction, residual = _settled(corrected, response)
        (beside,) = interferences([corrected.remainder(prediction)])
        if beside.drift_order or beside.hum is not None:
            cleared = first.without_interference(beside)
            corrected = cleared.corrected(prediction, folded=folded)
            prediction, residual = _settled(corrected, response)
        excess = float(residual @ residual) / residual.size
        if excess > 1.0:
            corrected = corrected.with_raised_noise(excess)
            residual = residual / np.sqrt(excess)
    return ByTruth(corrected, prediction, residual, excess)


def record_findings_by_truth(
    capture: SquareWaveCapture, polynomials: Sequence[Polynomials], *, folded: bool = True
) -> list[ResidualFinding]:
    """What the judge says of a record beside a known linear response."""
    with single_threaded_linear_algebra():
        return by_truth(capture, polynomials, folded=folded).findings


def harmonics_at_two_levels(name: str, seed: int) -> list[RelativeHarmonics]:
    """Those of two records at 200 Hz, the second at a level 10 dB lower."""
    harmonics = []
    for level, called in ((1.0, "loud"), (10**-0.5, "quiet")):
        rng = np.random.default_rng([13, 55, seed])
        capture = unfit_capture(SOUND, TWO_LEVELS[name](level), BenchSetup(), rng, square_hz=200.0)
        capture = SquareWaveCapture(capture.time_s, capture.volts * level, name=called)
        reduced = by_truth(capture, [network_polynomials(VALUES), SOUND.polynomials()])
        harmonics.append(
            reduced.observation.relative_harmonics(reduced.residual, excess=reduced.excess)
        )
    return harmonics


def level_findings_by_truth(name: str, seed: int) -> list[ResidualFinding]:
    """What the judge says of two records at 200 Hz, one at a level 10 dB lower."""
    harmonics = harmonics_at_two_levels(name, seed)
    return level_findings(harmonics, band_hz=BAND_HZ, waves=waves_of(harmonics))


def waves_of(harmonics: Sequence[RelativeHarmonics]) -> Callable[[int, Floats], UnitWaves]:
    """The waves of the sound unit at two levels."""
    return lambda _, orders: _sound_waves(harmonics[0].fundamental_hz, orders)


def _sound_waves(square_hz: float, orders: Floats) -> UnitWaves:
    """A period at the input and output of the sound unit, each with a peak of 1."""
    network, unit = network_polynomials(VALUES), SOUND.polynomials()
    time = np.arange(2**13) / (2**13 * square_hz)
    wave_in = steady_state(*network, time, square_hz)
    wave_out = steady_state(
        np.polymul(network[0], unit[0]), np.polymul(network[1], unit[1]), time, square_hz
    )
    scale = float(np.abs(wave_in).max() / np.abs(wave_out).max())
    hertz = square_hz * np.arange(1.0, 2**12 + 1)
    behind = np.append(0.0, scale * np.exp(log_response([unit])(hertz)))
    return UnitWaves(
        wave_in / np.abs(wave_in).max(),
        wave_out / np.abs(wave_out).max(),
        behind,
        [lambda by: 0j * orders],
    )


def linear_record(seed: int) -> tuple[SquareWaveCapture, list[Polynomials], str]:
    """A record of a linear unit, what is in its path, and in words what was drawn."""
    rng = np.random.default_rng([13, 99, seed])
    unit = shaped_unit(rng, LOW_ENDS[seed % 4], TOPS[seed // 4 % 4])
    hum, drift, probe, coupled = rng.uniform(size=4) < (0.5, 0.3, 0.2, 0.2)
    setup = BenchSetup(
        mains_hz=float(rng.choice([50.0, 60.0]) * rng.uniform(0.998, 1.002)),
        hum=float(hum * 10 ** rng.uniform(-3.0, -1.7)),
        drift=float(drift * rng.choice([-1, 1]) * 10 ** rng.uniform(-2.5, -1.0)),
        probe=float(probe * rng.choice([-1, 1]) * rng.uniform(0.002, 0.01)),
        coupling_hz=float(coupled * rng.uniform(3.0, 10.0)),
        hum_phase=tuple(rng.uniform(0, 2 * np.pi, 3)),
        noise=float(rng.choice([0.0, 0.0005, 0.002, 0.005])),
        bits=int(rng.choice([8, 8, 10, 16])),
    )
    values = drawn_values(rng)
    square_hz = float(rng.choice([23.0, 30.0, 50.0, 200.0, 1000.0]))
    periods, samples = float(rng.uniform(2.2, 12.0)), int(rng.choice([2500, 5000, 10_000]))
    capture = capture_of(
        unit, setup, rng, square_hz=square_hz, values=values, periods=periods, samples=samples
    )
    path = [network_polynomials(values), unit.polynomials(), setup.polynomials()]
    return capture, path, f"{unit.low_end}, {unit.top}, {square_hz:g} Hz, {setup}"


def defective_record(
    name: str, seed: int, *, square_hz: float, samples: int, periods: float = 4.3
) -> tuple[SquareWaveCapture, list[Polynomials]]:
    """A record of a unit with a defect, and the linear path it would have without."""
    unit, defect = DEFECTS[name]
    rng = np.random.default_rng([13, 77, seed])
    values = drawn_values(rng)
    capture = unfit_capture(
        unit, defect, BenchSetup(), rng,
        square_hz=square_hz, values=values, samples=samples, periods=periods,
    )  # fmt: skip
    # A ringing unit is judged beside a response that does not ring, as a fit of the band is.
    flat = SOUND if unit is RINGING else unit
    return capture, [network_polynomials(values), flat.polynomials()]
