"""Figures in words: what a reader who does not see one has to know of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from antecurve.quantities import format_quantity
from antecurve.report.text_table import signed

if TYPE_CHECKING:
    from antecurve.analysis.response import ResponseTable
    from antecurve.analysis.scope import FaultSheet, ScopeTrace
    from antecurve.judge.observation import Trace
    from antecurve.judge.verdict import Verdict
    from antecurve.networks.topology import Loading
    from antecurve.parts.position import PickedNetwork
    from antecurve.pipeline import Analysis

__all__ = [
    "deviation_text",
    "error_text",
    "fault_text",
    "response_text",
    "schematic_text",
    "scope_text",
    "setting_text",
    "trace_text",
]

_WORST_FAULTS = 3  # that a sentence can hold


def _hertz(frequency: float) -> str:
    return format_quantity(frequency, "Hz")


def schematic_text(picked: PickedNetwork, loading: Loading) -> str:
    """Describe a schematic in words.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.
    loading : Loading
        Source and load.

    Returns
    -------
    str
        From the generator by way of every position to the unit.
    """
    positions = "; ".join(
        f"{p.element.ref} {format_quantity(p.value, p.element.kind.unit)} "
        f"from {p.element.nodes[0]} to {p.element.nodes[1]}"
        for p in picked.positions
    )
    return (
        f"Network {picked.topology.form}. Generator with "
        f"{format_quantity(loading.source_resistance, 'ohm')} at in; {positions}; unit with "
        f"{format_quantity(loading.load_resistance, 'ohm')} and "
        f"{format_quantity(loading.load_capacitance, 'F')} at the output."
    )


def error_text(analysis: Analysis, *, limit_db: float | None) -> str:
    """Describe the figure of the error in words.

    Parameters
    ----------
    analysis : Analysis
        The analyses of a design.
    limit_db : float or None
        Limit of the error [dB].

    Returns
    -------
    str
        Extremes over the band, of the nominal network and of 95 % of builds, and the limit.
    """
    low, high = analysis.error.job.band_hz
    response, curves = analysis.response, analysis.spread.curves
    error = response.error_db[response.within((low, high))]
    bottom, top = curves.interval_db
    text = (
        f"The error re 1 kHz lies between {signed(float(error.min()), digits=3)} and "
        f"{signed(float(error.max()), digits=3)} dB from {_hertz(low)} to {_hertz(high)}. "
        f"95 % of builds lie between {signed(float(bottom.min()), digits=2)} and "
        f"{signed(float(top.max()), digits=2)} dB."
    )
    return text if limit_db is None else f"{text} The limit is ±{limit_db:g} dB."


def response_text(response: ResponseTable) -> str:
    """Describe the figure of the level in words.

    Parameters
    ----------
    response : ResponseTable
        The response of a design.

    Returns
    -------
    str
        Levels of the network and of the published curve at the ends and at 20 kHz.
    """
    wanted = np.array((20.0, 100.0, 10e3, 20e3)) * 0.999
    at = np.searchsorted(response.frequency_hz, wanted).tolist()
    last = response.frequency_hz.size - 1
    shown = ", ".join(
        f"{signed(float(response.network_db[k]), digits=1)} dB at "
        f"{_hertz(float(response.frequency_hz[k]))}"
        for k in dict.fromkeys(min(k, last) for k in (*at, last))
    )
    apart = np.abs(response.network_db - response.published_db)
    audible = response.frequency_hz <= 20e3 * 1.001
    return (
        f"Re 1 kHz: {shown}. Up to 20 kHz it is at most "
        f"{float(apart[audible].max()):.2f} dB, up to {_hertz(float(response.frequency_hz[-1]))} "
        f"{float(apart.max()):.1f} dB from the published time constants."
    )


def setting_text(set_to: str) -> str:
    """Name the curve that a unit is set to, behind what it shows.

    Parameters
    ----------
    set_to : str
        The curve in words; empty for that of the network.

    Returns
    -------
    str
        Begins with a comma; empty where there is nothing to say.
    """
    return f", unit set to {set_to}" if set_to else ""


def scope_text(trace: ScopeTrace) -> str:
    """Describe the figure of a square wave in words.

    Parameters
    ----------
    trace : ScopeTrace
        One period in steady state.

    Returns
    -------
    str
        Peaks along the way and the tilt at its end.
    """
    peaks = [
        format_quantity(float(np.abs(v).max()), "V", digits=3)
        for v in (trace.input_v, trace.network_v, trace.playback_v)
    ]
    tilt = trace.playback_measures.tilt
    top = "" if tilt is None else f" with a tilt of {tilt * 100:z.2f} %"
    setting = setting_text(trace.set_to)
    return (
        f"The generator swings ±{peaks[0]}; at the unit's input the wave peaks at ±{peaks[1]}; "
        f"after playback ({trace.playback.name}{setting}) at ±{peaks[2]}{top}."
    )


def fault_text(sheet: FaultSheet) -> str:
    """Describe the figure of common faults in words.

    Parameters
    ----------
    sheet : FaultSheet
        The faults, ideal playback first.

    Returns
    -------
    str
        The faults that bend the wave most; the table has them all.
    """
    ranked = sorted(sheet.traces[1:], key=lambda t: -float(np.abs(t.playback_v - t.ideal_v).max()))
    most = ", ".join(
        f"{t.playback.name} with a peak of ±{format_quantity(t.measures.peak_v, 'V', digits=3)}"
        for t in ranked[:_WORST_FAULTS]
    )
    peak = format_quantity(sheet.traces[0].measures.peak_v, "V", digits=3)
    shown = f"Ideal playback gives a flat square wave of ±{peak}."
    if sheet.set_to:
        shown = f"A correct unit set to {sheet.set_to} shows a wave with a peak of ±{peak}."
    return (
        f"{shown} The faults that bend it most: {most}. The table below has all of them in numbers."
    )


def deviation_text(verdict: Verdict) -> str:
    """Describe the figure of a unit's deviation in words.

    Parameters
    ----------
    verdict : Verdict
        The verdict.

    Returns
    -------
    str
        Extremes of the deviation, its uncertainty and the limits.
    """
    deviation = verdict.deviation
    limits = ", ".join(
        f"±{b.band.limit_db:g} dB from {_hertz(b.band.low_hz)} to {_hertz(b.band.high_hz)}"
        for b in verdict.bands
    )
    lowest, highest = float(deviation.deviation_db.min()), float(deviation.deviation_db.max())
    uncertainty = float(deviation.expanded_uncertainty_db.max())
    return (
        f"The deviation re 1 kHz lies between {signed(lowest, digits=2)} "
        f"and {signed(highest, digits=2)} dB, known to "
        f"±{uncertainty:.2f} dB or better; the limit is {limits}."
    )


def trace_text(trace: Trace) -> str:
    """Describe the figure of a capture in words.

    Parameters
    ----------
    trace : Trace
        A square wave over time or a sweep over frequency.

    Returns
    -------
    str
        How far capture and fit are apart.
    """
    apart = float(np.sqrt(np.mean((trace.captured - trace.fitted) ** 2)))
    difference = format_quantity(apart, "V", digits=3) if trace.over_time else f"{apart:.3f} dB"
    return f"The fit follows the capture and leaves {difference} rms."
