"""No wrong argument of a checked constructor or function ends in anything but its own error."""

from __future__ import annotations

import dataclasses
import inspect
import math
from typing import Any

import pytest

from antecurve.analysis.bench_sheet import Receiver
from antecurve.analysis.generator import InputKind
from antecurve.analysis.level import level_report
from antecurve.analysis.loading import loading_table
from antecurve.analysis.noise import noise_report
from antecurve.analysis.pads import generator_pad, unit_pad
from antecurve.analysis.ratings import part_stresses
from antecurve.analysis.waveform import SquareWave
from antecurve.errors import AntecurveError
from antecurve.job import Grade, PickRequest, SpreadRequest, Stock, Target, default_job
from antecurve.networks.conditions import Conditions
from antecurve.networks.deviation import error_range
from antecurve.pipeline import Design

WRONG: dict[str, Any] = {
    "nothing": None, "a text": "50 Hz", "an empty text": "", "a truth": True, "NaN": math.nan,
    "infinity": math.inf, "a negative number": -1.0, "zero": 0, "a huge number": 1e300,
    "a huge whole number": 10**400, "an empty list": [], "a list of lists": [[1.0], [2.0]],
    "a dict": {"a": 1}, "an object": object(), "a complex number": 1j, "a class": float,
}  # fmt: skip
JOB = default_job()
VALID: dict[Any, dict[str, Any]] = {
    Receiver: {"name": "probe", "resistance_ohm": 1e6, "capacitance_f": 1e-11},
    InputKind: {"name": "in", "level_v": 5e-3, "load_resistance": 47e3, "load_capacitance": 1e-10},
    SquareWave: {"frequency_hz": 1e3, "amplitude_v": 1.0, "rise_time_s": 0.0},
    Grade: {"tolerance": 0.01, "price": 1.0},
    Target: {},
    Stock: {f.name: getattr(JOB.resistors, f.name) for f in dataclasses.fields(JOB.resistors)},
    SpreadRequest: {},
    PickRequest: {},
    Conditions: {"curve": JOB.curve, "loading": JOB.loading},
    generator_pad: {
        "attenuation_db": 20.0, "generator_resistance": 50.0, "source_resistance": 50.0,
    },
    unit_pad: {"attenuation_db": 20.0, "unit_resistance": 47e3, "load_resistance": 47e3},
}  # fmt: skip
OF_A_DESIGN = (error_range, level_report, loading_table, noise_report, part_stresses)


def _numbers(value: Any) -> list[float]:
    if isinstance(value, float):
        return [value]
    if isinstance(value, dict):
        return [n for item in value.values() for n in _numbers(item)]
    return [n for item in value for n in _numbers(item)] if isinstance(value, list | tuple) else []


def _refused_or_sound(target: Any, arguments: dict[str, Any]) -> None:
    try:
        result = target(**arguments)
    except AntecurveError as error:
        assert "\n" not in str(error)
        return
    if dataclasses.is_dataclass(result):
        fields = [getattr(result, f.name) for f in dataclasses.fields(result)]
        assert not any(math.isnan(n) for n in _numbers(fields))


@pytest.mark.parametrize("wrong", WRONG)
@pytest.mark.parametrize("target", VALID, ids=lambda t: str(t.__name__))
def test_wrong_values_of_plain_arguments(target: Any, wrong: str) -> None:
    for name in inspect.signature(target).parameters:
        _refused_or_sound(target, {**VALID[target], name: WRONG[wrong]})


@pytest.mark.parametrize("wrong", WRONG)
@pytest.mark.parametrize("target", OF_A_DESIGN, ids=lambda t: str(t.__name__))
def test_wrong_values_of_an_analysis(default_design: Design, target: Any, wrong: str) -> None:
    for name in inspect.signature(target).parameters:
        _refused_or_sound(target, {"design": default_design, name: WRONG[wrong]})
