"""Options of charts: what uPlot draws lies where the chart says."""

from __future__ import annotations

import json
from importlib import resources

import numpy as np
import pytest

from antecurve.report.chart import Band, Chart, Line, Panel, frequency_chart
from antecurve.report.chart_options import chart_options
from antecurve.report.chart_svg import chart_svg


def test_lines_share_the_frequencies_of_all() -> None:
    """Two lines and a band of other frequencies: straight in the logarithm, nothing outside."""
    coarse, fine = np.array([20.0, 20e3]), np.geomspace(20.0, 2e3, 5)
    chart = frequency_chart(
        (
            Band(x=coarse, low=coarse * 0 - 1, high=coarse * 0 + 1, colour="#0072B2", label="b"),
            Line(x=coarse, y=np.array([0.0, 3.0]), colour="#222222", dash="dashed", label="c"),
            Line(x=fine, y=np.arange(5.0), colour="#D55E00", key="moved"),
        ),
        "dB",
        (20.0, 20e3),
    )
    options = chart_options(chart)
    assert json.loads(json.dumps(options, allow_nan=False)) == options
    (panel,) = options["panels"]
    hz, high, low, across, moved = panel["data"]
    assert hz == pytest.approx([*fine, 20e3], rel=1e-4)
    assert set(high) == {1.0} and set(low) == {-1.0}
    # 200 Hz is one decade of three from 20 Hz, 2 kHz two: 1 and 2 of 3 dB.
    assert [across[2], across[4]] == pytest.approx([1.0, 2.0], rel=1e-4)
    assert moved == [0.0, 1.0, 2.0, 3.0, 4.0, None]
    assert panel["bands"] == [{"series": [1, 2], "fill": "network"}]
    assert [s.get("stroke") for s in panel["series"]] == [
        None, "network", "network", "ink", "ideal",
    ]  # fmt: skip
    assert panel["series"][3]["dash"] and panel["series"][4]["key"] == "moved"


def test_a_trace_keeps_its_edges_and_dots_their_places() -> None:
    time = np.linspace(0.0, 1.0, 4001)
    edge = np.where(time < 0.5, -1.0, 1.0)
    dots = Line(x=time[::1000], y=edge[::1000], colour="#009E73", dash="points")
    panel = Panel(marks=(Line(x=time, y=edge, colour="#0072B2"), dots), x_range=(0.4, 0.6))
    chart = Chart(panels=(panel,), x_label="time in s", x_range=(0.0, 1.0))
    (made,) = chart_options(chart)["panels"]
    x, line, seen = (np.array(v, dtype=float) for v in made["data"])
    assert x[0] >= 0.4 and x[-1] <= 0.6 and x.size < 500
    assert set(line) == {-1.0, 1.0}
    # The edge is no wider than a sample.
    (k,) = np.flatnonzero(np.diff(line))
    assert x[k + 1] - x[k] == pytest.approx(1 / 4000, rel=1e-3)
    assert x[~np.isnan(seen)] == pytest.approx([0.5])


def test_an_interval_at_a_point_is_a_whisker_on_screen_and_on_paper() -> None:
    """From 1 to 3 at 2, in an area of 634 by 286 px from 0 to 4: its ends by proportion."""
    at = np.array([1.0, 2.0])
    whiskers = Band(
        x=at, low=np.array([0.5, 1.0]), high=np.array([1.0, 3.0]), colour="#0072B2", pointwise=True
    )
    chart = Chart(
        panels=(Panel(marks=(whiskers,)),), x_label="verdicts", x_range=(0.0, 4.0),
        y_range=(0.0, 4.0),
    )  # fmt: skip
    (made,) = chart_options(chart)["panels"]
    x, high, low = made["data"]
    seen = [(a, b, c) for a, b, c in zip(x, low, high, strict=True) if c is not None]
    assert seen == [(1.0, 0.5, 1.0), (2.0, 1.0, 3.0)]
    assert not made["bands"] and made["series"][2]["whiskers"] and made["series"][2]["width"] > 0
    middle, top, height = 70.0 + 634.0 / 2, 10.0, 286.0
    line = f"M{middle:.1f} {top + height * 3 / 4:.1f}V{top + height / 4:.1f}"
    assert line in chart_svg(chart)


def test_the_charting_library_is_shipped_with_its_licence() -> None:
    folder = resources.files("antecurve.report") / "vendor" / "uplot"
    assert "Permission is hereby granted, free of charge" in (folder / "LICENSE").read_text()
    assert "uPlot (v1." in (folder / "uPlot.iife.min.js").read_text()[:80]
