"""``antecurve judge``: the verdict on a unit, or on a batch, from captures."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from antecurve.cli.bench_options import (
    ChainHigh,
    ChainLow,
    Flatness,
    Limit,
    Mains,
    MeasuredValues,
    Probe,
    References,
    RiseTime,
    RiseTimeUncertainty,
    Stimulus,
    StimulusAt,
)
from antecurve.cli.options import (
    AsJson,
    Channel,
    DecimalMark,
    Force,
    LogFolder,
    MeterCapacitance,
    MeterDisplay,
    MeterResistance,
    OutputFolder,
    PositionName,
    TimeUnit,
    Units,
    refuse_existing,
)
from antecurve.cli.terminal import say
from antecurve.cli.unit_curve import (
    JudgedCurve,
    UnitCut,
    UnitPoles,
    UnitShelf,
    UnitTurnover,
    UnitZeros,
)

__all__ = ["judge"]

_DesignOption = Annotated[
    Path, typer.Option("--design", metavar="DESIGN.json", help="The network's design.")
]
_Texts = Optional[list[str]]  # noqa: UP045
_File = Optional[Path]  # noqa: UP045


def judge(
    captures: Annotated[
        list[Path],
        typer.Argument(
            metavar="CAPTURE",
            help="Captures of one unit, fitted jointly: square waves, sweeps or two-channel "
            "records. Or one folder for a batch: each file or folder in it is a unit.",
        ),
    ],
    design: _DesignOption,
    position: PositionName = None,
    measured: MeasuredValues = None,
    meter_resistance: MeterResistance = "0.2 %",
    meter_capacitance: MeterCapacitance = "0.5 %",
    meter_display: MeterDisplay = 10_000,
    limit: Limit = "0.5",
    band: Annotated[
        Optional[tuple[str, str]],  # noqa: UP045
        typer.Option(metavar="LOW HIGH", help="Band to judge; by default the job's."),
    ] = None,
    mask: Annotated[
        _Texts,
        typer.Option(metavar="LOW:HIGH:DB", help="Limit for a part of the band; may be repeated."),
    ] = None,
    playback: Annotated[
        str,
        typer.Option(
            metavar="KIND", help="Ideal playback: published, or inverse (ultrasonic poles undone)."
        ),
    ] = "published",
    rise_time: RiseTime = "0",
    rise_time_uncertainty: RiseTimeUncertainty = "0",
    flatness: Flatness = "0",
    chain_low: ChainLow = None,
    chain_high: ChainHigh = None,
    probe: Probe = "0",
    reference: References = None,
    mains: Mains = None,
    other_channel: Annotated[
        Optional[list[Path]],  # noqa: UP045
        typer.Option(
            metavar="CAPTURE.csv",
            help="Capture of the other channel, for the match; may be repeated.",
        ),
    ] = None,
    channel: Channel = None,
    stimulus: Stimulus = None,
    idle_channel: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(
            metavar="NUMBER",
            help="Channel of the other output, whose input idles, for crosstalk.",
        ),
    ] = None,
    limits: Annotated[
        _File,
        typer.Option(metavar="LIMITS.toml", help="Limits of gain, noise, distortion and others."),
    ] = None,
    input_level: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(
            metavar="VOLTS",
            help="Input level (rms, 1 kHz) that noise, hum and overload refer to; by default the "
            "job's. Noise and hum need 0.2 s of silence in a record.",
        ),
    ] = None,
    full_scale: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(
            metavar="VOLTS",
            help="Voltage (rms) of a sine at full scale, where the stimulus is a sound file. "
            "Where two inputs were recorded it holds for both.",
        ),
    ] = None,
    stimulus_at: StimulusAt = None,
    time_unit: TimeUnit = None,
    decimal: DecimalMark = None,
    units: Units = None,
    unit_curve: JudgedCurve = None,
    unit_zeros: UnitZeros = None,
    unit_poles: UnitPoles = None,
    unit_turnover: UnitTurnover = None,
    unit_cut: UnitCut = None,
    unit_shelf: UnitShelf = None,
    serial: Annotated[
        str, typer.Option(metavar="TEXT", help="Serial number for the test report.")
    ] = "",
    date: Annotated[
        str,
        typer.Option(
            metavar="TEXT", help="Date for the test report, printed as written; by default today."
        ),
    ] = "",
    operator: Annotated[
        str, typer.Option(metavar="TEXT", help="Name of the operator, for the record.")
    ] = "",
    network_serial: Annotated[
        str, typer.Option(metavar="TEXT", help="Serial number of the network, for the record.")
    ] = "",
    workers: Annotated[
        int,
        typer.Option(metavar="COUNT", help="Processes for a batch; 0 takes one per core.", min=0),
    ] = 0,
    log: LogFolder = None,
    output: OutputFolder = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Judge a unit: does it pass, and what is wrong if not?

    Exit code: 0 for pass, 1 for fail or undecided, 2 for no result.  With -o the folder gets the
    test report, verdict.json and deviation.csv.  A batch gets batch.csv, and a test report and a
    JSON file per unit.
    With --log the verdict is kept under the unit's serial number, in a batch under its file's name.

    \b
    Example: antecurve judge left.csv left-30hz.csv --design design.json -o left
    """
    from antecurve.cli.judging import Delivery, judge_folder, judge_one
    from antecurve.cli.surroundings import today
    from antecurve.files.box_file import read_design_and_box, read_measured_at
    from antecurve.files.captures import read_capture
    from antecurve.files.judging_texts import JudgingTexts, readings_of
    from antecurve.files.limits_file import read_limits
    from antecurve.files.unit_curve_texts import UnitCurveTexts

    refuse_existing(output, force=force)
    folder = _folder_of(captures, other_channel)
    readings = readings_of(
        stimulus, channel=channel, stimulus_at=stimulus_at, time_unit=time_unit,
        decimal=decimal, units=units, captures=len(captures), idle=idle_channel,
    )  # fmt: skip
    setting = UnitCurveTexts(
        unit_curve, unit_zeros, unit_poles, unit_turnover, unit_cut, unit_shelf
    )
    made, box = read_design_and_box(design, position=position)
    made = setting.set_unit(made)
    values = None if measured is None else read_measured_at(measured, made, box)
    texts = JudgingTexts(
        limit=limit, band=band, mask=tuple(mask or ()), playback=playback, rise_time=rise_time,
        rise_time_uncertainty=rise_time_uncertainty, flatness=flatness,
        chain_low=tuple(chain_low or ()), chain_high=tuple(chain_high or ()), probe=probe,
        mains=mains, meter_resistance=meter_resistance, meter_capacitance=meter_capacitance,
        meter_display=meter_display, input_level=input_level, full_scale=full_scale,
    )  # fmt: skip
    asked = texts.request([read_capture(path, readings[0]) for path in reference or ()])
    delivery = Delivery(
        title=made.job.title, design=design, serial=serial, date=date or today(),
        operator=operator, network_serial=network_serial, output=output, force=force,
        as_json=as_json, readings=readings, guess=setting.is_guess, log=log,
        figures=texts.figures(
            made.job.target.level_v, () if limits is None else read_limits(limits)
        ),
    )  # fmt: skip
    if folder is None:
        passed = judge_one(captures, other_channel or [], made, values, asked, delivery)
    else:
        passed = judge_folder(folder, made, values, asked, workers, delivery)
    if not passed:
        _exit_failed("" if box is None or as_json else made.position)


def _exit_failed(position: str) -> None:
    """Exit where a unit does not pass; of a box say that its switch may have stood elsewhere."""
    if position:
        say(f"If the switch did not stand at {position}, name its position with --position.")
    raise typer.Exit(1)


def _folder_of(captures: list[Path], other: list[Path] | None) -> Path | None:
    """The folder of a batch, if one was given; what a batch can't have is refused."""
    from antecurve.errors import InputError

    folders = [p for p in captures if p.is_dir()]
    if not folders:
        return None
    if len(captures) > 1 or other:
        raise InputError("CAPTURE.csv", str(folders[0]), "give one folder by itself, or files")
    return folders[0]
