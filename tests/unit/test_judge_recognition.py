"""What fitted constants are recognised as, and parts named for both usual networks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from playback_units import CURVE, NOMINAL, two_pairs

from antecurve.judge.advice import LOW_SQUARE_HZ, clear_frequency
from antecurve.judge.explanation import explain
from antecurve.judge.findings import _explanation_sentence
from antecurve.judge.recognition import coupling_question, is_amendment, recognised_setting
from antecurve.judge.unit_model import unit_model
from antecurve.judge.verdict import FittedValue

FREQUENCY_HZ = np.geomspace(20.0, 20e3, 60)


def values(shelf_us: float, turnover_us: float, treble_us: float) -> list[FittedValue]:
    """Constants known to 1 %."""
    return [
        FittedValue(name, nominal, t * 1e-6, t * 0.99e-6, t * 1.01e-6, "s")
        for (name, nominal), t in zip(
            NOMINAL.items(), (shelf_us, turnover_us, treble_us), strict=True
        )
    ]


def corner(hertz: float) -> FittedValue:
    return FittedValue("low_corner_hz", None, hertz, 0.95 * hertz, 1.05 * hertz, "Hz")


def series_equaliser(**ratios: float) -> np.ndarray:
    """ln of T1, T2, T3 of R1 before C1 beside R2 and C2 in series, by the roots of its poles.

    V/E = (1 + s T2)/((1 + s R1 C1)(1 + s T2) + s R1 C2), T2 = R2 C2: voltage divider.
    """
    t1, t2, t3 = NOMINAL.values()
    c1 = t1 * t3 / t2
    parts = {"R1": 1.0, "C1": c1, "C2": t1 + t3 - c1 - t2, "R2": t2 / (t1 + t3 - c1 - t2)}
    r1, c1, c2, r2 = (value * ratios.get(name, 1.0) for name, value in parts.items())
    bottom = np.polyadd(np.polymul([r1 * c1, 1.0], [r2 * c2, 1.0]), [r1 * c2, 0.0])
    poles = -1.0 / np.roots(bottom).real
    return np.log([poles.max(), r2 * c2, poles.min()])


def explained(logs: np.ndarray) -> str:
    model = unit_model(CURVE)
    units = model.start
    units[:3] = logs
    cause = explain(model, units, FREQUENCY_HZ)
    assert cause is not None
    return _explanation_sentence(cause)


def test_a_part_true_of_one_network_is_named_for_it_alone() -> None:
    missing = "the smaller capacitor is missing or not connected"
    pairs = explained(np.log(list(two_pairs(small_capacitor=0.003).values())))
    none = "no single part does"
    assert pairs.endswith(f"deviation: feedback: {missing}; series equaliser: {none}")
    series = explained(series_equaliser(C1=0.003))
    assert series.endswith(f"deviation: series equaliser: {missing}; feedback: {none}")


def test_both_readings_where_the_networks_differ() -> None:
    """A bass shelf and a turnover that meet: a shorted R1, or the larger capacitor of a pair."""
    text = explained(np.log(list(two_pairs(large_capacitor=0.003).values())))
    assert "series equaliser: the larger resistor is shorted; feedback: the larger capa" in text
    short = explained(series_equaliser(R2=0.003))
    assert "series equaliser: the smaller resistor is shorted; feedback: the smaller re" in short


def test_one_reading_where_the_networks_agree() -> None:
    text = explained(series_equaliser(R2=1.2))
    assert text.endswith("deviation: the smaller resistor is at 1.2 of its value")


@pytest.mark.parametrize(
    ("constants_us", "named"),
    [
        # BS 1928:1955, coarse groove; NAB 1949 lateral: 318 and 100 us, no shelf.
        ((3180.0, 450.0, 50.0), "disc-coarse-groove"),
        ((60e3, 318.0, 100.0), "disc-nab-1949"),
        # Turnover 700 Hz is 227.4 us; -16 dB at 10 kHz: 10^1.6 = 1 + (w T)^2, T = 99.4 us.
        ((3180.0, 227.4, 99.44), "700 Hz, -16.0 dB"),
        ((3180.0, 318.0, 75.0), ""),
        ((3180.0, 318.0, 62.0), ""),
        ((3180.0, 318.0, 50.0), "disc-coarse-groove"),
    ],
)
def test_settings(constants_us: tuple[float, float, float], named: str) -> None:
    text = recognised_setting(values(*constants_us))
    assert named in text and bool(text) == bool(named)


def test_constants_hardly_known_name_no_setting() -> None:
    loose = [
        FittedValue(v.name, v.nominal, v.value, v.value / 1.2, v.value * 1.2, "s")
        for v in values(3180.0, 450.0, 50.0)
    ]
    assert recognised_setting(loose) == ""


def test_low_corners() -> None:
    """7950 us are 20.02 Hz (IEC 98, amendment 4); AC inputs of oscilloscopes are at 4 to 10 Hz."""
    assert is_amendment(corner(1.0 / (2.0 * math.pi * 7950e-6)))
    assert not is_amendment(corner(16.0)) and not is_amendment(corner(25.0))
    assert "AC-coupled" in coupling_question(corner(7.0), quality=None)
    assert not coupling_question(corner(20.0), quality=None)
    assert not coupling_question(corner(2.0), quality=None)
    unseen = FittedValue("low_corner_hz", None, 5.0, 0.0, 9.0, "Hz")
    assert not coupling_question(unseen, quality=None)


@pytest.mark.parametrize(("quality", "asked"), [(0.34, True), (0.58, True), (2.0, False)])
def test_an_ac_input_makes_no_resonance(quality: float, asked: bool) -> None:
    """Corners of 1 and 7 Hz have a Q of 0.33, three alike look like a pair with 0.58."""
    assert bool(coupling_question(corner(7.0), quality=quality)) == asked


@pytest.mark.parametrize("mains_hz", [None, 50.0, 60.0])
@pytest.mark.parametrize("near_hz", [20.0, 30.0, 200.0])
def test_advised_frequencies_are_clear(near_hz: float, mains_hz: float | None) -> None:
    """An odd harmonic is at least a sixth of the frequency off the first three lines of mains.

    A record of four periods resolves a quarter of it, and the shares of a line and a harmonic a
    sixth apart are told apart with 1/sqrt(1 - sinc^2(4/6)) = 1.1 times the noise.
    """
    advised = clear_frequency(near_hz, mains_hz=mains_hz)
    assert 0.75 * near_hz <= advised <= 1.25 * near_hz
    for mains in (50.0, 60.0) if mains_hz is None else (mains_hz,):
        for line in mains * np.arange(1, 4):
            odd = advised * np.arange(1, 41, 2)
            assert np.min(np.abs(odd - line)) >= advised / 6
    assert np.sinc(4 / 6) ** 2 < 0.2
    assert clear_frequency(LOW_SQUARE_HZ) == 23.0
