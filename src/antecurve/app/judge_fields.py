"""Fields of the form by which a unit is judged: what the command line has as options of judge."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from antecurve.errors import AntecurveError, InputError
from antecurve.files.judging_texts import JudgingTexts
from antecurve.files.recordings import ReadingOptions
from antecurve.files.unit_curve_texts import UnitCurveTexts

__all__ = [
    "CAPTURE_GROUPS",
    "KEPT_FILES",
    "KEPT_OF_EACH",
    "KEPT_OF_RECORDING",
    "RECORDING_GROUPS",
    "VERDICT_GROUPS",
    "FieldGroup",
    "JudgeField",
    "form_field",
    "form_sentence",
    "judging_texts",
    "names_in",
    "reading_options",
    "unit_curve_texts",
    "whole_number",
]


@dataclass(frozen=True, slots=True)
class JudgeField:
    """A field of the form.

    Attributes
    ----------
    name : str
        As the option of the command line, with underscores.
    label, hint : str
        What it is called, and what it is for.
    usual : str
        What counts where it is empty.
    choices : tuple of tuple of str
        Values to choose from with their words; empty where it is typed.
    lines : bool
        Whether it takes several lines.
    files : bool
        Whether it takes files.
    """

    name: str
    label: str
    hint: str
    usual: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    lines: bool = False
    files: bool = False


@dataclass(frozen=True, slots=True)
class FieldGroup:
    """Fields that belong together.

    Attributes
    ----------
    title : str
        What they are about.
    fields : tuple of JudgeField
        The fields.
    """

    title: str
    fields: tuple[JudgeField, ...]


VERDICT_GROUPS = (
    FieldGroup("Limits", (
        JudgeField("band_low", "Band from", "Lowest frequency judged. Empty: that of the job."),
        JudgeField("band_high", "Band to", "Highest frequency judged. Empty: that of the job."),
        JudgeField("mask", "Limits for parts of the band",
                   "One a line as LOW:HIGH:DB, for example 20 Hz:50 Hz:1.0.", lines=True),
        JudgeField("playback", "Ideal playback", "Inverse also undoes the ultrasonic poles.",
                   choices=(("published", "as published"), ("inverse", "inverse of the curve"))),
        JudgeField("limits", "Limits of figures",
                   "One a line in dB, for example noise = -70 or gain = { least = 34, most = 36 }.",
                   lines=True),
        JudgeField("limits_file", "Or a file limits.toml", "It holds the same lines.", files=True),
        JudgeField("input_level", "Input level",
                   "In volts (rms, 1 kHz). Noise, hum and overload are referred to it. "
                   "Empty: that of the job."),
        JudgeField("full_scale", "Full scale",
                   "Volts (rms) of a sine at full scale of the stimulus, of a sound file."),
        JudgeField("mains", "Mains frequency", "Empty: read from the hum.",
                   choices=(("", "read from the hum"), ("50 Hz", "50 Hz"), ("60 Hz", "60 Hz"))),
    )),
    FieldGroup("Another curve of the unit", (
        JudgeField("unit_zeros", "Zeros", "Time constants, for example 3180 us, 75 us."),
        JudgeField("unit_poles", "Poles", "Time constants, for example 318 us."),
        JudgeField("unit_turnover", "Or turnover", "A frequency, for example 500 Hz."),
        JudgeField("unit_cut", "Cut at 10 kHz", "In dB, for example 13.7."),
        JudgeField("unit_shelf", "Bass shelf", "A frequency; empty for none."),
    )),
    FieldGroup("Meter of the network's parts", (
        JudgeField("meter_resistance", "Accuracy of the ohmmeter",
                   "Per cent of reading plus a constant, such as 0.5 % + 2 counts.",
                   usual="0.2 %"),
        JudgeField("meter_capacitance", "Accuracy of the capacitance meter",
                   "In the same form, for example 1 % + 5 counts + 2 pF.", usual="0.5 %"),
        JudgeField("meter_display", "Counts of its display", "For counts and ranges.",
                   usual="10000"),
    )),
)  # fmt: skip
"""What is known beside the captures; it counts for a recording, too."""

CAPTURE_GROUPS = (
    FieldGroup("How the files are read", (
        JudgeField("channel_number", "Channel with the output",
                   "Of files with several channels, from 1. Empty: as the file says."),
        JudgeField("stimulus", "Channel with the stimulus",
                   "Of records of two channels: what went into the network."),
        JudgeField("played_file", "Or the file that was played",
                   "In place of a channel with the stimulus.", files=True),
        JudgeField("stimulus_at", "Where the stimulus was taken",
                   "Empty: at the generator with a channel, as EMF with a file.",
                   choices=(("", "as usual"), ("generator", "at the generator"),
                            ("input", "at the unit's input"), ("emf", "as EMF"))),
        JudgeField("idle_channel", "Channel with the idle output",
                   "The unit's other output, its input idle. It shows the crosstalk."),
        JudgeField("time_unit", "Unit of time", "Where the file names none.",
                   choices=(("", "as the file says"), ("s", "s"), ("ms", "ms"), ("us", "µs"),
                            ("ns", "ns"))),
        JudgeField("units", "Units of the columns",
                   "In order, for example us,mV or Hz,dB,deg. 10V is volts times 10, a dash leaves "
                   "a column out."),
        JudgeField("decimal", "Decimal mark", "Where the file can be read in two ways.",
                   choices=(("", "as the file says"), ("point", "point"), ("comma", "comma"))),
    )),
    FieldGroup("Other channel of the unit, for the match", (
        JudgeField("other_files", "Captures of the other channel",
                   "It gets a verdict of its own.", files=True),
        JudgeField("other_channel", "Name of the other channel", "For example right."),
    )),
    FieldGroup("Generator and capture chain", (
        JudgeField("reference_files", "Captures with the unit bypassed",
                   "The same signal, best without the network. One for each square wave "
                   "frequency. One serves all records with a stimulus.",
                   files=True),
        JudgeField("chain_low", "Low corners of the chain",
                   "Frequencies separated by commas, for example 1.6 Hz of AC coupling."),
        JudgeField("chain_high", "High corners of the chain",
                   "Frequencies separated by commas, for example 20 MHz."),
        JudgeField("probe", "Uncertainty of a probe", "Of its compensation, in % (95 %).",
                   usual="0"),
        JudgeField("rise_time", "Rise time of the generator", "From 10 to 90 %, for example 50 ns.",
                   usual="0"),
        JudgeField("rise_time_uncertainty", "Its standard uncertainty", "For example 5 ns.",
                   usual="0"),
        JudgeField("flatness", "Flatness of its sweep", "Uncertainty in dB (95 %).", usual="0"),
    )),
)  # fmt: skip
"""What is known of captures that are dropped."""

RECORDING_GROUPS = (
    FieldGroup("Signal", (
        JudgeField("signal", "Signal", "A sweep also shows distortion, and takes the least time.",
                   choices=tuple((k, k) for k in ("sweep", "square", "sines", "multitone",
                                                  "noise"))),
        JudgeField("seconds", "Length", "In seconds. A longer signal shows more through noise.",
                   usual="10"),
        JudgeField("level", "Highest level", "In dB re full scale. The ramp ends there at the "
                   "latest.", usual="-6"),
        JudgeField("rate", "Sampling rate", "One that the interface has.", usual="48k"),
    )),
    FieldGroup("Resistances of the interface", (
        JudgeField("known_resistor", "A known resistor",
                   "It measures output and input in three steps, for example 1k."),
        JudgeField("generator_resistance", "Or output resistance",
                   "As stated by its maker. Empty: as the network was designed for."),
        JudgeField("input_resistance", "Input resistance",
                   "As stated by its maker. Empty: its load is not counted."),
    )),
)  # fmt: skip
"""What is known of a recording."""

KEPT_OF_EACH = ("network", "operator", "network_serial", "limit", "curve")
"""Fields beside those in groups that the next unit is asked for with."""
KEPT_OF_RECORDING = (
    "way", "output_device", "input_device", "output_channel", "input_channel",
    "generator_channel", "reference", *(f.name for g in RECORDING_GROUPS for f in g.fields),
)  # fmt: skip
"""The same of a recording."""

KEPT_FILES = ("earlier", "keep_limits_file", "keep_played_file", "keep_reference_files")
"""Fields that say which files of an earlier test count: number of its verdict, and ticks."""

_SHOWN_AT = {
    "band": "band_low", "channel": "channel_number", "idle": "idle_channel",
    "unit_curve": "curve", "limits.toml": "limits", "generator.rise_time_s": "rise_time",
    "generator.rise_time_uncertainty_s": "rise_time_uncertainty",
    "generator.flatness_db": "flatness", "input_v": "input_level", "full_scale_v": "full_scale",
    "chain.probe_percent": "probe", "limit_db": "limit", "kind of signal": "signal",
    "rate_hz": "rate", "level_db": "level",
}  # fmt: skip
"""Fields of messages whose field of the form has another name."""


_GROUPED = (f for g in (*VERDICT_GROUPS, *CAPTURE_GROUPS, *RECORDING_GROUPS) for f in g.fields)
_LABELS = {f.name: f.label for f in _GROUPED} | {
    "serial": "Serial number", "channel": "Channel", "curve": "Curve of the unit",
    "limit": "Limit in dB", "network": "Network", "circuit": "Circuit of the unit",
    "captures": "Captures", "reference": "Reference with the unit bypassed",
    "output_channel": "Output that plays", "input_channel": "Input for the unit's output",
    "generator_channel": "Input for the generator", "date": "Date",
}  # fmt: skip
"""What the form calls its fields."""
_OPTION = re.compile(r"--([a-z][a-z-]*)")


def names_in(groups: tuple[FieldGroup, ...], *, files: bool = False) -> tuple[str, ...]:
    """List the names of fields.

    Parameters
    ----------
    groups : tuple of FieldGroup
        Their groups.
    files : bool, optional
        Whether of those that take files, or of the others.

    Returns
    -------
    tuple of str
        In their order.
    """
    return tuple(f.name for group in groups for f in group.fields if f.files is files)


def form_field(error: AntecurveError | None) -> str:
    """Tell beside which field of the form an error is shown.

    Parameters
    ----------
    error : AntecurveError or None
        What is wrong.

    Returns
    -------
    str
        Name of the field; empty where the error is of none.
    """
    if not isinstance(error, InputError):
        return ""
    name = error.field.removeprefix("--").replace("-", "_")
    name = "limits" if name.startswith("limits") else name
    return _SHOWN_AT.get(name, name)


def form_sentence(error: AntecurveError) -> str:
    """Say what is wrong by the labels of the form, where the message names options.

    Parameters
    ----------
    error : AntecurveError
        What is wrong.

    Returns
    -------
    str
        One sentence.
    """
    sentence, label = str(error), _LABELS.get(form_field(error))
    if isinstance(error, InputError) and label is not None:
        sentence = label + sentence.removeprefix(error.field)
    return _OPTION.sub(_option_label, sentence)


def _option_label(option: re.Match[str]) -> str:
    name = option[1].replace("-", "_")
    label = _LABELS.get(_SHOWN_AT.get(name, name))
    return option[0] if label is None else f"“{label}”"


def whole_number(text: str, *, field: str) -> int:
    """Understand a whole number from 1.

    Parameters
    ----------
    text : str
        As typed.
    field : str
        Where it stands.

    Returns
    -------
    int
        The number.

    Raises
    ------
    InputError
        When it is none.
    """
    if not (text.isascii() and text.isdigit() and len(text) < 10 and int(text) > 0):
        raise InputError(field, text, "it must be a whole number from 1")
    return int(text)


def judging_texts(typed: Mapping[str, str]) -> JudgingTexts:
    """Collect how a unit is judged.

    Parameters
    ----------
    typed : mapping of str to str
        Fields as typed; those that are empty or missing count as usual.

    Returns
    -------
    JudgingTexts
        To be understood.

    Raises
    ------
    InputError
        When one end of the band is missing, or counts are no number.
    """
    given = {name: text for name, text in typed.items() if text}
    ends = [given.get(name, "") for name in ("band_low", "band_high")]
    if any(ends) and not all(ends):
        raise InputError("band", " ".join(filter(None, ends)), "give both ends, or none")
    plain = {
        name: given[name]
        for name in (
            "limit", "playback", "rise_time", "rise_time_uncertainty", "flatness", "probe", "mains",
            "meter_resistance", "meter_capacitance", "input_level", "full_scale",
        )
        if name in given
    }  # fmt: skip
    display = given.get("meter_display", "10000")
    return JudgingTexts(
        **plain,
        band=(ends[0], ends[1]) if all(ends) else None,
        mask=tuple(line.strip() for line in given.get("mask", "").splitlines() if line.strip()),
        chain_low=_listed(given.get("chain_low", "")),
        chain_high=_listed(given.get("chain_high", "")),
        meter_display=whole_number(display, field="meter_display"),
    )


def _listed(text: str) -> tuple[str, ...]:
    return tuple(cell.strip() for cell in text.split(",") if cell.strip())


def unit_curve_texts(typed: Mapping[str, str]) -> UnitCurveTexts:
    """Collect what states the curve of the unit.

    Parameters
    ----------
    typed : mapping of str to str
        Fields as typed.

    Returns
    -------
    UnitCurveTexts
        To be understood.
    """
    names = ("curve", "unit_zeros", "unit_poles", "unit_turnover", "unit_cut", "unit_shelf")
    return UnitCurveTexts(*(typed.get(name) or None for name in names))


def reading_options(typed: Mapping[str, str], *, played: Path | None = None) -> ReadingOptions:
    """Collect what files of captures leave open.

    Parameters
    ----------
    typed : mapping of str to str
        Fields as typed.
    played : Path or None, optional
        The file that was played.

    Returns
    -------
    ReadingOptions
        For all captures.

    Raises
    ------
    InputError
        When they contradict each other.
    """
    channel, stimulus, idle = (
        whole_number(typed[name], field=field) if typed.get(name) else None
        for name, field in (
            ("channel_number", "channel"), ("stimulus", "stimulus"), ("idle_channel", "idle"),
        )
    )  # fmt: skip
    return ReadingOptions(
        channel, stimulus, typed.get("stimulus_at") or None, typed.get("time_unit") or None,
        typed.get("decimal") or None, played, idle, typed.get("units") or None,
    )  # fmt: skip
