"""Charts: round numbers along the axes, and points where the axes say they are."""

from __future__ import annotations

import re

import numpy as np
import pytest

from antecurve.report.chart import Line, frequency_chart, round_step, round_ticks
from antecurve.report.chart_svg import chart_svg

POINTS = re.compile(r'<polyline points="([^"]+)"')


@pytest.mark.parametrize(
    ("span", "count", "step"),
    [(10.0, 10, 1.0), (10.0, 5, 2.0), (10.0, 3, 5.0), (0.7, 7, 0.1), (1.6, 4, 0.5)],
)
def test_steps_are_one_two_or_five(span: float, count: int, step: float) -> None:
    assert round_step(span, count=count) == pytest.approx(step, rel=1e-12)


def test_ticks_are_within_the_axis_and_as_long_as_the_step_needs() -> None:
    assert list(round_ticks(-0.13, 0.11, 5).values()) == ["−0.10", "−0.05", "0.00", "0.05", "0.10"]
    assert list(round_ticks(0.0, 1000.0, 2).values()) == ["0", "500", "1000"]


@pytest.mark.parametrize("level", [0.0, 1e-9, 5e-4])
def test_a_flat_level_has_an_axis_of_a_tenth_of_a_decibel(level: float) -> None:
    """Ends and ticks of a level that is all zero, or nearly, over frequency."""
    hz = np.array([20.0, 1e3, 20e3])
    line = Line(x=hz, y=np.array([-level, 0.0, level]), colour="#000000")
    chart = frequency_chart((line,), "dB", (20.0, 20e3))
    low, high = chart.y_ends(chart.panels[0])
    assert -0.12 < low <= -0.1 and 0.1 <= high < 0.12
    assert {"−0.10", "0.00", "0.10"} <= set(re.findall(r">([^<]+)</text>", chart_svg(chart)))


def test_points_lie_on_the_scale_of_the_ticks() -> None:
    """A line through (100 Hz, 1 dB) and (10 kHz, -2 dB), read back by the grid's own marks."""
    hz, level = np.array([100.0, 1e4]), np.array([1.0, -2.0])
    chart = frequency_chart(
        (Line(x=hz, y=level, colour="#000000"),), "dB", (20.0, 20e3), y_range=(-3.0, 3.0)
    )
    svg = chart_svg(chart)
    texts = {
        words: (float(x), float(y))
        for x, y, words in re.findall(r'<text x="([\d.]+)" y="([\d.]+)"[^>]*>([^<]+)</text>', svg)
    }
    line = POINTS.search(svg)
    assert line is not None
    (x0, y0), (x1, y1) = (map(float, p.split(",")) for p in line[1].split())
    # Tenths of a px; the words stand 4.5 px below the line of their tick.
    assert (x0, x1) == pytest.approx((texts["100"][0], texts["10k"][0]), abs=0.11)
    assert (y0, y1) == pytest.approx((texts["1"][1] - 4.5, texts["−2"][1] - 4.5), abs=0.11)


def test_points_that_a_line_passes_are_left_out_and_others_are_not() -> None:
    x = np.linspace(20.0, 20e3, 2001)
    bend = np.interp(x, [20.0, 5e3, 20e3], [0.0, 3.0, -3.0])
    chart = frequency_chart((Line(x=x, y=bend, colour="#000000"),), "dB", (20.0, 20e3))
    line = POINTS.search(chart_svg(chart))
    assert line is not None
    points = np.array([[float(v) for v in p.split(",")] for p in line[1].split()])
    assert len(points) < len(x) / 4
    # The bend itself stays: the highest point, 3 of 6.72 dB below the top of the area.
    assert points[:, 1].min() == pytest.approx(10.0 + 286.0 * 0.36 / 6.72, abs=0.2)


def test_an_axis_has_two_numbers_at_least() -> None:
    assert list(round_ticks(-8.45, -7.55, 4).values()) == ["−8.4", "−8.2", "−8.0", "−7.8", "−7.6"]
    assert list(round_ticks(0.0, 10.0, 4).values()) == ["0", "5", "10"]
