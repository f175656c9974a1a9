"""A kind of capture that the package does not know: complex ratios with their covariance.

Two channels see input and output of the unit at once, so that the network and the capture chain
are not in the path.  The kind is this file alone; the judge takes it as any other.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Self

import numpy as np
import pytest
from numpy.typing import NDArray
from playback_units import CONDITIONS, VALUES, Unit, by_tolerance, known_exactly, square_capture
from scipy.stats import chi2

from antecurve.judge.capture import Capture, ObservationSettings
from antecurve.judge.conformity import Decision
from antecurve.judge.observation import (
    Evaluation,
    Observation,
    Prediction,
    ResidualFinding,
    RiseTime,
    Trace,
)
from antecurve.judge.verdicts import judge_unit
from long_form import few

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class RatioCapture(Capture):
    """Ratios of output to input; covariance of real and imaginary part at each frequency."""

    kind: ClassVar[str] = "two-channel record"
    kind_in_files: ClassVar[str] = "two-channel record"
    known_columns: ClassVar[tuple[str, ...]] = ("frequency_hz", "real", "imaginary")
    columns_rule: ClassVar[str] = "frequency_hz, real, imaginary"

    frequency_hz: Floats
    ratio: Complex
    covariance: Floats
    name: str = "ratio"

    @classmethod
    def fits(cls, header: Collection[str]) -> bool:
        return set(header) == set(cls.known_columns)

    @classmethod
    def from_columns(cls, columns: Mapping[str, Floats], name: str) -> Self:
        ratio = columns["real"] + 1j * columns["imaginary"]
        unit = np.broadcast_to(np.eye(2), (ratio.size, 2, 2))
        return cls(columns["frequency_hz"], ratio, unit, name)

    @property
    def highest_seen_hz(self) -> float:
        return math.inf  # ratios tell a corner beyond the last frequency

    def observation(self, settings: ObservationSettings) -> RatioObservation:
        factor = np.linalg.cholesky(self.covariance)
        return RatioObservation(self, np.linalg.inv(factor))


@dataclass(frozen=True, slots=True, eq=False)
class RatioObservation(Observation):
    """Ratios as the fit sees them; nuisances are ln gain and delay in microseconds."""

    through_network: ClassVar[bool] = False
    through_chain: ClassVar[bool] = False

    capture: RatioCapture
    whitener: Floats

    @property
    def name(self) -> str:
        return self.capture.name

    @property
    def frequency_hz(self) -> Floats:
        return self.capture.frequency_hz

    @property
    def rows(self) -> int:
        return 2 * self.frequency_hz.size

    @property
    def nuisance_bounds(self) -> tuple[Floats, Floats]:
        return np.full(2, -np.inf), np.full(2, np.inf)

    @property
    def _turn(self) -> Complex:
        return -2j * math.pi * self.frequency_hz * 1e-6

    def _white(self, columns: Complex) -> Floats:
        parts = np.stack([columns.real, columns.imag], axis=1)
        return (self.whitener @ parts).reshape(self.rows, -1)

    def evaluate(
        self, nuisance: Floats, total: Complex, shared: Complex, rise: RiseTime
    ) -> Evaluation:
        value = np.exp(total + nuisance[0] + self._turn * nuisance[1])
        rise_column = np.zeros((value.size, int(rise.uncertainty_s > 0)))
        own = value[:, None] * np.stack([np.ones(value.size), self._turn], axis=1)
        slopes = np.hstack([value[:, None] * shared, rise_column, own])
        residual = self._white((value - self.capture.ratio)[:, None])[:, 0]
        return Evaluation(residual, self._white(slopes), self.rows)

    def start(self, log_response: Complex) -> tuple[Floats, float]:
        missed = np.log(np.abs(self.capture.ratio)) - log_response.real
        return np.array([missed.mean(), 0.0]), float(missed.var())

    def gain(self, nuisance: Floats) -> float:
        return float(nuisance[0]) * 20.0 / math.log(10.0)

    def trace(self, prediction: Prediction) -> Trace:
        fitted = np.exp(prediction.log_response(self.frequency_hz) + prediction.nuisance[0])
        levels = [20.0 * np.log10(np.abs(x)) for x in (self.capture.ratio, fitted)]
        kind = self.capture.kind
        return Trace(self.name, kind, self.frequency_hz, levels[0], levels[1], over_time=False)

    def residual_findings(
        self, residual: Floats, prediction: Prediction, **_: Any
    ) -> list[ResidualFinding]:
        return []


def ratio_capture(unit: Unit, rng: np.random.Generator, *, relative: float) -> RatioCapture:
    """Ratios by the unit's polynomials, with noise correlated between real and imaginary part."""
    frequency = np.geomspace(20.0, 20e3, 41)
    top, bottom = unit.polynomials()
    s = 2j * np.pi * frequency
    ratio = np.polyval(top, s) / np.polyval(bottom, s)
    shape = np.array([[1.0, 0.0], [0.6, 0.8]])
    factor = relative * np.abs(ratio)[:, None, None] * shape
    noise = (factor @ rng.standard_normal((41, 2, 1)))[:, :, 0]
    covariance = factor @ np.swapaxes(factor, 1, 2)
    return RatioCapture(frequency, ratio + noise[:, 0] + 1j * noise[:, 1], covariance)


def test_ratios_are_judged() -> None:
    """The truth of the simulation to the uncertainty stated, the treble to better than 1 %."""
    unit = Unit(treble_s=75e-6 * 1.2, low_corner_hz=3.0)
    normalised = []
    units = few(3, of=12)
    for seed in range(units):
        capture = ratio_capture(unit, np.random.default_rng([8, seed]), relative=0.002)
        verdict = judge_unit(capture, by_tolerance(), conditions=CONDITIONS)
        assert verdict.decision is Decision.FAIL and "treble_s" in verdict.faults
        treble = verdict.value("treble_s")
        assert treble.high / treble.low < 1.02
        normalised.append((treble.value - unit.treble_s) / ((treble.high - treble.low) / 3.92))
    # Sum of squares of normal errors: 0.1 % to 99.9 % of chi-square.  Power of 12: uncertainties
    # stated at 0.55 of their size fail in 62 % of studies, at 2.5 times it in 68 %.
    low, high = chi2.ppf([0.001, 0.999], units)
    assert low < np.sum(np.square(normalised)) < high
    assert verdict.traces[0].kind == "two-channel record"
    # 41 ratios known to 0.017 dB each.
    assert verdict.gain[0] == pytest.approx(float(unit.level_db(1000.0)), abs=0.02)


def test_the_network_is_not_in_the_path() -> None:
    """Another network altogether gives the same verdict to rounding of the solver."""
    capture = ratio_capture(Unit(), np.random.default_rng(9), relative=0.002)
    verdicts = [
        judge_unit(capture, known_exactly(values), conditions=CONDITIONS)
        for values in (VALUES, VALUES * np.array([1.3, 0.8, 1.0, 1.2, 2.0, 0.7]))
    ]
    one, other = (v.deviation.deviation_db for v in verdicts)
    assert np.max(np.abs(one - other)) < 1e-6


@pytest.mark.seldom
def test_ratios_beside_a_square_wave() -> None:
    """A joint fit is as sure as the better of the two, and holds the truth."""
    unit = Unit(treble_s=78e-6)
    rng = np.random.default_rng(10)
    captures = [ratio_capture(unit, rng, relative=0.004), square_capture(unit, rng)]
    both = judge_unit(captures, known_exactly(), conditions=CONDITIONS).value("treble_s")
    alone = [
        judge_unit(c, known_exactly(), conditions=CONDITIONS).value("treble_s") for c in captures
    ]
    # Noise that is told from each fit differs by some per cent between fits.
    assert both.high - both.low < 1.05 * min(a.high - a.low for a in alone)
    assert both.low <= 78e-6 <= both.high
