"""``antecurve check``: a design analysed again, or one build with measured parts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from antecurve.cli.options import (
    AsJson,
    CableTolerance,
    DesignFile,
    Force,
    LoadTolerance,
    MeterCapacitance,
    MeterCorrelation,
    MeterDisplay,
    MeterResistance,
    OneMeter,
    OutputFolder,
    PositionName,
    SourceTolerance,
    refuse_existing,
)
from antecurve.cli.terminal import say

if TYPE_CHECKING:
    from collections.abc import Mapping

    from antecurve.analysis.as_built import AsBuilt
    from antecurve.analysis.drift import DriftResult
    from antecurve.analysis.losses import LossEffect
    from antecurve.analysis.technologies import Technology
    from antecurve.pipeline import Design
    from antecurve.switched.box import Box

__all__ = ["check"]

_STEPS = 7  # temperatures: with the usual span of 30 degrees every 5


def check(
    design_file: DesignFile,
    position: PositionName = None,
    measured: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(
            metavar="VALUES.csv", help="Measured values of this build: columns ref and value."
        ),
    ] = None,
    meter_resistance: MeterResistance = "0.2 %",
    meter_capacitance: MeterCapacitance = "0.5 %",
    meter_display: MeterDisplay = 10_000,
    meter_correlation: MeterCorrelation = 0.5,
    one_meter: OneMeter = False,
    source_tolerance: SourceTolerance = "0 %",
    load_tolerance: LoadTolerance = "0 %",
    cable_tolerance: CableTolerance = "0 %",
    resistor_type: Annotated[
        str, typer.Option(metavar="NAME", help="Technology of the resistors, for drift.")
    ] = "metal film",
    capacitor_type: Annotated[
        str,
        typer.Option(metavar="NAME", help="Technology of the capacitors, for drift and losses."),
    ] = "polypropylene",
    temperatures: Annotated[
        str, typer.Option(metavar="LOW:HIGH", help="Range of temperature, degrees Celsius.")
    ] = "10:40",
    reference_temperature: Annotated[
        float,
        typer.Option(
            metavar="DEGREES", help="Temperature at which the parts have their values, Celsius."
        ),
    ] = 20.0,
    coefficient: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(
            metavar="REF=PPM",
            help="Temperature coefficient of a part or position, ppm/K; may be repeated.",
        ),
    ] = None,
    loss: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(
            metavar="REF=VALUE",
            help="Loss tangent of a capacitor or position; may be repeated.",
        ),
    ] = None,
    output: OutputFolder = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Analyse a design again, or a build with measured parts.

    The correction table is what to subtract from levels measured through the network.  With -o
    the folder gets correction.csv and response.csv.  Exit code 1 when the error misses the
    job's error_limit_db, or when the builds of the spread were interrupted.

    \b
    Example: antecurve check design.json --measured values.csv -o build-1
    """
    from antecurve.analysis.as_built import as_built
    from antecurve.analysis.drift import own_technologies
    from antecurve.cli.box_building import check_box
    from antecurve.cli.delivery import deliver
    from antecurve.cli.options import loading_tolerance
    from antecurve.files.box_file import read_design_and_box, read_measured_at
    from antecurve.files.judging_texts import meter_accuracy

    refuse_existing(output, force=force)
    meter = meter_accuracy(
        meter_resistance, meter_capacitance, display=meter_display,
        correlation=meter_correlation, one_meter=one_meter,
    )  # fmt: skip
    design, box = read_design_and_box(design_file, position=position)
    if box is not None and measured is not None and position is None:
        check_box(box, measured, meter=meter, as_json=as_json)
        return
    built = as_built(
        design,
        measured={} if measured is None else read_measured_at(measured, design, box),
        meter=meter,
        loading_tolerance=loading_tolerance(source_tolerance, load_tolerance, cable_tolerance),
    )
    parts = own_technologies(
        built.picked,
        {"resistors": resistor_type, "capacitors": capacitor_type},
        coefficients={r: 1e-6 * v for r, v in _by_ref(coefficient, "--coefficient").items()},
        loss_tangents=_by_ref(loss, "--loss"),
    )
    warm, losses = _temperature_and_losses(
        design, built, parts, _temperatures(temperatures), reference_temperature
    )
    results = _Results(_analysed(design, built), box, built, warm, losses)
    deliver(
        files=results.files,
        content=results.content,
        show=lambda: _show(results, whole=measured is None),
        output=output,
        force=force,
        as_json=as_json,
    )
    if _missed(results):
        raise typer.Exit(1)


@dataclass(frozen=True, slots=True)
class _Results:
    design: Design
    box: Box | None
    built: AsBuilt
    warm: DriftResult
    losses: LossEffect

    def content(self) -> dict[str, object]:
        """Collect what is printed as JSON."""
        more = {"as_built": self.built, "drift": self.warm, "losses": self.losses}
        return {**self.design.to_dict(), **more}

    def files(self) -> dict[str, bytes]:
        """Write the files, by name."""
        from antecurve.files.build_content import correction_csv
        from antecurve.files.design_folder import response_csv

        return {
            "correction.csv": correction_csv(self.built.correction),
            "response.csv": response_csv(self.design.analysis.response),
        }


def _temperature_and_losses(
    design: Design,
    built: AsBuilt,
    technologies: Mapping[str, Technology],
    temperatures_c: list[float],
    reference_c: float,
) -> tuple[DriftResult, LossEffect]:
    from antecurve.analysis.drift import drift
    from antecurve.analysis.losses import loss_effect
    from antecurve.cli.progress import busy_progress

    conditions = design.job.conditions
    with busy_progress("temperature and losses"):
        warm = drift(
            built.picked,
            conditions,
            temperatures_c=temperatures_c,
            reference_c=reference_c,
            technologies=technologies,
        )
        return warm, loss_effect(built.picked, conditions, technologies=technologies)


def _analysed(design: Design, built: AsBuilt) -> Design:
    from antecurve.cli.progress import count_progress
    from antecurve.pipeline import analyse

    design = replace(design, picked=built.picked)
    with count_progress("builds") as progress:
        analyse(design, progress=progress)
    return design


def _by_ref(given: list[str] | None, option: str) -> dict[str, float]:
    """Numbers by reference from texts such as ``C1=-200``."""
    from antecurve.errors import InputError

    values = {}
    for text in given or ():
        ref, _, number = text.partition("=")
        try:
            value = float(number)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise InputError(option, text, "write a reference, = and a number, such as C1=-200")
        values[ref.strip()] = value
    return values


def _temperatures(text: str) -> list[float]:
    """Evenly spaced temperatures [degree Celsius] from ``LOW:HIGH``."""
    from antecurve.errors import InputError

    try:
        low, high = (float(end) for end in text.split(":"))
    except ValueError:
        low = high = math.nan
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        rule = "write two numbers in degrees Celsius, the lower first, such as 10:40"
        raise InputError("--temperatures", text, rule)
    return [low + (high - low) * k / (_STEPS - 1) for k in range(_STEPS)]


def _missed(results: _Results) -> bool:
    from antecurve.cli.outcome import misses_limit, was_interrupted

    interrupted = was_interrupted(results.design.analysis.spread)
    limit_db = results.design.job.target.error_limit_db
    return misses_limit(results.built.error.centred_db, limit_db=limit_db) or interrupted


def _references(results: _Results) -> list[str]:
    """What the parts list of the box calls the parts of this position."""
    from antecurve.report.box_build_tables import reference_lines

    return [] if results.box is None else reference_lines(results.box, results.design)


def _show(results: _Results, *, whole: bool) -> None:
    from antecurve.cli.show import show_design, show_table
    from antecurve.report import build_tables as tables
    from antecurve.report.tables import wiring_rows

    if whole:
        show_design(results.design)
        say(*_references(results))
    else:
        say(results.design.job.title, *tables.as_built_lines(results.built))
        show_table(wiring_rows(results.design.picked, measured=True))
        say(*_references(results))
    say("Subtract from levels measured through the network, 0 dB at 1 kHz:")
    show_table(tables.correction_rows(results.built.correction))
    say(tables.UNCERTAINTY_NOTE)
    say("Over temperature:")
    show_table(tables.drift_rows(results.warm))
    say(tables.loss_line(results.losses))
