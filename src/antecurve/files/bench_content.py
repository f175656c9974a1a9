"""Loading, level, noise, traces and the bench sheet as plain data for JSON, and as CSV tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, fields
from typing import TYPE_CHECKING, Any

from antecurve.analysis.bench_plan import BenchPlan
from antecurve.analysis.impedance_advice import GeneratorAdvice
from antecurve.analysis.noise import NoiseReport
from antecurve.analysis.peaks import PeakReport
from antecurve.analysis.scope import ScopeTrace
from antecurve.files.table import csv_bytes

if TYPE_CHECKING:
    import pandas

__all__ = [
    "advice_content",
    "bench_plan_content",
    "frame_csv",
    "frame_rows",
    "scope_csv",
]


def frame_rows(frame: pandas.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a data frame as plain data; what is not finite becomes ``None``.

    Parameters
    ----------
    frame : pandas.DataFrame
        Any table.

    Returns
    -------
    list of dict
        One entry a row.
    """
    return [
        {str(k): None if isinstance(v, float) and not math.isfinite(v) else v for k, v in r.items()}
        for r in frame.to_dict(orient="records")
    ]


def frame_csv(frame: pandas.DataFrame) -> bytes:
    """Return a data frame as CSV with full precision; what is not finite is an empty cell.

    Parameters
    ----------
    frame : pandas.DataFrame
        Any table.

    Returns
    -------
    bytes
        The file's content.
    """
    rows = frame_rows(frame)
    return csv_bytes([str(c) for c in frame.columns], (list(row.values()) for row in rows))


def scope_csv(trace: ScopeTrace) -> bytes:
    """Return a trace as ``scope.csv``.

    Parameters
    ----------
    trace : ScopeTrace
        One period in steady state.

    Returns
    -------
    bytes
        Columns ``time_s``, ``input_v``, ``network_v``, ``playback_v``.
    """
    names = ("time_s", "input_v", "network_v", "playback_v")
    columns = [getattr(trace, name).tolist() for name in names]
    return csv_bytes(names, zip(*columns, strict=True))


def advice_content(advice: Sequence[GeneratorAdvice]) -> list[dict[str, Any]]:
    """Return advice about generators as plain data.

    Parameters
    ----------
    advice : sequence of GeneratorAdvice
        The advice.

    Returns
    -------
    list of dict
        One entry a generator.
    """
    return [{**asdict(a), "holds": a.holds} for a in advice]


def _noise(report: NoiseReport) -> dict[str, Any]:
    ratios = ("snr_db", "weighted_snr_db", "playback_snr_db", "weighted_playback_snr_db")
    return {
        **{f.name: getattr(report, f.name) for f in fields(report)},
        "band_hz": list(report.band_hz),
        **{name: getattr(report, name) for name in ratios},
    }


def _peak(report: PeakReport) -> dict[str, Any]:
    slew = report.slew_v_per_s
    return {
        "frequency_hz": report.wave.frequency_hz,
        "amplitude_v": report.wave.amplitude_v,
        "rise_time_s": report.wave.rise_time_s,
        "peak_v": report.peak_v,
        "peak_time_s": report.peak_time_s,
        "slew_v_per_s": slew if math.isfinite(slew) else None,
        "overload_v": report.overload_v,
        "overloads": report.overloads,
        "largest_amplitude_v": report.largest_amplitude_v,
    }


def bench_plan_content(found: BenchPlan) -> dict[str, Any]:
    """Return everything that the bench needs to know as plain data.

    Parameters
    ----------
    found : BenchPlan
        A design on the bench.

    Returns
    -------
    dict
        ``sheet``, ``level``, ``inputs``, ``noise``, ``square_wave``, ``parts``, ``delay``,
        ``faults``.
    """
    return {
        "sheet": found.sheet.as_dict(),
        "level": found.level.as_dict(),
        "inputs": frame_rows(found.plan.to_frame()),
        "noise": _noise(found.noise),
        "square_wave": _peak(found.peak),
        "parts": {
            "amplitude_v": found.stresses.amplitude_v,
            "positions": frame_rows(found.stresses.to_frame()),
        },
        "delay": frame_rows(found.delay.to_frame()),
        "faults": frame_rows(found.faults.to_frame()),
    }
