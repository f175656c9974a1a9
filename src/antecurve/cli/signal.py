"""``antecurve signal``: test signals as files to play."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from antecurve.cli.options import AsJson, Force
from antecurve.cli.terminal import say

__all__ = ["signal"]


def signal(
    kind: Annotated[
        str,
        typer.Argument(
            metavar="KIND", help="Kind: square, sines, sweep, multitone or noise (pink)."
        ),
    ],
    output: Annotated[
        Path, typer.Option("--output", "-o", metavar="FILE.wav", help="File to write.")
    ],
    rate: Annotated[str, typer.Option(metavar="HERTZ", help="Sampling rate.")] = "48 kHz",
    seconds: Annotated[str, typer.Option(metavar="SECONDS", help="Length of one run.")] = "10",
    level: Annotated[
        list[str],
        typer.Option(
            metavar="DB",
            help="Peak re full scale. Sines take several: LOW:HIGH:STEP, or the option repeated.",
        ),
    ] = ["-12"],  # noqa: B006
    frequency: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(
            metavar="HERTZ",
            help="Frequency of a square wave (default 200 Hz) or of sines (default third octaves). "
            "For sines it may be repeated.",
        ),
    ] = None,
    band: Annotated[
        Optional[tuple[str, str]],  # noqa: UP045
        typer.Option(
            metavar="LOW HIGH", help="Lowest and highest frequency of sweep, multitone or noise."
        ),
    ] = None,
    repetitions: Annotated[
        int, typer.Option(metavar="COUNT", help="Number of runs, one after the other.", min=1)
    ] = 1,
    cue: Annotated[
        bool,
        typer.Option(
            "--cue/--no-cue", help="Put a short tone before and after, to align the record."
        ),
    ] = True,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Write a test signal as a WAV file.

    Play it into the network and record the unit's output.  Then give both to judge: a record of
    one channel with --stimulus FILE.wav.

    \b
    Example: antecurve signal sweep -o sweep.wav
    """
    from antecurve.cli.progress import busy_progress
    from antecurve.cli.show import show_json
    from antecurve.errors import InputError
    from antecurve.files.output_folder import write_file
    from antecurve.files.played_signal import signal_wav
    from antecurve.quantities import parse_positive
    from antecurve.report.cautions import SOUND_CAUTIONS
    from antecurve.report.signal_lines import signal_lines
    from antecurve.signals.request import SignalRequest
    from antecurve.signals.signal import make_signal

    if output.suffix.lower() != ".wav":
        raise InputError("--output", str(output), "name a file that ends in .wav")
    request = SignalRequest(
        kind,
        round(parse_positive(rate, "Hz", "--rate")),
        parse_positive(seconds, "s", "--seconds"),
        tuple(sorted(value for text in level for value in _levels(text))),
        tuple(parse_positive(text, "Hz", "--frequency") for text in frequency or ()),
        None
        if band is None
        else (parse_positive(band[0], "Hz", "--band"), parse_positive(band[1], "Hz", "--band")),
        repetitions,
        cue,
    )
    with busy_progress("the signal"):
        made = make_signal(request)
    write_file(output, signal_wav(made), force=force)
    if as_json:
        show_json(made.to_dict() | {"cautions": list(SOUND_CAUTIONS)})
        return
    for line in (*signal_lines(made), *SOUND_CAUTIONS):
        say(line)
    say(f"Wrote {output}")


def _levels(text: str) -> tuple[float, ...]:
    """One level, or the levels of LOW:HIGH:STEP [dB]."""
    from antecurve.errors import InputError
    from antecurve.quantities import parse_quantity

    cells = [parse_quantity(cell, unit="dB", field="--level") for cell in text.split(":")]
    if len(cells) == 1:
        return (cells[0],)
    if len(cells) != 3 or not cells[2] > 0.0 or cells[1] < cells[0]:
        raise InputError("--level", text, "write one level, or LOW:HIGH:STEP such as -40:-1:1")
    low, high, step = cells
    count = int((high - low) / step * (1.0 + 1e-9)) + 1
    if count > _MOST_LEVELS:
        raise InputError("--level", text, f"{_MOST_LEVELS} levels at most")
    return tuple(low + step * k for k in range(count))


_MOST_LEVELS = 400  # a quarter of a dB over the range of a converter
