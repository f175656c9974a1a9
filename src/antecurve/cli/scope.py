"""``antecurve scope``: predicted square-wave traces."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer

from antecurve.cli.options import (
    AsJson,
    DesignFile,
    Force,
    OutputFolder,
    PositionName,
    refuse_existing,
)
from antecurve.cli.terminal import say
from antecurve.cli.unit_curve import (
    UnitCurve,
    UnitCut,
    UnitPoles,
    UnitShelf,
    UnitTurnover,
    UnitZeros,
)

if TYPE_CHECKING:
    from antecurve.analysis.playback import Playback
    from antecurve.analysis.scope import FaultSheet, LimitedPeaks, ScopeTrace
    from antecurve.analysis.waveform import SquareWave
    from antecurve.job import Job

__all__ = ["scope"]


def scope(
    design_file: DesignFile,
    position: PositionName = None,
    frequency: Annotated[
        str, typer.Option(metavar="HERTZ", help="Frequency of the square wave, 0.1 Hz to 10 MHz.")
    ] = "1 kHz",
    amplitude: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(
            metavar="VOLTS",
            help="Peak of the EMF, which swings from minus to plus this; by default that of the "
            "job's sine wave.",
        ),
    ] = None,
    rise_time: Annotated[
        str, typer.Option(metavar="SECONDS", help="Time of the edge from end to end.")
    ] = "0",
    samples: Annotated[
        int, typer.Option(metavar="COUNT", help="Samples in the period of scope.csv.", min=1000)
    ] = 4000,
    fault: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(
            metavar="NAME=VALUE",
            help="Fault of playback; may be repeated. A time constant (bass-shelf, turnover, "
            "treble) takes a factor, or 0 for none. "
            "A corner (low-corner, high-corner) takes hertz.",
        ),
    ] = None,
    unit_curve: UnitCurve = None,
    unit_zeros: UnitZeros = None,
    unit_poles: UnitPoles = None,
    unit_turnover: UnitTurnover = None,
    unit_cut: UnitCut = None,
    unit_shelf: UnitShelf = None,
    output: OutputFolder = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Predict what an oscilloscope shows of a square wave.

    One period in steady state; playback is the inverse of the published curve with unit gain at
    1 kHz.  With -o the folder gets scope.csv and faults.csv.  Traces and a sheet of common faults
    come as PNG and SVG.

    \b
    Example: antecurve scope design.json --frequency 100 --fault turnover=0.8 -o s
    """
    from antecurve.analysis.scope import fault_sheet, limited_peaks, scope_trace
    from antecurve.cli.delivery import deliver
    from antecurve.cli.progress import busy_progress
    from antecurve.extras import require_extra
    from antecurve.files.design_file import read_design
    from antecurve.files.unit_curve_texts import UnitCurveTexts

    refuse_existing(output, force=force)
    if output is not None:
        require_extra("plots")
    setting = UnitCurveTexts(
        unit_curve, unit_zeros, unit_poles, unit_turnover, unit_cut, unit_shelf
    )
    design = setting.set_unit(read_design(design_file, position=position))
    wave = _wave(design.job, frequency, amplitude, rise_time)
    playback = _playback(fault or [])
    with busy_progress("square waves"):
        trace = scope_trace(design, wave=wave, samples=samples, playback=playback)
        limited = limited_peaks(design, wave=wave)
        sheet = fault_sheet(design, wave=wave)
    set_to = None if design.job.unit_curve is None else design.job.unit_curve.name
    deliver(
        files=lambda: _files(trace, sheet),
        content=lambda: _content(trace, sheet, limited, set_to),
        show=lambda: _show(trace, sheet, limited, set_to),
        output=output,
        force=force,
        as_json=as_json,
        position=design.position,
    )


def _files(trace: ScopeTrace, sheet: FaultSheet) -> dict[str, bytes]:
    from antecurve.cli.progress import busy_progress
    from antecurve.files.bench_content import frame_csv, scope_csv
    from antecurve.report.plots import scope_files

    with busy_progress("drawing the traces"):
        return {
            "scope.csv": scope_csv(trace),
            "faults.csv": frame_csv(sheet.to_frame()),
            **scope_files(trace, sheet),
        }


def _content(
    trace: ScopeTrace, sheet: FaultSheet, limited: LimitedPeaks, set_to: str | None
) -> dict[str, object]:
    from antecurve.report.cautions import CAUTIONS

    return {
        **trace.to_dict(),
        "faults": sheet.records,
        "limited_peak": limited.to_dict(),
        "cautions": list(CAUTIONS),
        "unit_curve": set_to,
    }


def _show(trace: ScopeTrace, sheet: FaultSheet, limited: LimitedPeaks, set_to: str | None) -> None:
    from antecurve.cli.show import show_table
    from antecurve.curves.catalogue import curve_label
    from antecurve.report.bench_tables import fault_rows, limited_line, measure_rows
    from antecurve.report.cautions import CAUTIONS

    measures = [
        ("behind the network", trace.network_measures),
        (f"after playback: {trace.playback.name}", trace.playback_measures),
    ]
    show_table(measure_rows(measures))
    if set_to:
        say(f"Unit set to {curve_label(set_to)}: 'after playback' is right for a correct unit.")
    say(limited_line(limited))
    say("Common faults of playback:")
    show_table(fault_rows(sheet, first=1))
    say(
        "Tilt: (start - end)/start of the top over half a period.",
        "Overshoot: beyond the start of the top, over the step.",
        "Rise time: 10 % to 90 % of the step.",
        "A dash: the trace is all edges and has no top.",
    )
    for line in CAUTIONS:
        say(line)


def _wave(job: Job, frequency: str, amplitude: str | None, rise_time: str) -> SquareWave:
    from antecurve.analysis.waveform import SquareWave
    from antecurve.quantities import parse_positive, parse_quantity

    return SquareWave(
        parse_quantity(
            frequency, unit="Hz", field="--frequency", minimum=_LOWEST_HZ, maximum=_HIGHEST_HZ
        ),
        2.0**0.5 * job.source_level_v
        if amplitude is None
        else parse_positive(amplitude, "V", "--amplitude"),
        parse_positive(rise_time, "s", "--rise-time", zero=True),
    )


_LOWEST_HZ = 0.1  # a period of 10 s: slower than any oscilloscope on a bench is set
_HIGHEST_HZ = 10e6  # beyond what function generators make as a square wave
_FAULTS = {
    "bass-shelf": ("bass_shelf_factor", ""),
    "turnover": ("turnover_factor", ""),
    "treble": ("treble_factor", ""),
    "low-corner": ("low_corner_hz", "Hz"),
    "high-corner": ("high_corner_hz", "Hz"),
}


def _playback(faults: list[str]) -> Playback:
    """Playback with the faults that the options name."""
    from antecurve.analysis.playback import IDEAL, Playback
    from antecurve.errors import InputError
    from antecurve.quantities import parse_positive

    if not faults:
        return IDEAL
    factors: dict[str, Any] = {}
    for text in faults:
        name, equals, value = text.partition("=")
        if name.strip() not in _FAULTS or not equals:
            known = ", ".join(f"{n}=..." for n in _FAULTS)
            raise InputError("--fault", text, f"the faults are {known}")
        field, unit = _FAULTS[name.strip()]
        factors[field] = parse_positive(value, unit, f"--fault {name}", zero=True)
    return Playback(", ".join(faults), **factors)
