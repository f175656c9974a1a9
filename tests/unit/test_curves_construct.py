"""Curves from frequencies, from turnover and cut, with limits; their tables."""

from __future__ import annotations

import math

import numpy as np
import pytest

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import (
    curve_from_turnover,
    cut_from_time_constant,
    time_constant_from_cut,
    time_constant_from_frequency,
    with_limits,
)
from antecurve.curves.model import Curve, inverse_response, level_db, response, zero_pole_gain
from antecurve.curves.tabulate import curve_table, third_octave_frequencies
from antecurve.errors import InputError

US = 1e-6


def test_cut_and_time_constant_are_each_others_inverse() -> None:
    for cut in (0.1, 5.0, 10.5, 13.7, 16.0, 24.0):
        assert cut_from_time_constant(time_constant_from_cut(cut)) == pytest.approx(cut, rel=1e-12)


@pytest.mark.parametrize("cut", [0.0, -3.0, math.nan, 200.0])
def test_impossible_cuts_are_refused(cut: float) -> None:
    with pytest.raises(InputError, match="cut"):
        time_constant_from_cut(cut)


def test_turnover_with_and_without_shelf() -> None:
    shelf = curve_from_turnover(turnover_hz=500.0, cut_db=13.7, shelf_hz=50.0)
    assert shelf.zeros_at_origin == 0
    assert [round(t / US) for t in shelf.zeros_s] == [3183, 75]
    bare = curve_from_turnover(turnover_hz=500.0, cut_db=None)
    assert (bare.zeros_s, bare.zeros_at_origin) == ((), 1)
    # 6 dB per octave towards the bass, -3 dB at the turnover.
    level = level_db(bare, [10.0, 20.0, 500.0, 1e6])
    assert level[1] - level[0] == pytest.approx(20 * math.log10(2), abs=0.01)
    assert level[3] - level[2] == pytest.approx(10 * math.log10(2), abs=0.001)
    flat = curve_from_turnover(turnover_hz=None, cut_db=10.0)
    assert (flat.poles_s, flat.zeros_at_origin, len(flat.zeros_s)) == ((), 0, 1)


@pytest.mark.parametrize(
    "wrong",
    [
        {"turnover_hz": 500.0, "cut_db": 13.7, "shelf_hz": 600.0},
        {"turnover_hz": None, "cut_db": 13.7, "shelf_hz": 50.0},
        {"turnover_hz": -1.0, "cut_db": 13.7},
        {"turnover_hz": None, "cut_db": None},
        {"turnover_hz": 500.0, "cut_db": -2.0},
    ],
)
def test_impossible_turnovers_are_refused(wrong: dict[str, float | None]) -> None:
    with pytest.raises(InputError, match="curve"):
        curve_from_turnover(**wrong)  # type: ignore[arg-type]


def test_limits_are_apart_from_the_published_curve() -> None:
    curve = with_limits(
        named_curve("disc-amended"), ultrasonic_poles_hz=[50e3], low_end_bound_hz=2.0
    )
    assert zero_pole_gain(curve).poles_at_origin == 0
    assert zero_pole_gain(curve).poles_s[0] == pytest.approx(time_constant_from_frequency(2.0))
    assert zero_pole_gain(curve, published=True).poles_at_origin == 1
    unit = response(curve, [20.0, 1e4], published=True) * inverse_response(curve, [20.0, 1e4])
    assert unit == pytest.approx(1.0, abs=1e-12)
    with pytest.raises(InputError, match="does not rise towards DC"):
        with_limits(named_curve("disc"), low_end_bound_hz=2.0)


def test_unknown_names_are_answered_with_the_known() -> None:
    with pytest.raises(InputError, match="the catalogue has disc, disc-amended"):
        named_curve("shellac")


def test_table_of_a_curve() -> None:
    curve = with_limits(named_curve("disc"), ultrasonic_poles_hz=[50e3])
    table = curve_table(curve)
    assert len(table.frequency_hz) == 31
    at_1khz = int(np.flatnonzero(table.frequency_hz == 1000.0)[0])
    assert (table.emphasis_db[at_1khz], table.playback_db[at_1khz]) == pytest.approx(
        (0, 0), abs=1e-12
    )
    # The pole is in the emphasis alone: design figure 0.645 dB at 20 kHz for 50 kHz re DC.
    pole = table.emphasis_db[-1] + table.playback_db[-1]
    assert pole == pytest.approx(-0.645 + 10 * math.log10(1 + (1 / 50) ** 2), abs=0.001)
    angle = np.degrees(np.angle(response(curve, table.frequency_hz)))
    assert table.phase_deg == pytest.approx(angle, abs=1e-9)
    assert not table.emphasis_db.flags.writeable


def test_phase_of_many_zeros_does_not_jump() -> None:
    curve = Curve("own", (1e-2, 1e-3, 1e-4), (), zeros_at_origin=1)
    phase = curve_table(curve, np.geomspace(1, 1e6, 50)).phase_deg
    assert np.all(np.diff(phase) > 0)
    assert phase[-1] == pytest.approx(360.0, abs=1.0)


def test_frequency_ranges() -> None:
    assert third_octave_frequencies(low_hz=31.5, high_hz=31.5).tolist() == [31.5]
    with pytest.raises(InputError, match="low end <= high end"):
        third_octave_frequencies(low_hz=100.0, high_hz=50.0)
