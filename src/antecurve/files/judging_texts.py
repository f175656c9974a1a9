"""How captures are read and judged, as typed: on the command line, or on a page.

Messages name a field as the command line does, ``--rise-time``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from antecurve.analysis.meter import MeterAccuracy
from antecurve.errors import InputError
from antecurve.files.recordings import ReadingOptions
from antecurve.judge.conformity import LimitBand
from antecurve.judge.signal_path import CaptureChain, Generator
from antecurve.judge.unit_figures import FigureRequest
from antecurve.judge.verdicts import JudgeRequest
from antecurve.quantities import parse_percent, parse_positive, parse_quantity

if TYPE_CHECKING:
    from antecurve.judge.capture import Capture
    from antecurve.judge.figure_limits import FigureLimit

__all__ = ["JudgingTexts", "meter_accuracy", "readings_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgingTexts:
    """How a unit is judged, as typed; by default as the command line has it.

    Attributes
    ----------
    limit : str
        Largest deviation allowed.
    band : tuple of str or None
        The band, low and high.
    mask : tuple of str
        Limits for parts of the band, each LOW:HIGH:DB.
    playback : str
        As in `JudgeRequest`.
    rise_time, rise_time_uncertainty, flatness : str
        As in `Generator`.
    chain_low, chain_high : tuple of str
        Corners of the capture chain.
    probe : str
        Uncertainty of a probe's compensation, per cent.
    mains : str or None
        Mains frequency.
    meter_resistance, meter_capacitance : str
        Accuracy of the meters [% of reading, and ohm or F], as `meter_accuracy` takes them.
    meter_display : int
        Counts of the meters' display.
    input_level, full_scale : str or None
        Volts, as in `FigureRequest`.
    """

    limit: str = "0.5"
    band: tuple[str, str] | None = None
    mask: tuple[str, ...] = ()
    playback: str = "published"
    rise_time: str = "0"
    rise_time_uncertainty: str = "0"
    flatness: str = "0"
    chain_low: tuple[str, ...] = ()
    chain_high: tuple[str, ...] = ()
    probe: str = "0"
    mains: str | None = None
    meter_resistance: str = "0.2 %"
    meter_capacitance: str = "0.5 %"
    meter_display: int = 10_000
    input_level: str | None = None
    full_scale: str | None = None

    def request(self, references: Sequence[Capture] = ()) -> JudgeRequest:
        """Understand how the response is judged.

        Parameters
        ----------
        references : sequence of Capture, optional
            Captures with the unit bypassed.

        Returns
        -------
        JudgeRequest
            Limits, band, generator, chain.

        Raises
        ------
        InputError
            When a text can't be used.
        """
        return JudgeRequest(
            limit_db=parse_positive(self.limit, "dB", "--limit"),
            band_hz=None if self.band is None else _band(self.band),
            mask=tuple(_limit_band(text) for text in self.mask),
            playback=self.playback,
            generator=_generator(self.rise_time, self.rise_time_uncertainty, self.flatness),
            chain=_chain(self.chain_low, self.chain_high, self.probe),
            reference=tuple(references) or None,
            mains_hz=None if self.mains is None else parse_positive(self.mains, "Hz", "--mains"),
            meter=meter_accuracy(
                self.meter_resistance, self.meter_capacitance, display=self.meter_display
            ),
        )

    def figures(self, job_v: float, limits: Sequence[FigureLimit] = ()) -> FigureRequest:
        """Understand how figures beside the response are judged.

        Parameters
        ----------
        job_v : float
            Level of the job [V rms], which counts where no input is stated.
        limits : sequence of FigureLimit, optional
            Limits of figures.

        Returns
        -------
        FigureRequest
            Input, full scale, limits.

        Raises
        ------
        InputError
            When a text can't be used.
        """
        level, full = self.input_level, self.full_scale
        return FigureRequest(
            job_v if level is None else parse_positive(level, "V", "--input-level"),
            None if full is None else parse_positive(full, "V", "--full-scale"),
            tuple(limits),
        )


def _band(ends: tuple[str, str]) -> tuple[float, float]:
    return parse_positive(ends[0], "Hz", "--band"), parse_positive(ends[1], "Hz", "--band")


def _limit_band(text: str) -> LimitBand:
    cells = text.split(":")
    if len(cells) != 3:
        raise InputError("--mask", text, 'write it as LOW:HIGH:DB, such as "20 Hz:50 Hz:1.0"')
    low, high, limit = (
        parse_quantity(cell, unit=unit, field="--mask")
        for cell, unit in zip(cells, ("Hz", "Hz", "dB"), strict=True)
    )
    return LimitBand(low, high, limit)


def _generator(rise_time: str, uncertainty: str, flatness: str) -> Generator:
    return Generator(
        parse_positive(rise_time, "s", "--rise-time", zero=True),
        parse_positive(uncertainty, "s", "--rise-time-uncertainty", zero=True),
        parse_positive(flatness, "dB", "--flatness", zero=True),
    )


def _chain(low: Sequence[str], high: Sequence[str], probe: str) -> CaptureChain:
    return CaptureChain(
        tuple(parse_positive(text, "Hz", "--chain-low") for text in low),
        tuple(parse_positive(text, "Hz", "--chain-high") for text in high),
        100.0 * parse_positive(f"{probe.rstrip('% ')} %", "%", "--probe", zero=True),
    )


def readings_of(
    stimuli: Sequence[str] | None,
    *,
    channel: int | None,
    stimulus_at: str | None,
    time_unit: str | None,
    decimal: Sequence[str] | None,
    units: str | None = None,
    captures: int = 1,
    idle: int | None = None,
) -> tuple[ReadingOptions, ...]:
    """Say how each capture is read: with the one stimulus of all, or its own.

    Parameters
    ----------
    stimuli : sequence of str or None
        Channels or files that were played.
    channel, stimulus_at, time_unit, units
        As in `ReadingOptions`, for all captures.
    decimal : sequence of str or None
        Decimal marks of files that read either way: one for all, or one for each.
    captures : int, optional
        Number of captures.
    idle : int or None, optional
        Channel with an idle output.

    Returns
    -------
    tuple of ReadingOptions
        One for each, or one for all.

    Raises
    ------
    InputError
        When there are neither one nor as many stimuli, or decimal marks.
    """
    named, marks = stimuli or [], decimal or []
    for option, given in (("--stimulus", named), ("--decimal", marks)):
        if len(given) > 1 and len(given) != captures:
            each = "give one" if captures == 1 else f"give one for all captures, or {captures}"
            raise InputError(option, ", ".join(given), each)
    plain = ReadingOptions(channel, None, stimulus_at, time_unit, units=units)
    readings = [
        replace(plain, stimulus=int(text), idle=idle)
        if text.isdecimal()
        else replace(plain, played=Path(text), idle=idle)
        for text in named
    ] or [replace(plain, idle=idle)]
    readings *= captures if len(readings) == 1 else 1
    stated = marks if len(marks) > 1 else [*marks, None][:1] * captures
    return tuple(replace(r, decimal=mark) for r, mark in zip(readings, stated, strict=True))


def meter_accuracy(
    resistance: str,
    capacitance: str,
    *,
    display: int = 10_000,
    correlation: float = 0.5,
    one_meter: bool = False,
) -> MeterAccuracy:
    """Parse the accuracy of the meters from the texts of the options.

    Parameters
    ----------
    resistance, capacitance : str
        Accuracy [% of reading, and ohm or F]: ``0.2 %`` (the sign may be left out), then constants
        after ``+``: ``2 counts`` of the last digit, or a quantity such as ``0.1 ohm`` or ``2 pF``.
    display : int, optional
        Counts of the display.
    correlation : float, optional
        Between the errors of readings in one range, 0 to 1.
    one_meter : bool, optional
        Whether one meter read all parts.

    Returns
    -------
    MeterAccuracy
        As fractions.

    Raises
    ------
    InputError
        When a text is no per cent from 0 to below 100 with constants of 0 or greater, or the
        correlation is out of range.
    """
    of_ohms, ohm_counts, ohms = _accuracy(resistance, "ohm", "--meter-resistance")
    of_farads, farad_counts, farads = _accuracy(capacitance, "F", "--meter-capacitance")
    return MeterAccuracy(
        of_ohms, of_farads, correlation, one_meter, ohm_counts, farad_counts, ohms, farads, display
    )


def _accuracy(text: str, unit: str, field: str) -> tuple[float, float, float]:
    """Fraction of reading, counts and constant."""
    of_reading, *constants = (cell.strip() for cell in text.split("+"))
    counts = constant = 0.0
    for cell in constants:
        number, word = cell.rpartition("count")[::2]
        if number and word in ("", "s"):
            counts += parse_positive(number, "", field, zero=True)
        else:
            constant += parse_positive(cell, unit, field, zero=True)
    return parse_percent(of_reading, field), counts, constant
