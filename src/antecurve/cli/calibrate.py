"""``antecurve calibrate``: the network itself from a sweep of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from antecurve.cli.bench_options import Flatness, Stimulus, StimulusAt
from antecurve.cli.options import (
    AsJson,
    Channel,
    DecimalMark,
    DesignFile,
    Force,
    OutputFolder,
    PositionName,
    TimeUnit,
    Units,
    refuse_existing,
)
from antecurve.cli.terminal import say, say_aside

if TYPE_CHECKING:
    from antecurve.judge.calibration import Calibration
    from antecurve.networks.topology import Loading

__all__ = ["calibrate"]


def calibrate(
    design_file: DesignFile,
    sweep: Annotated[
        Path,
        typer.Option(
            "--sweep",
            metavar="CAPTURE.csv",
            help="The network's output, as the instrument wrote it: levels over frequency, or a "
            "two-channel record with --stimulus.",
        ),
    ],
    position: PositionName = None,
    channel: Channel = None,
    stimulus: Stimulus = None,
    stimulus_at: StimulusAt = None,
    time_unit: TimeUnit = None,
    decimal: DecimalMark = None,
    units: Units = None,
    load_resistance: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(metavar="OHMS", help="Input resistance of the meter; by default the unit's."),
    ] = None,
    load_capacitance: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(
            metavar="FARADS", help="Input capacitance of the meter; by default the unit's."
        ),
    ] = None,
    uncertainty: Annotated[
        str,
        typer.Option(metavar="DB", help="Standard uncertainty of one level against the others."),
    ] = "0.01",
    flatness: Flatness = "0",
    meter_response: Annotated[
        str, typer.Option(metavar="DB", help="How far the meter's reading changes with frequency.")
    ] = "0",
    output: OutputFolder = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Fit the network's part values to a measured sweep.

    With -o the folder gets values.csv for judge --measured, correction.csv and calibration.json.
    The correction is subtracted from levels measured through the network.  Exit code 1 when no
    values within tolerance explain the sweep.

    \b
    Example: antecurve calibrate design.json --sweep network.csv -o calibration
    """
    from antecurve.cli.delivery import deliver
    from antecurve.cli.progress import busy_progress
    from antecurve.files.design_file import read_design
    from antecurve.files.judging_texts import readings_of
    from antecurve.files.recordings import read_recording
    from antecurve.files.verdict_file import calibration_files
    from antecurve.judge.calibration import calibrate_network
    from antecurve.quantities import parse_positive

    refuse_existing(output, force=force)
    design = read_design(design_file, position=position)
    (reading,) = readings_of(
        stimulus, channel=channel, stimulus_at=stimulus_at, time_unit=time_unit, decimal=decimal,
        units=units,
    )  # fmt: skip
    recording = read_recording(sweep, reading)
    say_aside(f"{recording.capture.name}: {recording.understood}", speaker="")
    loading = _with_meter(design.job.loading, load_resistance, load_capacitance)
    uncertainty_db = parse_positive(uncertainty, "dB", "--uncertainty")
    stated = load_resistance is not None or load_capacitance is not None
    with busy_progress("fitting the network"):
        calibration = calibrate_network(
            recording.capture,
            design,
            sweep_loading=loading,
            level_uncertainty_db=uncertainty_db,
            generator_flatness_db=parse_positive(flatness, "dB", "--flatness", zero=True),
            meter_response_db=parse_positive(meter_response, "dB", "--meter-response", zero=True),
        )
    deliver(
        files=lambda: calibration_files(calibration),
        content=calibration.to_dict,
        show=lambda: _show(calibration, None if stated else loading),
        output=output,
        force=force,
        as_json=as_json,
        position=design.position,
    )
    if not calibration.consistent:
        raise typer.Exit(1)


def _show(calibration: Calibration, assumed: Loading | None) -> None:
    """Print what explains the sweep, the fitted parts, and the load that was assumed."""
    from antecurve.cli.show import show_table
    from antecurve.report.unit_report import calibration_rows
    from antecurve.texts import as_sentence

    residual = f"the fit leaves {calibration.residual_db:.3f} dB rms"
    if calibration.consistent:
        say(f"Values within tolerance explain the sweep; {residual}.")
    else:
        say(f"No values within tolerance explain the sweep, so none has an interval; {residual}.")
        say(*(f"- {as_sentence(finding)}" for finding in calibration.findings))
    show_table(calibration_rows(calibration))
    if assumed is not None:
        say(f"The load is taken as the unit's, {_load_text(assumed)}.")
        say("If a meter was the load, give --load-resistance and --load-capacitance.")


def _load_text(loading: Loading) -> str:
    from antecurve.quantities import format_quantity

    resistance = format_quantity(loading.load_resistance, "ohm")
    return f"{resistance} and {format_quantity(loading.load_capacitance, 'F')}"


def _with_meter(unit: Loading, resistance: str | None, capacitance: str | None) -> Loading:
    """The source with the meter of the sweep for its load."""
    from antecurve.quantities import parse_positive

    changed = {}
    if resistance is not None:
        changed["load_resistance"] = parse_positive(resistance, "ohm", "--load-resistance")
    if capacitance is not None:
        changed["load_capacitance"] = parse_positive(
            capacitance, "F", "--load-capacitance", zero=True
        )
    return replace(unit, **changed)
