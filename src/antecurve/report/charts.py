"""Charts of results: response and error of a design, builds, square waves, a unit."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.quantities import format_quantity
from antecurve.report.chart import (
    BLACK,
    BLUE,
    GREEN,
    ORANGE,
    Band,
    Chart,
    Line,
    Panel,
    frequency_chart,
)
from antecurve.report.descriptions import setting_text

if TYPE_CHECKING:
    from antecurve.analysis.response import ResponseTable
    from antecurve.analysis.scope import FaultSheet, FaultTrace, ScopeTrace
    from antecurve.analysis.spread import SpreadResult
    from antecurve.analysis.waveform import SquareWave
    from antecurve.judge.observation import Trace
    from antecurve.judge.verdict import Verdict
    from antecurve.pipeline import Analysis

__all__ = [
    "deviation_chart",
    "error_chart",
    "fault_chart",
    "limit_lines",
    "moved_error_chart",
    "repair_chart",
    "response_chart",
    "scope_chart",
    "sparse_chart",
    "spread_chart",
    "trace_chart",
]

Floats = NDArray[np.float64]
_STRETCHES = 400  # of a capture, as many as a chart has pixels for
_EDGE = 0.05  # of the period: 50 µs at 1 kHz, in which a spike of 3.18 µs falls off
_LEAD = 0.01  # of the half period, shown before the edge
_WITH_EDGE = (16.0, 9.0)  # widths of a period and of its edge, by eye
_COLUMNS = 3  # of faults: as many as stay readable across a page
_NAMED_HEIGHT = 360.0  # px: the name of the vertical axis fits beside one row of faults
_HEADROOM = 1.6  # times the ideal trace: most faults fit, and the ideal one stays large
_SEEN_DB = 1e-6  # a difference below it is rounding, and one line hides the other
_SPARSE = 24.0  # points a decade: a level is within 0.005 dB between them, an error within 0.001 dB
_WIDEST_DB = 40.0  # of a deviation: beyond it the limit would be no more than the zero line


def response_chart(response: ResponseTable) -> Chart:
    """Chart the level of a network over frequency, and its difference from the published curve.

    Parameters
    ----------
    response : ResponseTable
        The response of a design.

    Returns
    -------
    Chart
        Level in dB re 1 kHz; below it the difference, which the level would hide.
    """
    hz = response.frequency_hz
    level = Line(x=hz, y=response.network_db, colour=BLUE)
    apart = Line(x=hz, y=response.network_db - response.published_db, colour=ORANGE)
    return Chart(
        panels=(
            Panel(marks=(level,), title="level of the network", y_label="dB re 1 kHz"),
            Panel(
                marks=(apart,), title="difference from the published time constants",
                y_label="dB",
            ),
        ),
        x_label="frequency in Hz", x_range=(float(hz[0]), float(hz[-1])), logarithmic=True,
        height=460.0,
    )  # fmt: skip


def error_chart(analysis: Analysis, *, limit_db: float | None) -> Chart:
    """Chart the error over the band with the limit and the band that builds fall into.

    Parameters
    ----------
    analysis : Analysis
        The analyses of a design.
    limit_db : float or None
        Limit of the error [dB].

    Returns
    -------
    Chart
        Error in dB, 0 at 1 kHz.
    """
    band_hz = analysis.error.job.band_hz
    response, curves = analysis.response, analysis.spread.curves
    bottom, top = curves.interval_db
    inside = response.within(band_hz)
    hz, error = response.frequency_hz[inside], response.error_db[inside]
    published = (response.network_db - response.published_db)[inside]
    marks: list[Line | Band] = [
        Band(
            x=curves.frequency_hz, low=bottom, high=top, colour=BLUE, label="95 % of builds",
            key="builds",
        ),
        *(Line(x=curves.frequency_hz, y=y, colour=BLUE, width=0.5) for y in (bottom, top)),
        Line(x=hz, y=error, colour=BLUE, label="nominal, against the job's curve", key="network"),
    ]  # fmt: skip
    if abs(published - error).max() > _SEEN_DB:
        label = "against published time constants"
        marks.append(
            Line(x=hz, y=published, colour=ORANGE, dash="dashed", label=label, key="published")
        )
    if limit_db is not None:
        marks += limit_lines(band_hz, limit_db, BLACK, "dotted", f"limit ±{limit_db:g} dB")
    return frequency_chart(tuple(marks), "error in dB, 0 at 1 kHz", band_hz)


def sparse_chart(chart: Chart) -> Chart:
    """Draw a chart over frequency through fewer points, for a page with a dozen of them.

    Parameters
    ----------
    chart : Chart
        Smooth lines and bands over frequency [Hz].

    Returns
    -------
    Chart
        The same marks at 24 frequencies a decade, 1 kHz and the ends among them.
    """
    low, high = chart.x_range
    count = 1 + math.ceil(_SPARSE * math.log10(high / low))
    frequency_hz = np.append(np.geomspace(low, high, count), REFERENCE_FREQUENCY_HZ)
    frequency_hz = np.unique(frequency_hz[(frequency_hz >= low) & (frequency_hz <= high)])
    panels = tuple(
        replace(panel, marks=tuple(_at(mark, frequency_hz) for mark in panel.marks))
        for panel in chart.panels
    )
    return replace(chart, panels=panels)


def _at(mark: Line | Band, frequency_hz: Floats) -> Line | Band:
    """A mark at other frequencies."""
    if isinstance(mark, Band):
        low, high = (_interpolated(mark.x, y, frequency_hz) for y in (mark.low, mark.high))
        return replace(mark, x=frequency_hz, low=low, high=high)
    return replace(mark, x=frequency_hz, y=_interpolated(mark.x, mark.y, frequency_hz))


def _interpolated(x: Floats, y: Floats, frequency_hz: Floats) -> Floats:
    """Values at other frequencies, straight between those known on a logarithmic axis."""
    return np.interp(np.log(frequency_hz), np.log(x), y)


def moved_error_chart(chart: Chart, *, frequency_hz: Floats, reach_db: float) -> Chart:
    """Chart the error for a page that moves it, with the job's own as a ghost behind it.

    Parameters
    ----------
    chart : Chart
        From `error_chart`.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Where the page computes [Hz].
    reach_db : float
        Ends of the fixed scale, above 0 [dB].

    Returns
    -------
    Chart
        All marks at the page's frequencies.
    """
    (panel,) = chart.panels
    moved: list[Line | Band] = []
    for mark in panel.marks:
        if isinstance(mark, Line) and mark.key == "network":
            y = _interpolated(mark.x, mark.y, frequency_hz)
            line = replace(mark, x=frequency_hz, y=y, label="nominal")
            ghost = replace(line, key="job", colour=BLACK, width=1.1, label="at the job's bench")
            moved += [ghost, line]
        elif isinstance(mark, Band) or mark.label or mark.dash != "solid":
            moved.append(_at(mark, frequency_hz))
    changed = replace(panel, marks=tuple(moved))
    return replace(chart, panels=(changed,), y_range=(-reach_db, reach_db))


def limit_lines(
    band_hz: tuple[float, float], limit_db: float, colour: str, dash: str, label: str
) -> list[Line]:
    """Draw both sides of a limit over its band.

    Parameters
    ----------
    band_hz : tuple of float
        Ends of the band [Hz].
    limit_db : float
        The limit [dB].
    colour, dash, label : str
        As in `Line`.

    Returns
    -------
    list of Line
        The upper side has the label.
    """
    return [
        Line(
            x=np.array(band_hz), y=np.full(2, side * limit_db), colour=colour, dash=dash,
            width=1.8, label=label if side > 0 else "",
        )
        for side in (1.0, -1.0)
    ]  # fmt: skip


def spread_chart(result: SpreadResult) -> Chart:
    """Chart the percentiles of the error of builds over frequency.

    Parameters
    ----------
    result : SpreadResult
        What builds do.

    Returns
    -------
    Chart
        One line a percentile, 0 dB at 1 kHz.
    """
    curves = result.curves
    middle = len(curves.percent) // 2
    marks = tuple(
        Line(
            x=curves.frequency_hz, y=error, label=f"{percent:g} %",
            colour=BLACK if number == middle else BLUE if number < middle else ORANGE,
            dash="solid" if abs(number - middle) < 2 else "dashed",
        )
        for number, (percent, error) in enumerate(
            zip(curves.percent, curves.error_db, strict=True)
        )
    )  # fmt: skip
    hz = curves.frequency_hz
    return frequency_chart(marks, "error in dB, 0 at 1 kHz", (hz[0], hz[-1]))


def _prefixed(largest: float, unit: str) -> tuple[float, str]:
    """A factor and a unit with prefix that make numbers of the size of `largest` readable."""
    for scale, prefix in ((1.0, ""), (1e3, "m"), (1e6, "µ"), (1e9, "n")):
        if largest * scale >= 1.0:
            return scale, prefix + unit
    return 1e12, "p" + unit


def _whole_period(wave: SquareWave, time: Floats, trace: Floats) -> tuple[Floats, Floats]:
    """Close the period, so that the last edge is drawn as well."""
    return np.append(time, 2.0 * wave.half_period_s), np.append(trace, trace[0])


def _with_lead(wave: SquareWave, time: Floats, trace: Floats) -> tuple[Floats, Floats]:
    """A period with what comes before its first edge, and both ends of its edges."""
    closed_time, closed = _whole_period(wave, time, trace)
    before = time > (2.0 - _LEAD) * wave.half_period_s
    lead_time = np.append(time[before] - 2.0 * wave.half_period_s, 0.0)
    return np.concatenate([lead_time, closed_time]), np.concatenate(
        [trace[before], trace[before][-1:], closed]
    )


def scope_chart(trace: ScopeTrace) -> Chart:
    """Chart the three traces of a square wave, one above the other, the edge of each beside it.

    Parameters
    ----------
    trace : ScopeTrace
        One period in steady state.

    Returns
    -------
    Chart
        EMF, at the unit's input, after playback; volts over time.
    """
    scale, unit = _prefixed(float(trace.time_s[-1]), "s")
    half = trace.wave.half_period_s * scale
    playback = f"{trace.playback.name}{setting_text(trace.set_to)}"
    panels = []
    for title, values, colour in (
        ("EMF of the generator", trace.input_v, ORANGE),
        ("at the unit's input", trace.network_v, BLUE),
        (f"after playback ({playback})", trace.playback_v, GREEN),
    ):
        time, closed = _with_lead(trace.wave, trace.time_s, values)
        volts, volt = _prefixed(float(np.abs(closed).max()), "V")
        line = Line(x=time * scale, y=closed * volts, colour=colour)
        edge = Panel(
            marks=(line,), title=f"edge, {1.0 / _EDGE:.0f} times as fast",
            x_range=(-_LEAD * half, (2.0 * _EDGE - _LEAD) * half),
        )  # fmt: skip
        panels += [Panel(marks=(line,), title=title, y_label=volt), edge]
    return Chart(
        panels=tuple(panels), x_label=f"time in {unit}", x_range=(0.0, 2.0 * half),
        height=560.0, widths=_WITH_EDGE,
    )  # fmt: skip


def fault_chart(sheet: FaultSheet) -> Chart:
    """Chart the common faults of playback side by side, ideal playback behind each.

    Parameters
    ----------
    sheet : FaultSheet
        The faults, ideal playback first.

    Returns
    -------
    Chart
        One panel a fault, all to the same scale; what exceeds it says so.
    """
    scale, unit = _prefixed(float(sheet.time_s[-1]), "s")
    limit = _HEADROOM * float(np.abs(sheet.traces[0].ideal_v).max())
    volts, volt = _prefixed(limit, "V")
    panels = []
    for trace in sheet.traces:
        time, reference = _whole_period(trace.wave, trace.time_s, trace.ideal_v)
        _, values = _whole_period(trace.wave, trace.time_s, trace.playback_v)
        ideal = Line(x=time * scale, y=reference * volts, colour=ORANGE, dash="dashed", width=1.4)
        slow = trace.wave != sheet.wave
        panels.append(
            Panel(
                marks=(ideal, Line(x=time * scale, y=values * volts, colour=BLUE, width=1.9)),
                title=trace.playback.name,
                note=_fault_note(trace, limit, slow=slow),
                x_range=(0.0, float(time[-1]) * scale) if slow else None,
            )
        )
    frequency = format_quantity(sheet.wave.frequency_hz, "Hz")
    amplitude = format_quantity(sheet.wave.amplitude_v, "V", digits=3)
    return Chart(
        panels=tuple(panels),
        x_label=f"time in {unit}",
        x_range=(0.0, float(sheet.time_s[-1] + sheet.time_s[1]) * scale),
        y_range=(-limit * volts, limit * volts),
        y_label=f"after playback in {volt}; dashed: ideal playback",
        widths=(1.0,) * _COLUMNS,
        height=max(_NAMED_HEIGHT, 60.0 + 160.0 * math.ceil(len(panels) / _COLUMNS)),
        title=f"Square wave of {frequency}, EMF ±{amplitude}{setting_text(sheet.set_to)}",
    )


def _fault_note(trace: FaultTrace, limit_v: float, *, slow: bool) -> str:
    """What a panel says of a fault: a wave of its own, or a peak beyond the scale."""
    if slow:
        return f"wave of {format_quantity(trace.wave.frequency_hz, 'Hz')}"
    peak = trace.measures.peak_v
    return f"peak ±{format_quantity(peak, 'V', digits=3)}" if peak > limit_v else ""


def deviation_chart(verdict: Verdict) -> Chart:
    """Chart the deviation of a unit with its uncertainty against the limits.

    Parameters
    ----------
    verdict : Verdict
        The verdict.

    Returns
    -------
    Chart
        Deviation in dB re 1 kHz.
    """
    deviation = verdict.deviation
    hz, centre = deviation.frequency_hz, deviation.deviation_db
    reach = deviation.expanded_uncertainty_db
    marks: list[Line | Band] = [
        Band(x=hz, low=centre - reach, high=centre + reach, colour=BLUE, label="95 % uncertainty"),
        Line(x=hz, y=centre, colour=BLUE, label="this unit"),
    ]
    for number, entry in enumerate(verdict.bands):
        band = entry.band
        label = "" if number else "limit"
        marks += limit_lines((band.low_hz, band.high_hz), band.limit_db, ORANGE, "dashed", label)
    largest = max(b.band.limit_db for b in verdict.bands)
    top = min(max(1.6 * largest, 1.1 * float(np.max(np.abs(centre))) + largest), _WIDEST_DB)
    return frequency_chart(
        tuple(marks), "deviation in dB re 1 kHz", verdict.band_hz, y_range=(-top, top)
    )


def repair_chart(before: Verdict, after: Verdict) -> Chart:
    """Chart the deviation of a unit before and after its repair against the limits.

    Parameters
    ----------
    before, after : Verdict
        The verdicts.

    Returns
    -------
    Chart
        Deviations in dB re 1 kHz, with the uncertainty of the later one.
    """
    chart = deviation_chart(after)
    hz, level = before.deviation.frequency_hz, before.deviation.deviation_db
    earlier = Line(x=hz, y=level, colour=GREEN, dash="dotted", label="before the repair")
    panel, limits = chart.panels[0], chart.y_range or (-1.0, 1.0)
    reach = min(max(limits[1], 1.1 * float(np.max(np.abs(level)))), _WIDEST_DB)
    marks = tuple(
        replace(m, label="after the repair") if m.label == "this unit" else m for m in panel.marks
    )
    changed = replace(panel, marks=(*marks, earlier))
    return replace(chart, panels=(changed,), y_range=(-reach, reach))


def trace_chart(trace: Trace) -> Chart:
    """Chart a capture with its fit, and what the fit leaves.

    Parameters
    ----------
    trace : Trace
        A square wave over time or a sweep over frequency.

    Returns
    -------
    Chart
        Captured and fitted; below it the difference.
    """
    shown = _extremes(trace.captured) if trace.over_time else np.arange(trace.position.size)
    x = trace.position[shown] * (1e3 if trace.over_time else 1.0)
    captured, fitted = trace.captured[shown], trace.fitted[shown]
    dots = 2.0 if trace.over_time else 4.0
    word, unit = ("captured", "V, mean 0") if trace.over_time else ("measured", "dB")
    order = np.argsort(x, kind="stable")
    x, captured, fitted = x[order], captured[order], fitted[order]
    scale, small = (1.0, "dB")
    if trace.over_time:
        scale, small = _prefixed(float(np.abs(captured - fitted).max()) or 1.0, "V")
    whole = Panel(
        marks=(
            Line(x=x, y=captured, colour=GREEN, dash="points", width=dots, label=word),
            Line(x=x, y=fitted, colour=BLUE, width=1.4, label="fitted"),
        ),
        y_label=unit,
    )
    remainder = Line(x=x, y=scale * (captured - fitted), colour=GREEN, dash="points", width=dots)
    strip = Panel(marks=(remainder,), title=f"{word} minus fitted", y_label=small)
    return Chart(
        panels=(whole, strip), x_range=(float(x[0]), float(x[-1])), height=380.0,
        x_label="time in ms" if trace.over_time else "frequency in Hz",
        logarithmic=not trace.over_time,
    )  # fmt: skip


def _extremes(values: Floats) -> NDArray[np.intp]:
    """Places of the least and the largest value of each stretch, so that no peak is lost."""
    if values.size <= 2 * _STRETCHES:
        return np.arange(values.size)
    ends = np.linspace(0, values.size, _STRETCHES + 1).astype(int)
    kept = [
        first + extreme(values[first:last])
        for first, last in pairwise(ends.tolist())
        for extreme in (np.argmin, np.argmax)
    ]
    return np.unique(np.array([0, *kept, values.size - 1]))
