"""Limits of figures: read from a file, decided with a guard band, the worst ruling."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from antecurve.errors import AntecurveError
from antecurve.files.limits_file import read_limits
from antecurve.judge.conformity import Decision
from antecurve.judge.factor_of_two import gain_question, level_question
from antecurve.judge.figure_limits import FigureLimit, figure_decisions, worst_decision
from antecurve.judge.probe_factor import probe_question
from antecurve.judge.unit_figure import FIGURE_NAMES, UnitFigure

TEXT = """
[limits]
gain = { least = 38, most = "42 dB" }
polarity = 1
balance = 0.5
noise_a_weighted = -70
overload_1khz = 20
"""


def write(folder: Path, text: str) -> Path:
    (folder / "limits.toml").write_text(text)
    return folder / "limits.toml"


def test_each_form_of_a_limit(tmp_path: Path) -> None:
    limits = {limit.name: limit for limit in read_limits(write(tmp_path, TEXT))}
    assert (limits["gain"].least, limits["gain"].most) == (38.0, 42.0)
    assert (limits["polarity"].least, limits["polarity"].most) == (1.0, 1.0)
    assert (limits["balance"].least, limits["balance"].most) == (-0.5, 0.5)
    assert limits["noise_a_weighted"].most == -70.0
    assert limits["overload_1khz"].least == 20.0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[limits]\nhiss = 3", "the figures are gain"),
        ("[limits]\ngain = 40", "least = ..., most = ..."),
        ("[limits]\npolarity = 2", "1 or -1"),
        ("[limits]\nnoise = true", "number of decibels"),
        ("[limits]\nnoise = 'loud'", "limits.noise"),
        ("[limits]\ngain = { low = 3 }", "least, most, or both"),
        ("[limits]\ngain = { least = 3, most = 2 }", "above the most"),
        ("[other]\nnoise = 3", r"\[limits\]"),
        ("limits", "TOML"),
    ],
)
def test_bad_files_get_a_sentence(text: str, message: str, tmp_path: Path) -> None:
    with pytest.raises(AntecurveError, match=message):
        read_limits(write(tmp_path, text))


@pytest.mark.parametrize(
    ("value", "reach", "bound", "decision"),
    [
        (-75.0, 1.0, "", Decision.PASS),
        (-70.5, 1.0, "", Decision.UNDECIDED),
        (-69.5, 1.0, "", Decision.UNDECIDED),
        (-68.0, 1.0, "", Decision.FAIL),
        (-75.0, 0.0, "at most", Decision.PASS),
        (-65.0, 0.0, "at most", Decision.UNDECIDED),
    ],
)
def test_the_guard_band(value: float, reach: float, bound: str, decision: Decision) -> None:
    """JCGM 106:2012, 8.3.3: within the limit by the expanded uncertainty, or beyond it by that."""
    figure = UnitFigure("noise", value, reach, bound)
    (made,) = figure_decisions([figure], [FigureLimit("noise", most=-70.0)])
    assert made.decision is decision


def test_a_wrong_polarity_is_called_so() -> None:
    figure = UnitFigure("polarity", -1.0, 0.0)
    (made,) = figure_decisions([figure], [FigureLimit("polarity", 1.0, 1.0)])
    assert made.decision is Decision.FAIL
    assert made.ruling == (
        "wrong polarity: the output is upside down, its limit asks for the right way up"
    )


def test_a_lower_bound_that_is_enough_passes() -> None:
    figure = UnitFigure("overload_1khz", 26.0, 0.0, "at least")
    (made,) = figure_decisions([figure], [FigureLimit("overload_1khz", least=20.0)])
    assert made.decision is Decision.PASS
    assert made.text.endswith("at least 26.0 dB; limit at least 20 dB")


def test_what_is_limited_and_not_measured_is_undecided_and_says_what_it_needs() -> None:
    decisions = figure_decisions([], [FigureLimit(name, most=1.0) for name in FIGURE_NAMES])
    assert all(d.decision is Decision.UNDECIDED and ". It needs a " in d.text for d in decisions)


def test_the_worst_rules() -> None:
    assert worst_decision([Decision.PASS, Decision.UNDECIDED]) is Decision.UNDECIDED
    assert worst_decision([Decision.UNDECIDED, Decision.FAIL, Decision.PASS]) is Decision.FAIL


def test_the_limits_of_the_demo_data_are_read() -> None:
    limits = read_limits(Path(__file__).parents[2] / "data" / "limits.toml")
    assert {limit.name for limit in limits} <= set(FIGURE_NAMES) and len(limits) == 8


@pytest.mark.parametrize(
    ("value", "word"),
    [(46.0, "twice"), (34.0, "half"), (40.2, ""), (43.0, ""), (52.0, ""), (41.9, "")],
)
def test_a_gain_off_by_a_factor_of_two_is_asked_about(value: float, word: str) -> None:
    """Nominal 40 dB: twice the EMF, or half, makes 6.02 dB; other departures are the unit's."""
    gain = UnitFigure("gain", value, 0.1)
    text = gain_question([gain], [FigureLimit("gain", 39.0, 41.0)])
    assert text.startswith(f"is the EMF {word} the level stated?") if word else text == ""
    assert not word or "--full-scale" in text
    assert gain_question([gain], [FigureLimit("noise", most=-60.0)]) == ""
    off = level_question(value - 40.0)
    assert off.startswith(f"is the EMF {word} the level stated?") if word else off == ""


@pytest.mark.parametrize(
    ("value", "asked"),
    [
        (20.0, "at the output taken for 1:1? The gain of 20.0 dB would be 40.0 dB"),
        (84.0, "at the stimulus taken for 1:1? The gain of 84.0 dB would be 64.0 dB"),
        (40.0, ""),
        (64.0, ""),
        (-20.0, ""),
    ],
)
def test_a_gain_off_by_a_probe_is_asked_about(value: float, asked: str) -> None:
    """10:1 makes 20 dB; gains of 30 to 70 dB are common practice, no source."""
    gain = UnitFigure("gain", value, 0.1, "", "output over input")
    text = probe_question([gain], [])
    assert asked in text and bool(text) == bool(asked)
    assert probe_question([gain], [FigureLimit("gain", 10.0, 90.0)]) == ""
    assert probe_question([replace(gain, scale="inputs")], []) == ""
    limited = probe_question([gain], [FigureLimit("gain", 39.0, 41.0)])
    assert ("would be 40.0 dB, within its limit" in limited) is (value == 20.0)


@pytest.mark.parametrize(
    ("value", "word"), [(74.0, "twice"), (26.0, "half"), (80.0, ""), (36.0, "")]
)
def test_without_a_limit_an_emf_that_was_stated_is_asked_about(value: float, word: str) -> None:
    """A factor of two is 6.02 dB; gains of 30 to 70 dB are common practice, no source."""
    gain = UnitFigure("gain", value, 0.1, scale="emf")
    text = gain_question([gain], [])
    assert text.startswith(f"is the EMF {word} the level stated?") if word else text == ""
    assert gain_question([replace(gain, scale="volts")], []) == ""


@pytest.mark.parametrize(
    ("scale", "advice"), [("levels", "on a second channel"), ("inputs", "with the unit bypassed")]
)
def test_a_gain_with_levels_of_an_interface_in_it_is_not_judged(scale: str, advice: str) -> None:
    """Those of a played file, or of two inputs that may be set unlike."""
    gain = UnitFigure("gain", 33.0, 0.1, "", "record over played file", scale=scale)
    limits = [FigureLimit("gain", 38.0, 42.0)]
    (decision,) = figure_decisions([gain], limits)
    assert decision.decision is Decision.UNDECIDED
    assert decision.text.startswith("limited but not judged: gain at 1 kHz: 33.0 dB")
    assert advice in decision.text
    (known,) = figure_decisions([replace(gain, scale="known inputs")], limits)
    assert known.decision is Decision.FAIL
    assert gain_question([gain], limits) == probe_question([gain], limits) == ""
