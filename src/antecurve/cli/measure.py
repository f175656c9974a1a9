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
    quantity,
    refuse_existing,
)

if TYPE_CHECKING:
    from antecurve.judge.unit_figures import FigureRequest
    from antecurve.networks.topology import Loading
    from antecurve.sound.resistances import Resistances

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
        _Text, typer.Option(metavar="DEVICE", help="Number or name; by default the system's.")
    ] = None,
    input_device: Annotated[
        _Text, typer.Option(metavar="DEVICE", help="Number or name; by default the system's.")
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
        typer.Option("--signal", metavar="KIND", help="square, sines, sweep, multitone, noise."),
    ] = "sweep",
    rate: Annotated[str, typer.Option(metavar="HERTZ", help="Sampling rate.")] = "48k",
    seconds: Annotated[str, typer.Option(metavar="SECONDS", help="Length of the signal.")] = "10",
    level: Annotated[
        str, typer.Option(metavar="DB", help="Highest peak re full scale; the ramp ends there.")
    ] = "-6",
    known_resistor: Annotated[
        _Text,
        typer.Option(
            metavar="OHMS", help="A resistor to measure generator and input with, such as 1k."
        ),
    ] = None,
    generator_resistance: Annotated[
        _Text, typer.Option(metavar="OHMS", help="Stated instead; by default as designed.")
    ] = None,
    input_resistance: Annotated[
        _Text, typer.Option(metavar="OHMS", help="Of the interface's input, stated.")
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
    operator: Annotated[str, typer.Option(metavar="TEXT", help="Who measures.")] = "",
    log: LogFolder = None,
    output: OutputFolder = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Measure a unit through a sound interface: play, record and judge, step by step.

    The folder of -o gets each record as soon as it is taken, then what judge writes.  First comes
    a reference with network and unit bypassed, then the unit.

    \b
    Example: antecurve measure bench-network/design.json --known-resistor 1k -o unit-7
    """
    from antecurve.cli.measuring import judged, play_and_record, show_devices, write_dry_run
    from antecurve.errors import InputError
    from antecurve.files.design_file import read_design
    from antecurve.files.measured import read_measured
    from antecurve.files.measured_unit import MeasurementPlan
    from antecurve.judge.verdicts import JudgeRequest
    from antecurve.signals.request import SignalRequest
    from antecurve.sound.portaudio import PortAudioInterface

    if devices:
        show_devices(as_json=as_json)
        return
    if design_file is None:
        raise InputError("DESIGN.json", "nothing", "name the design of the network")
    if output is None:
        raise InputError("--output", "nothing", "name the folder for the records")
    _check_outputs(output, log, serial, force=force)
    design = read_design(design_file, position=position)
    inputs = _inputs(input_channel, generator_channel)
    resistances = _resistances(
        design.job.loading, generator_resistance, input_resistance, known_resistor
    )
    rate_hz = round(quantity(rate, "Hz", "--rate"))
    plan = MeasurementPlan(
        SignalRequest(kind, rate_hz, quantity(seconds, "s", "--seconds"), (_level(level),)),
        output_channel,
        inputs,
        resistances,
        None if known_resistor is None else quantity(known_resistor, "ohm", "--known-resistor"),
        reference,
        *_date_and_software(),
    )
    if dry_run:
        write_dry_run(plan, output, force=force)
        return
    values = None if measured is None else read_measured(measured, design.picked)
    asked = JudgeRequest(limit_db=quantity(limit, "dB", "--limit"))
    figures = _figures(design.job.target.level_v, limits)
    interface = PortAudioInterface(
        rate_hz, output_channel, inputs, _device(output_device), _device(input_device)
    )
    unit = play_and_record(interface, plan, output)
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


def _inputs(unit: int, generator: int | None) -> tuple[int, ...]:
    """The inputs that record: the unit's first, then the generator's if it is recorded."""
    from antecurve.errors import InputError

    if generator is None:
        return (unit,)
    if generator == unit:
        raise InputError("--generator-channel", generator, "name another input")
    return unit, generator


def _resistances(
    designed: Loading, generator: str | None, unit_input: str | None, known: str | None
) -> Resistances:
    """The resistances as stated; of the generator otherwise as designed."""
    from antecurve.errors import InputError
    from antecurve.sound.resistances import Resistances

    if known is not None and (generator or unit_input):
        rule = "measure the resistances or state them, not both"
        raise InputError("--known-resistor", known, rule)
    return Resistances(
        designed.source_resistance
        if generator is None
        else quantity(generator, "ohm", "--generator-resistance", zero=True),
        None if unit_input is None else quantity(unit_input, "ohm", "--input-resistance"),
        "as designed" if generator is None else "stated",
    )


def _date_and_software() -> tuple[str, str]:
    from datetime import datetime

    from antecurve import __version__

    return datetime.now().astimezone().isoformat(timespec="minutes"), f"antecurve {__version__}"


def _figures(input_v: float, limits: Path | None) -> FigureRequest:
    from antecurve.files.limits_file import read_limits
    from antecurve.judge.unit_figures import FigureRequest

    return FigureRequest(input_v, None, () if limits is None else read_limits(limits))


def _level(text: str) -> float:
    from antecurve.quantities import parse_quantity

    return parse_quantity(text, unit="dB", field="--level")


def _device(text: str | None) -> int | str | None:
    return int(text) if text is not None and text.isdecimal() else text
