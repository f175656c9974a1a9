"""Square waves against published definitions and worked numbers."""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path

import numpy as np
import pytest

from antecurve.algebra.partial_fractions import partial_fractions
from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.analysis.playback import playback_chain
from antecurve.analysis.scope import measure_trace
from antecurve.analysis.waveform import SquareWave, response_to_square_wave
from antecurve.curves.catalogue import named_curve

DATA = Path(__file__).parent.parent / "data"


def _rows() -> dict[str, dict[str, str]]:
    with (DATA / "square_wave.csv").open() as file:
        return {r["item"]: r for r in csv.DictReader(file)}


def _high_pass(corner_hz: float) -> ZeroPoleGain[complex]:
    time_constant = 1.0 / (2.0 * math.pi * corner_hz)
    return ZeroPoleGain((), (complex(time_constant),), 1, gain_constant=time_constant)


_HIGH_PASS = re.compile(r"HP f_L=([\d.]+) Hz, square (\d+) Hz")


@pytest.mark.parametrize("item", [i for i in _rows() if _HIGH_PASS.match(i)])
def test_tilt_of_a_high_pass(item: str) -> None:
    corner, frequency = (float(v) for v in _HIGH_PASS.match(item).groups())  # type: ignore[union-attr]
    text = _rows()[item]["exact"]
    tilt, start, end = re.match(
        r"exact ([\d.]+) %; steady-state start \+-([\d.]+) end \+-([\d.]+)", text
    ).groups()  # type: ignore[union-attr]
    measures = measure_trace(partial_fractions(_high_pass(corner)), SquareWave(frequency))
    # Printed digits: 1e-5 % of tilt, 1e-6 of the levels.
    assert measures.tilt is not None
    assert measures.tilt * 100 == pytest.approx(float(tilt), abs=0.51e-5)
    assert measures.start_v == pytest.approx(float(start), abs=0.51e-6)
    assert measures.end_v == pytest.approx(float(end), abs=0.51e-6)


@pytest.mark.parametrize(("corner", "frequency"), [(1.0, 1000.0), (20.02, 100.0), (49.0, 50.0)])
def test_tilt_formula(corner: float, frequency: float) -> None:
    # "P = 1-exp(-pi f_L/f)", "V1/V = 2/(1+exp(-pi fL/f))" of square_wave.csv.
    measures = measure_trace(partial_fractions(_high_pass(corner)), SquareWave(frequency))
    assert measures.tilt == pytest.approx(1.0 - math.exp(-math.pi * corner / frequency), rel=1e-12)
    assert measures.start_v == pytest.approx(2.0 / (1.0 + math.exp(-math.pi * corner / frequency)))


def test_rise_time_of_one_pole() -> None:
    # "rise time x f3dB (10-90 %)": ln 9/(2 pi), and "rise time / RC": ln 9.
    rows = _rows()
    corner = 20e3
    time_constant = 1.0 / (2.0 * math.pi * corner)
    measures = measure_trace(
        partial_fractions(ZeroPoleGain((), (complex(time_constant),))), SquareWave(100.0)
    )
    assert measures.rise_time_s is not None
    expected = float(rows["rise time x f3dB (10-90 %)"]["exact"])
    assert measures.rise_time_s * corner == pytest.approx(expected, rel=1e-10)
    expected = float(rows["rise time / RC"]["exact"])
    assert measures.rise_time_s / time_constant == pytest.approx(expected, rel=1e-10)
    assert measures.overshoot == pytest.approx(0.0, abs=1e-12)


def test_disc_playback_step_response() -> None:
    with (DATA / "disc_playback_step_response.csv").open() as file:
        rows = [[float(c) for c in r] for r in list(csv.reader(file))[1:]]
    time, expected = np.array(rows).T
    playback = playback_chain(named_curve("disc"))
    # Half a period of 0.2 s: the tail of 3180 us has fallen to 1e-27.  The table's gain is 1 at
    # DC, that of playback 1 at 1 kHz; between edges the trace is A (2 step(t) - 1).
    at_rest = ZeroPoleGain(playback.zeros_s, playback.poles_s)
    trace = response_to_square_wave(partial_fractions(at_rest), SquareWave(2.5), time)
    np.testing.assert_allclose((trace + 1.0) / 2.0, expected, rtol=0, atol=1e-14)
