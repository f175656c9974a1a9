"""What the options of a command say of generator, capture chain and captures."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from antecurve.cli.options import quantity

if TYPE_CHECKING:
    from antecurve.files.recordings import ReadingOptions
    from antecurve.judge.signal_path import CaptureChain, Generator

__all__ = ["chain_of", "generator_of", "readings_of"]


def generator_of(rise_time: str, uncertainty: str, flatness: str) -> Generator:
    """Read what is known of the generator.

    Parameters
    ----------
    rise_time, uncertainty, flatness : str
        Texts of the options.

    Returns
    -------
    Generator
        The generator.
    """
    from antecurve.judge.signal_path import Generator

    return Generator(
        quantity(rise_time, "s", "--rise-time", zero=True),
        quantity(uncertainty, "s", "--rise-time-uncertainty", zero=True),
        quantity(flatness, "dB", "--flatness", zero=True),
    )


def chain_of(low: list[str], high: list[str], probe: str) -> CaptureChain:
    """Read what is known of the capture chain.

    Parameters
    ----------
    low, high : list of str
        Corners.
    probe : str
        Uncertainty of a probe's compensation.

    Returns
    -------
    CaptureChain
        The chain.
    """
    from antecurve.judge.signal_path import CaptureChain

    return CaptureChain(
        tuple(quantity(text, "Hz", "--chain-low") for text in low),
        tuple(quantity(text, "Hz", "--chain-high") for text in high),
        100.0 * quantity(f"{probe.rstrip('% ')} %", "%", "--probe", zero=True),
    )


def readings_of(
    plain: ReadingOptions, stimuli: list[str], *, idle: int | None, captures: int
) -> tuple[ReadingOptions, ...]:
    """Say how each capture is read: with the one stimulus of all, or its own.

    Parameters
    ----------
    plain : ReadingOptions
        What holds for all.
    stimuli : list of str
        Channels or files that were played.
    idle : int or None
        Channel with an idle output.
    captures : int
        Number of captures.

    Returns
    -------
    tuple of ReadingOptions
        One for each, or one for all.

    Raises
    ------
    InputError
        When there are neither one nor as many stimuli.
    """
    from dataclasses import replace

    from antecurve.errors import InputError

    if len(stimuli) > 1 and len(stimuli) != captures:
        raise InputError(
            "--stimulus", ", ".join(stimuli), f"give one for all captures, or {captures}"
        )
    readings = [
        replace(plain, stimulus=int(text), idle=idle)
        if text.isdecimal()
        else replace(plain, played=Path(text), idle=idle)
        for text in stimuli
    ] or [replace(plain, idle=idle)]
    return tuple(readings * (captures if len(readings) == 1 else 1))
