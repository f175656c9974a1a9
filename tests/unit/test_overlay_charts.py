"""Charts of output and stimulus laid over each other."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from antecurve.judge.overlay import Overlay
from antecurve.report.chart import Line
from antecurve.report.overlay_charts import octave_chart, octave_rows, octave_text, overlay_chart
from antecurve.report.plots import overlay_files


@pytest.fixture
def laid() -> Overlay:
    """Ten octaves, distortion in two, the largest difference at 0.7 s."""
    time = np.arange(48_000) / 48e3
    difference = 0.01 * np.sin(2 * np.pi * 1000 * time) * np.exp(-(((time - 0.7) / 0.01) ** 2))
    octaves = 1000.0 * 2.0 ** np.arange(-5.0, 5.0)
    seen = np.where(np.arange(10) < 2, -60.0, np.nan)
    level = -50.0 + np.arange(10.0)
    output = np.sin(2 * np.pi * 500 * time)
    return Overlay(
        0.0, 0.0, 1, -40.0, -41.0, -60.0, None, octaves, level, level - 1.0, level - 9.0, seen,
        48e3, output, difference,
    )  # fmt: skip


def test_traces_are_shown_where_they_differ_most(laid: Overlay) -> None:
    chart = overlay_chart(laid)
    low, high = chart.x_range
    assert low < 700.0 < high and high - low == pytest.approx(20.0, abs=0.1)
    stimulus, output = chart.panels[0].marks
    (difference,) = chart.panels[1].marks
    assert isinstance(stimulus, Line) and isinstance(output, Line) and isinstance(difference, Line)
    assert np.allclose(output.y - stimulus.y, difference.y)


def test_octaves_are_charted_tabulated_and_told(laid: Overlay) -> None:
    labels = [mark.label for mark in octave_chart(laid).panels[0].marks]
    assert labels == ["difference", "response", "noise and hum", "distortion"]
    rows = octave_rows(laid).rows
    assert rows[0] == ("31.25", "-50.0", "-51.0", "-59.0", "-60.0")
    assert rows[2][4] == "-"
    assert "16000 Hz: -41.0 dB" in octave_text(laid)


def test_pictures_are_files(laid: Overlay) -> None:
    files = overlay_files(laid, mark="-other")
    assert set(files) == {"overlay-other.svg", "difference-other.svg"}
    assert all(ElementTree.fromstring(f).tag.endswith("svg") for f in files.values())
