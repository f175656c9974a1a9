"""``antecurve sheet``: the bench sheet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer

from antecurve.cli.options import (
    AsJson,
    CableTolerance,
    DesignFile,
    Force,
    LoadTolerance,
    OutputFolder,
    PositionOrBox,
    SourceTolerance,
    loading_tolerance,
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
    from collections.abc import Sequence

    from antecurve.analysis.bench_plan import BenchPlan
    from antecurve.analysis.bench_sheet import Receiver
    from antecurve.pipeline import Design
    from antecurve.report.bench_page import SheetPart

__all__ = ["sheet"]


def sheet(
    design_file: DesignFile,
    position: PositionOrBox = None,
    frequency: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(
            metavar="HERTZ", help="Spot frequency, instead of the standard ones; may be repeated."
        ),
    ] = None,
    level: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(metavar="VOLTS", help="EMF of the generator, rms; as in the job by default."),
    ] = None,
    overload: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(metavar="VOLTS", help="Peak voltage that overloads the unit's input."),
    ] = None,
    rise_time: Annotated[
        str, typer.Option(metavar="SECONDS", help="Edge of the square wave from end to end.")
    ] = "0",
    temperature: Annotated[
        str, typer.Option(metavar="KELVIN", help="Temperature for the noise.")
    ] = "293.15",
    oscilloscope: Annotated[
        str, typer.Option(metavar="FARADS", help="Capacitance of a 1 Mohm oscilloscope and cable.")
    ] = "120p",
    meter: Annotated[
        str, typer.Option(metavar="FARADS", help="Capacitance of a 10 Mohm meter and leads.")
    ] = "100p",
    probe: Annotated[
        str, typer.Option(metavar="FARADS", help="Capacitance of a 10 Mohm probe.")
    ] = "15p",
    largest: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(
            metavar="VOLTS",
            help="Largest EMF, peak, that the parts must stand; by default 10 V, or the peak of "
            "the EMF where that is more.",
        ),
    ] = None,
    generator_tolerance: Annotated[
        str, typer.Option(metavar="PERCENT", help="Accuracy of the generator's level.")
    ] = "0 %",
    meter_tolerance: Annotated[
        str, typer.Option(metavar="PERCENT", help="Accuracy of the meter that reads the level.")
    ] = "0 %",
    flatness: Annotated[
        float,
        typer.Option(metavar="DB", help="Flatness of generator and meter together, re 1 kHz."),
    ] = 0.0,
    source_tolerance: SourceTolerance = "0 %",
    load_tolerance: LoadTolerance = "0 %",
    cable_tolerance: CableTolerance = "0 %",
    unit_noise: Annotated[
        str,
        typer.Option(metavar="VOLTS", help="The unit's own input noise in a band of 1 Hz."),
    ] = "0",
    noisy_load: Annotated[
        bool, typer.Option("--noisy-load", help="Count the noise of the load resistor.")
    ] = False,
    unit_curve: UnitCurve = None,
    unit_zeros: UnitZeros = None,
    unit_poles: UnitPoles = None,
    unit_turnover: UnitTurnover = None,
    unit_cut: UnitCut = None,
    unit_shelf: UnitShelf = None,
    instrument: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="What reads the levels: unit, oscilloscope, meter, probe, or all of them.",
        ),
    ] = "unit",
    whole: Annotated[
        bool, typer.Option("--all", help="Print level plan, noise, ratings and delay, too.")
    ] = False,
    output: OutputFolder = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Print the bench sheet: settings, readings and limits.

    Levels at the unit's input or, for proving the network by itself, across an oscilloscope, a
    meter or a probe.  With -o the folder gets sheet.html to print and
    sheet.csv.  A box with a switch gets a sheet for each position.

    \b
    Example: antecurve sheet design.json --overload "50 mV" -o bench-sheet
    """
    from antecurve.analysis.bench_sheet import SPOT_FREQUENCIES_HZ, SheetTolerance
    from antecurve.cli.delivery import deliver
    from antecurve.cli.progress import busy_progress
    from antecurve.files.box_file import read_positions
    from antecurve.files.unit_curve_texts import UnitCurveTexts
    from antecurve.quantities import parse_percent, parse_positive
    from antecurve.report.bench_page import sheet_parts

    refuse_existing(output, force=force)
    setting = UnitCurveTexts(
        unit_curve, unit_zeros, unit_poles, unit_turnover, unit_cut, unit_shelf
    )
    designs = [
        (name, setting.set_unit(design)) for name, design in read_positions(design_file, position)
    ]
    with busy_progress("levels and limits"):
        plans = _plans(
            designs,
            level,
            largest,
            frequencies_hz=[parse_positive(f, "Hz", "--frequency") for f in frequency or ()]
            or SPOT_FREQUENCIES_HZ,
            receivers=_receivers(oscilloscope, meter, probe),
            overload_v=None if overload is None else parse_positive(overload, "V", "--overload"),
            rise_time_s=parse_positive(rise_time, "s", "--rise-time", zero=True),
            temperature_k=parse_positive(temperature, "K", "--temperature"),
            tolerance=SheetTolerance(
                parse_percent(generator_tolerance, "--generator-tolerance"),
                parse_percent(meter_tolerance, "--meter-tolerance"),
                flatness,
                loading_tolerance(source_tolerance, load_tolerance, cable_tolerance),
            ),
            noisy_load=noisy_load,
            unit_density=parse_positive(unit_noise, "V", "--unit-noise", zero=True),
        )
    receivers = tuple(column.receiver.name for column in plans[0].plan.sheet.columns)
    instruments = receivers if instrument == "all" else (instrument,)
    parts = [(plan.name, sheet_parts(plan.plan, instruments=instruments)) for plan in plans]
    deliver(
        files=lambda: _files(plans, instruments),
        content=lambda: _content(plans),
        show=lambda: _show(parts, whole=whole),
        output=output,
        force=force,
        as_json=as_json,
        position=designs[0][1].position if len(designs) == 1 else "",
    )


@dataclass(frozen=True, slots=True)
class _NamedPlan:
    """The plan of one design, named by the switch position; empty where there is no switch."""

    name: str
    title: str
    plan: BenchPlan


def _plans(
    designs: Sequence[tuple[str, Design]], level: str | None, largest: str | None, **asked: Any
) -> list[_NamedPlan]:
    """The plan of each design."""
    from antecurve.analysis.bench_plan import bench_plan
    from antecurve.analysis.ratings import largest_amplitude_v
    from antecurve.quantities import parse_positive

    plans = []
    for name, design in designs:
        own_v = design.job.source_level_v
        level_v = own_v if level is None else parse_positive(level, "V", "--level")
        peak_v = (
            largest_amplitude_v(source_level_v=max(level_v, own_v))
            if largest is None
            else parse_positive(largest, "V", "--largest")
        )
        conditions = replace(design.conditions, source_level_v=level_v)
        plan = bench_plan(design, conditions, amplitude_v=peak_v, **asked)
        plans.append(_NamedPlan(name, design.job.title, plan))
    return plans


def _receivers(oscilloscope: str, meter: str, probe: str) -> tuple[Receiver, ...]:
    from antecurve.analysis.bench_sheet import provers
    from antecurve.quantities import parse_positive

    return provers(
        oscilloscope_f=parse_positive(oscilloscope, "F", "--oscilloscope", zero=True),
        meter_f=parse_positive(meter, "F", "--meter", zero=True),
        probe_f=parse_positive(probe, "F", "--probe", zero=True),
    )


def _files(plans: Sequence[_NamedPlan], instruments: Sequence[str]) -> dict[str, bytes]:
    from antecurve.cli.progress import busy_progress
    from antecurve.cli.surroundings import today
    from antecurve.files.bench_content import frame_csv
    from antecurve.report.bench_page import bench_page

    files = {}
    with busy_progress("drawing the sheet"):
        for named in plans:
            stem = f"sheet-{named.name}" if named.name else "sheet"
            files[f"{stem}.html"] = bench_page(
                named.title, named.plan, instruments=instruments, date=today()
            )
            files[f"{stem}.csv"] = frame_csv(named.plan.sheet.to_frame())
    return files


def _content(plans: Sequence[_NamedPlan]) -> dict[str, object]:
    from antecurve.report.cautions import CAUTIONS
    from antecurve.report.practical_notes import PRACTICAL_NOTES

    content = plans[0].plan.to_dict() | {"cautions": list(CAUTIONS), "notes": list(PRACTICAL_NOTES)}
    if plans[0].name:
        content["positions"] = [{"position": p.name, **p.plan.to_dict()} for p in plans]
    return content


def _show(parts: Sequence[tuple[str, Sequence[SheetPart]]], *, whole: bool) -> None:
    from antecurve.cli.show import show_table
    from antecurve.report.cautions import CAUTIONS
    from antecurve.report.practical_notes import PRACTICAL_NOTES

    for name, sections in parts:
        if name:
            say(f"Position {name}")
        for part in sections:
            if part.on_request and not whole:
                continue
            say(part.heading)
            for line in part.lines:
                say(line)
            if part.table is not None:
                show_table(part.table)
            print()
    if not whole:
        say("More: --all prints level plan, noise, ratings, delay; --instrument other readings.")
        print()
    for line in (*CAUTIONS, "", "Practical notes (common practice, no source):", *PRACTICAL_NOTES):
        say(line)
