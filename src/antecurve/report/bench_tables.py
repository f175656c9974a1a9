"""Loading, level, noise, traces and the bench sheet in words and tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from antecurve.quantities import format_quantity
from antecurve.report.text_table import (
    TextTable,
    column,
    declared,
    percent,
    quantity,
    signed,
    signed_cells,
    table_from,
    table_of,
)

if TYPE_CHECKING:
    from antecurve.analysis.delay import DelayTable
    from antecurve.analysis.generator import LevelPlan, PlannedInput
    from antecurve.analysis.impedance_advice import GeneratorAdvice
    from antecurve.analysis.level import LevelReport
    from antecurve.analysis.loading import LoadingResult
    from antecurve.analysis.loading_window import LoadingWindow, Span
    from antecurve.analysis.noise import NoiseReport
    from antecurve.analysis.peaks import PeakReport
    from antecurve.analysis.scope import FaultSheet, FaultTrace, LimitedPeaks, TraceMeasures
    from antecurve.analysis.strays import StrayTable

__all__ = [
    "advice_lines",
    "combination_rows",
    "delay_rows",
    "fault_rows",
    "level_lines",
    "limited_line",
    "measure_rows",
    "noise_rows",
    "peak_lines",
    "plan_rows",
    "stray_rows",
    "window_lines",
]


def _ohm(value: float) -> str:
    return format_quantity(value, "ohm")


def _farad(value: float) -> str:
    return format_quantity(value, "F", digits=3)


def _rise_time(value: float | None) -> str:
    return "-" if value is None else format_quantity(value, "s", digits=3)


_ICE_POINT_K = 273.15  # 0 °C by definition (SI brochure, 2.3.1)


def _volt(value: float) -> str:
    return format_quantity(value, "V")


def _computed_volt(value: float) -> str:
    return format_quantity(value, "V", padded=True)


def _microseconds(value: float) -> str:
    """A delay in microseconds, to a nanosecond or four digits."""
    micro = value * 1e6
    whole = len(f"{abs(micro):.0f}")
    return signed(micro, digits=max(4 - whole, 0))


def combination_rows(result: LoadingResult) -> TextTable:
    """Tabulate every combination of generator and unit.

    Parameters
    ----------
    result : LoadingResult
        The table.

    Returns
    -------
    TextTable
        One row a combination, nominal first.
    """
    return table_of(
        column("generator", result.source_ohm, quantity("ohm")),
        column("unit", result.load_ohm, quantity("ohm")),
        column("with cable", result.load_f, quantity("F", digits=3)),
        column("level shift dB", result.level_shift_db, signed_cells(3)),
        column("error dB", result.error_centred_db, "{:.3f}".format),
    )


def window_lines(window: LoadingWindow) -> list[str]:
    """Say how far source and load may go, one line a quantity.

    Parameters
    ----------
    window : LoadingWindow
        The window.

    Returns
    -------
    list of str
        Sentences.
    """

    def between(span: Span, unit: str) -> str:
        if not span.low and span.high is None:
            return "any value"
        if not span.low:
            assert span.high is not None
            return f"up to {format_quantity(span.high, unit, digits=3)}"
        low = format_quantity(span.low, unit, digits=3)
        if span.high is None:
            return f"{low} or more"
        return f"{low} to {format_quantity(span.high, unit, digits=3)}"

    return [
        f"The error grows by {window.growth_db:g} dB at most, to {window.limit_db:.3f} dB, "
        "with any one of these:",
        f"  a generator of {between(window.source_ohm, 'ohm')}",
        f"  a unit of {between(window.load_ohm, 'ohm')}",
        f"  a capacitance of unit and cable of {between(window.load_f, 'F')}",
    ]


def advice_lines(advice: Sequence[GeneratorAdvice]) -> list[str]:
    """Say which other generators a network takes, and what the others need.

    Parameters
    ----------
    advice : sequence of GeneratorAdvice
        One a generator.

    Returns
    -------
    list of str
        Those it takes in one sentence, then one line for each other.
    """
    taken = [_ohm(a.source_ohm) for a in advice if a.holds]
    lines = [a.sentence for a in advice if not a.holds]
    if len(taken) > 1:
        lines.insert(0, f"Generators of {', '.join(taken[:-1])} and {taken[-1]} can be used.")
    elif taken:
        lines.insert(0, f"A generator of {taken[0]} can be used.")
    return lines


def stray_rows(table: StrayTable, *, most: int = 12) -> TextTable:
    """Tabulate the strays that matter most.

    Parameters
    ----------
    table : StrayTable
        Strays, the worst first.
    most : int, optional
        Number of rows.

    Returns
    -------
    TextTable
        One row a stray.
    """
    return table_from(
        table.rows[:most],
        declared("between", "nodes", " - ".join, right=False),
        declared("across", lambda row: " ".join(row.across) or None, right=False),
        declared("stray", "capacitance_f", _farad),
        declared("level shift dB", "level_shift_db", signed_cells(3)),
        declared("error dB", "error_centred_db", "{:.3f}".format),
        declared("growth dB", "growth_db", signed_cells(3)),
    )


def level_lines(report: LevelReport) -> list[str]:
    """Word level and impedances, one line a statement.

    Parameters
    ----------
    report : LevelReport
        The level.

    Returns
    -------
    list of str
        Sentences.
    """
    low, *others, high = (
        f"{gain:z.2f} dB at {format_quantity(f, 'Hz')}"
        for f, gain in zip(report.decades_hz, report.decades_db, strict=True)
    )
    return [
        f"Level at 1 kHz {_volt(report.output_v)}, {report.gain_db_at_1khz:z.2f} dB re EMF.",
        f"Output over EMF: {low}, {high}; between them {', '.join(others)}.",
        f"Output impedance at 1 kHz {_ohm(report.output_resistance_ohm_at_1khz)}; "
        f"input impedance at least {_ohm(report.input_impedance_ohm_min)} in the band.",
    ]


def plan_rows(plan: LevelPlan) -> TextTable:
    """Tabulate the generator's settings for each kind of input.

    Parameters
    ----------
    plan : LevelPlan
        The plan.

    Returns
    -------
    TextTable
        One row an input.
    """

    def pad(planned: PlannedInput) -> str | None:
        made = planned.pad
        if made is None:
            return None
        return (
            f"{made.attenuation_db:.1f} dB: {_ohm(made.series_ohm)} in series, "
            f"{_ohm(made.shunt_ohm)} across"
        )

    advised = any(planned.advice for planned in plan.inputs)
    return table_from(
        plan.inputs,
        declared("input", "kind.name", right=False),
        declared("wanted", "kind.level_v", _volt),
        declared("resistance", "kind.load_resistance", _ohm),
        declared("set EMF", "setting.emf_v", _computed_volt),
        declared("setting in its own load mode", "setting.displayed_v", _computed_volt),
        declared("error dB", "error_centred_db", "{:.3f}".format),
        declared("or a pad at the generator", pad, right=False),
        *([declared("advice", lambda p: p.advice or None, right=False)] if advised else []),
    )


def noise_rows(report: NoiseReport) -> TextTable:
    """Tabulate noise and signal-to-noise ratios.

    Parameters
    ----------
    report : NoiseReport
        The noise.

    Returns
    -------
    TextTable
        One row a place and a weighting.
    """
    quantities = (
        ("at the unit's input", report.noise_v, report.snr_db),
        ("at the unit's input, A-weighted", report.weighted_noise_v, report.weighted_snr_db),
        ("after ideal playback", report.playback_noise_v, report.playback_snr_db),
        (
            "after ideal playback, A-weighted",
            report.weighted_playback_noise_v,
            report.weighted_playback_snr_db,
        ),
    )
    low, high = (format_quantity(f, "Hz") for f in report.band_hz)
    celsius = report.temperature_k - _ICE_POINT_K
    return table_of(
        column(
            f"noise of {_noise_sources(report)}, {low} to {high}, {celsius:.4g} °C",
            [name for name, _, _ in quantities],
            right=False,
        ),
        column("noise", [noise for _, noise, _ in quantities], _computed_volt),
        column("signal-to-noise dB", [ratio for _, _, ratio in quantities], "{:.1f}".format),
    )


def _noise_sources(report: NoiseReport) -> str:
    sources = ["source", "network"]
    if report.noisy_load:
        sources.append("load")
    if report.unit_density:
        sources.append(f"unit ({format_quantity(report.unit_density, 'V')}/√Hz)")
    return f"{', '.join(sources[:-1])} and {sources[-1]}"


def peak_lines(report: PeakReport) -> list[str]:
    """Word peak and slew of a square wave, one line a statement.

    Parameters
    ----------
    report : PeakReport
        The peak.

    Returns
    -------
    list of str
        Sentences.
    """
    wave = report.wave
    edge = f" with edges of {format_quantity(wave.rise_time_s, 's')}" if wave.rise_time_s else ""
    slew = (
        "without bound (it jumps)"
        if math.isinf(report.slew_v_per_s)
        else f"{report.slew_v_per_s * 1e-6:.3g} V/µs"
    )
    frequency = format_quantity(wave.frequency_hz, "Hz")
    lines = [
        f"A square wave of {frequency}, EMF ±{_volt(wave.amplitude_v)}{edge}, "
        f"peaks at ±{_volt(report.peak_v)} at the unit's input. It slews {slew} there."
    ]
    if report.overload_v is not None and report.largest_amplitude_v is not None:
        word = "overloads" if report.overloads else "stays below"
        lines.append(
            f"It {word} an input that takes ±{_volt(report.overload_v)}; the largest such square "
            f"wave is EMF ±{_volt(report.largest_amplitude_v)}."
        )
    return lines


def measure_rows(measures: Sequence[tuple[str, TraceMeasures]]) -> TextTable:
    """Tabulate tilt, overshoot and rise time of traces.

    Parameters
    ----------
    measures : sequence of (str, TraceMeasures)
        Names and numbers.

    Returns
    -------
    TextTable
        One row a trace.
    """
    return table_from(
        measures,
        declared("trace", lambda row: row[0], right=False),
        declared("peak", lambda row: f"±{_computed_volt(row[1].peak_v)}"),
        declared("tilt", lambda row: row[1].tilt, lambda tilt: f"{tilt * 100:z.2f} %"),
        declared("overshoot", lambda row: row[1].overshoot, percent(1)),
        declared("rise time", lambda row: row[1].rise_time_s, quantity("s", digits=3, padded=True)),
    )


def fault_rows(sheet: FaultSheet, *, first: int = 0) -> TextTable:
    """Tabulate the common faults of playback in numbers.

    Parameters
    ----------
    sheet : FaultSheet
        The faults, ideal playback first.
    first : int, optional
        First trace shown, 0 or more.

    Returns
    -------
    TextTable
        One row a fault; one that needs a slower wave says so.
    """

    def name(trace: FaultTrace) -> str:
        if trace.wave == sheet.wave:
            return trace.playback.name
        wave = format_quantity(trace.wave.frequency_hz, "Hz")
        return f"{trace.playback.name}, wave of {wave}"

    return measure_rows([(name(t), t.measures) for t in sheet.traces[first:]])


def delay_rows(table: DelayTable) -> TextTable:
    """Tabulate phase and group delay.

    Parameters
    ----------
    table : DelayTable
        The table.

    Returns
    -------
    TextTable
        One row a frequency.
    """
    return table_of(
        column("frequency", table.frequency_hz, quantity("Hz")),
        column("network phase °", table.network_phase_deg, signed_cells(2)),
        column("network delay µs", table.network_delay_s, _microseconds),
        column("with playback °", table.chain_phase_deg, signed_cells(2)),
        column("with playback delay µs", table.chain_delay_s, _microseconds),
    )


def limited_line(limited: LimitedPeaks) -> str:
    """Tabulate the peak at the unit's input as real instruments show it.

    Parameters
    ----------
    limited : LimitedPeaks
        The peaks.

    Returns
    -------
    str
        One line.
    """
    peak, edge, seen = (
        _computed_volt(value)
        for value in (limited.peak_v, limited.rise_time_peak_v, limited.bandwidth_peak_v)
    )
    return (
        f"Peak at the unit's input {peak}. With a generator's edge of "
        f"{format_quantity(limited.rise_time_s, 's')} it is {edge}, and {seen} on an "
        f"oscilloscope of {format_quantity(limited.bandwidth_hz, 'Hz')} bandwidth."
    )
