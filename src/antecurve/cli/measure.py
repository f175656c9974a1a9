"""``antecurve measure``: play through a sound interface, record, and judge."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from antecurve.cli.options import (
    AsJson,
    Force,
    LogFolder,
    OutputFolder,
    PositionName,
    refuse_existing,
)

if TYPE_CHECKING:
    from antecurve.judge.unit_figures import FigureRequest

__all__ = ["measure"]

_Text = Optional[str]  # noqa: UP045
_File = Optional[Path]  # noqa: UP045
_Number = Optional[int]  # noqa: UP045


def measure(
    design_file: Annotated[
        _File, typer.Argument(metavar="DESIGN.json", help="The network's design.")
    ] = None,
    devices: Annotated[bool, typer.Option("--devices", help="List the sound devices.")] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Write what would be played, and play nothing.")
    ] = False,
    output_device: Annotated[
        _Text,
        typer.Option(
            metavar="DEVICE", help="Device that plays, by number or name; by default the system's."
        ),
    ] = None,
    input_device: Annotated[
        _Text,
        typer.Option(
            metavar="DEVICE",
            help="Device that records, by number or name; by default the system's.",
        ),
    ] = None,
    output_channel: Annotated[
        int, typer.Option(metavar="NUMBER", help="Output that plays, from 1.", min=1)
    ] = 1,
    position: PositionName = None,
    input_channel: Annotated[
        int, typer.Option(metavar="NUMBER", help="Input for the unit's output, from 1.", min=1)
    ] = 1,
    generator_channel: Annotated[
        _Number,
        typer.Option(metavar="NUMBER", help="Input for the generator, recorded as well.", min=1),
    ] = None,
    kind: Annotated[
        str,
        typer.Option(
            "--signal", metavar="KIND", help="Kind: square, sines, sweep, multitone or noise."
        ),
    ] = "sweep",
    rate: Annotated[str, typer.Option(metavar="HERTZ", help="Sampling rate.")] = "48k",
    seconds: Annotated[str, typer.Option(metavar="SECONDS", help="Length of the signal.")] = "10",
    level: Annotated[
        str, typer.Option(metavar="DB", help="Highest peak re full scale, where the ramp ends.")
    ] = "-6",
    known_resistor: Annotated[
        _Text,
        typer.Option(
            metavar="OHMS",
            help="Known resistor, such as 1k, to measure output and input resistance with.",
        ),
    ] = None,
    generator_resistance: Annotated[
        _Text,
        typer.Option(
            metavar="OHMS",
            help="Output resistance of the interface, stated instead; by default as designed.",
        ),
    ] = None,
    input_resistance: Annotated[
        _Text, typer.Option(metavar="OHMS", help="Input resistance of the interface, stated.")
    ] = None,
    reference: Annotated[
        _File,
        typer.Option(metavar="DIR", help="Folder of a measurement whose reference still holds."),
    ] = None,
    measured: Annotated[
        _File, typer.Option(metavar="VALUES.csv", help="Measured values of the network's parts.")
    ] = None,
    limit: Annotated[str, typer.Option(metavar="DB", help="Largest deviation allowed.")] = "0.5",
    limits: Annotated[
        _File, typer.Option(metavar="LIMITS.toml", help="Limits of gain, noise and others.")
    ] = None,
    serial: Annotated[str, typer.Option(metavar="TEXT", help="Serial number of the unit.")] = "",
    operator: Annotated[str, typer.Option(metavar="TEXT", help="Name of the operator.")] = "",
    log: LogFolder = None,
    output: OutputFolder = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Measure a unit through a sound interface, step by step.

    It plays, records and judges.  The folder of -o gets each record at once, then what judge
    writes.  First comes a reference with network and unit bypassed, then the unit.

    \b
    Example: antecurve measure design.json --known-resistor 1k -o unit-7
    """
    from antecurve import __version__
    from antecurve.cli.measuring import judged, play_and_record, show_devices, write_dry_run
    from antecurve.errors import InputError
    from antecurve.files.box_file import read_design_and_box, read_measured_at
    from antecurve.files.measuring_texts import MeasuringTexts
    from antecurve.judge.verdicts import JudgeRequest
    from antecurve.quantities import parse_positive

    if devices:
        show_devices(as_json=as_json)
        return
    if design_file is None:
        raise InputError("DESIGN.json", "nothing", "name the design of the network")
    if output is None:
        raise InputError("--output", "nothing", "name the folder for the records")
    _check_outputs(output, log, serial, force=force)
    design, box = read_design_and_box(design_file, position=position)
    texts = MeasuringTexts(
        output_device=output_device, input_device=input_device, output_channel=output_channel,
        input_channel=input_channel, generator_channel=generator_channel, signal=kind, rate=rate,
        seconds=seconds, level=level, known_resistor=known_resistor,
        generator_resistance=generator_resistance, input_resistance=input_resistance,
    )  # fmt: skip
    plan = texts.plan(design.job.loading, reference, software=f"antecurve {__version__}")
    plan.check(design.job.target.band_hz)
    if dry_run:
        write_dry_run(plan, output, force=force)
        return
    values = None if measured is None else read_measured_at(measured, design, box)
    asked = JudgeRequest(limit_db=parse_positive(limit, "dB", "--limit"))
    figures = _figures(design.job.target.level_v, limits)
    unit = play_and_record(texts.interface(), plan, output)
    passed = judged(
        unit, design, values, asked, figures,
        design_file=design_file, output=output, serial=serial, operator=operator,
        date=plan.date, as_json=as_json, log=log,
    )  # fmt: skip
    if not passed:
        raise typer.Exit(1)


def _check_outputs(output: Path, log: Path | None, serial: str, *, force: bool) -> None:
    """Refuse a folder or a log that can't be written, before anything is played."""
    from antecurve.cli.log_writing import check_log

    refuse_existing(output, force=force)
    check_log(log, serial)


def _figures(input_v: float, limits: Path | None) -> FigureRequest:
    from antecurve.files.limits_file import read_limits
    from antecurve.judge.unit_figures import FigureRequest

    return FigureRequest(input_v, None, () if limits is None else read_limits(limits))
