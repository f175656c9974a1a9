"""No wrong argument of a public constructor or function ends in anything but the package's error.

Every class and function that checks its arguments (`antecurve.checked.public_names`) is called with
one argument wrong at a time, the others valid: by type (a text, a truth, an object, ...) and by
value (NaN, infinite, negative, zero, huge, empty).  What comes back is refused with an error of the
package in one line, or is free of NaN.
"""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import math
import pickle
import pkgutil
import tomllib
import warnings
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import antecurve
from antecurve.checked import public_names
from antecurve.curves.catalogue import named_curve
from antecurve.diagnose.unit_circuit import UnitInput
from antecurve.errors import AntecurveError
from antecurve.files.starter_unit import starter_unit
from antecurve.files.unit_file import parse_unit
from antecurve.job import Grade, NetworkRequest, default_job
from antecurve.networks.topology import Element, ElementKind, Loading
from antecurve.parts.position import Part
from antecurve.pipeline import Design
from antecurve.signals.request import SignalRequest
from antecurve.switched import box
from antecurve.switched.joint_pick import pick_box
from antecurve.switched.request import BoxJob, SwitchPosition
from antecurve.synthesis import own_starts
from antecurve.synthesis.formula_text import numeric_formulas
from antecurve.synthesis.formulas import form_formulas
from long_form import LONG_FORM

for _module in pkgutil.walk_packages(antecurve.__path__, "antecurve."):
    if ".cli" not in _module.name and not _module.name.endswith("__main__"):
        importlib.import_module(_module.name)

NAMES = {f"{n.__module__.removeprefix('antecurve.')}.{n.__qualname__}": n for n in public_names()}
NAMES = {name: value for name, value in NAMES.items() if value.__module__.startswith("antecurve.")}
DATA = Path(__file__).parents[2] / "data"
WRONG: dict[str, Any] = {
    "nothing": None, "a text": "50 Hz", "an empty text": "", "a truth": True, "NaN": math.nan,
    "infinity": math.inf, "a negative number": -1.0, "zero": 0, "a huge number": 1e300,
    "a huge whole number": 10**400, "an empty list": [], "a list of lists": [[1.0], [2.0]],
    "a list of NaN": [math.nan], "a list of texts": ["R1", "in"], "a dict": {"a": 1},
    "a dict of NaN": {"R1": math.nan}, "an object": object(), "a complex number": 1j,
    "a class": float, "an array of text": np.array(["a"]), "two bands": (20e3, 20.0),
}  # fmt: skip
SLOW = {
    "pipeline.design", "report.page.report_page", "analysis.trim.trim", "judge.verdicts.judge_unit",
    "judge.batch.judge_batch", "judge.calibration.calibrate_network",
    "judge.curve_guess.guess_unit_curve", "diagnose.diagnosis.diagnose_unit",
}  # fmt: skip
"""Called with their required arguments wrong: a call that succeeds takes seconds."""


@pytest.fixture(scope="module", autouse=True)
def _little_searching() -> Iterator[None]:
    """Values that no network has are given up after a few starts, as after all of them.

    What searches for the parts of a box comes after all checks: for the same box it runs once.
    """
    picked_boxes: dict[bytes, Any] = {}

    def picked(*given: Any, **named: Any) -> Any:
        key = pickle.dumps((given, named))
        if key not in picked_boxes:
            picked_boxes[key] = pick_box(*given, **named)
        return picked_boxes[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(own_starts, "_EFFORT", own_starts._EFFORT // 12)
        patch.setattr(box, "pick_box", picked)
        yield


@pytest.fixture(scope="module")
def valid(default_design: Design, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Valid arguments by their names."""
    design = default_design
    position = design.picked.positions[0]
    folder = tmp_path_factory.mktemp("public")
    from antecurve.analysis.meter import MeterAccuracy
    from antecurve.analysis.prices import PriceBreak
    from antecurve.files.captures import read_capture
    from antecurve.files.design_file import design_json
    from antecurve.judge.network_estimate import exact_estimate
    from antecurve.judge.verdicts import judge_unit

    (folder / "unit.toml").write_text(starter_unit())
    (folder / "design.json").write_bytes(design_json(design))
    stock = design.job.resistors
    capture = read_capture(DATA / "unit-a-200hz.csv")
    verdict = judge_unit(capture, design)
    estimate = exact_estimate(design.network, loading=design.conditions.loading)
    return {
        **{f.name: getattr(stock, f.name) for f in dataclasses.fields(stock)},
        "job": default_job(), "design": design, "picked": design.picked,
        "network": design.network, "topology": design.network.topology,
        "values": design.network.values, "curve": design.curve,
        "loading": Loading(50.0, 47e3, 150e-12), "conditions": design.conditions,
        "frequency_hz": [20.0, 1e3, 20e3], "level_db": [-19.0, 0.0, 19.0],
        "amplitude_v": 1.0, "value": 1000.0, "unit": "ohm", "field": "x", "name": "disc",
        "zeros_s": (3180e-6, 75e-6), "poles_s": (318e-6,), "turnover_hz": 500.0, "cut_db": 13.7,
        "ref": "R1", "kind": ElementKind.RESISTOR, "nodes": ("in", "out"), "form": "foster-1",
        "elements": (Element("R1", ElementKind.RESISTOR, ("in", "out")),
                     Element("R2", ElementKind.RESISTOR, ("out", "0"))),
        "source_resistance": 50.0, "load_resistance": 47e3, "load_capacitance": 150e-12,
        "tolerance": 0.01, "price": 1.0, "unit_price": 0.1,
        "breaks": (PriceBreak(ElementKind.RESISTOR, 1e3, 1, 0.1),),
        "element": position.element, "parts": position.parts,
        "positions": design.picked.positions, "own": np.full(6, 0.01), "common": np.full(6, 0.01),
        "measured": {p.element.ref: p.value for p in design.picked.positions},
        "meter": MeterAccuracy(), "attenuation_db": 20.0, "generator_resistance": 50.0,
        "unit_resistance": 47e3, "level_v": 5e-3, "capacitance_per_metre": 1e-10, "length_m": 1.0,
        "resistance_ohm": 1e6, "capacitance_f": 1e-11, "coefficient": 1e-4,
        "coefficient_low": 0.0, "coefficient_high": 2e-4, "gain": 0.01,
        "shunt_resistance": 500.0, "part": Part(1e3, 0.01), "quantity": 1, "entries": (),
        "series": "E12", "low": 1e3, "high": 1e4, "zeros": 1, "poles": 1,
        "raw": {"curve": {"name": "disc"}},
        "captures": capture, "units": {"A": capture},
        "input": "in", "output": "out", "plus": "in", "minus": "f", "title": "unit",
        "amplifiers": (), "operational_amplifiers": (),
        "sweep": read_capture(DATA / "build-1-sweep.csv"),
        "first": verdict, "second": verdict, "before": verdict, "after": verdict,
        "low_hz": 20.0, "high_hz": 20e3, "limit_db": 0.5,
        "time_s": np.arange(1000) / 1e5, "volts": np.sign(np.sin(np.arange(1000) * 0.03)),
        "errors": estimate.errors, "uniform": estimate.uniform,
        "folder": folder / "out", "path": DATA / "bench.toml",
        "formulas": numeric_formulas(form_formulas("foster-1", design.curve)),
    }  # fmt: skip


TWO_ALIKE = tuple(SwitchPosition(name, named_curve("cd-emphasis")) for name in ("a", "b"))
QUICK_JOB = dataclasses.replace(
    default_job(),
    network=NetworkRequest(forms=("foster-1",)),
    resistors=dataclasses.replace(default_job().resistors, series="E6"),
)
OWN: dict[str, dict[str, Any]] = {
    "quantities.parse_positive": {"text": "4k7", "unit": "ohm", "field": "value"},
    "quantities.parse_percent": {"text": "1 %", "field": "value"},
    "files.captures.read_capture": {"path": "unit-a-30hz.csv"},
    "files.drawer.read_drawer": {"path": "drawer.csv"},
    "files.price_file.read_prices": {"path": "prices.csv"},
    "files.measured.read_measured": {"path": "build-1-values.csv"},
    "analysis.technologies.technology": {"name": "metal film"},
    "analysis.waveform.SquareWave": {"frequency_hz": 1e3},
    "diagnose.diagnosis.diagnose_unit": {"unit": parse_unit(tomllib.loads(starter_unit()))},
    "diagnose.unit_circuit.UnitCircuit": {"input": UnitInput(47e3, 150e-12)},
    "diagnose.unit_circuit.UnitInput": {"resistance": 47e3},
    "files.unit_file.read_unit": {"path": "unit.toml"},
    "files.unit_file.parse_unit": {"raw": tomllib.loads(starter_unit())},
    "judge.sweep.SweepCapture": {
        "frequency_hz": [20.0, 100.0, 1e3, 5e3, 20e3],
        "level_db": [-19.0, -13.1, 0.0, 8.2, 19.6],
    },
    "files.design_file.read_design": {"path": "design.json"},
    "files.box_file.read_box": {"path": "design.json"},
    "files.box_job_file.parse_box_job": {
        "raw": {
            "curve": [{"position": "a", "name": "disc"}, {"position": "b", "name": "flat"}],
        },
    },
    "switched.request.BoxJob": {"common": default_job(), "positions": TWO_ALIKE},
    "switched.box.design_box": {"job": BoxJob(QUICK_JOB, TWO_ALIKE)},
    "switched.box.with_box_alternative": {"job": BoxJob(QUICK_JOB, TWO_ALIKE), "alternative": 0},
    "analysis.planning.plan_tolerances": {
        "resistor_grades": (Grade(0.01, 1.0),),
        "capacitor_grades": (Grade(0.01, 1.0),),
        "limit_db": 1.0,
        "builds": 500,
    },
    "curves.fit.fit_curve": {
        "frequency_hz": [20.0, 100.0, 1e3, 5e3, 20e3],
        "level_db": [-19.0, -13.1, 0.0, 8.2, 19.6],
    },
    "curves.identify.identify_curve": {
        # Five points allow one time constant: few models, a call takes milliseconds.
        "frequency_hz": [20.0, 100.0, 1e3, 5e3, 20e3],
        "level_db": [0.0, 0.0, 0.4, 5.4, 16.1],
    },
    "files.recordings.read_recording": {"path": "unit-a-30hz.csv"},
    "judge.two_channel.TwoChannelRecord": {
        "rate_hz": 48e3,
        "stimulus": np.sin(np.arange(5000) * 0.1),
        "volts": np.sin(np.arange(5000) * 0.1 - 0.5),
    },
    "curves.model.Curve": {"name": "own"},
    "files.limits_file.read_limits": {"path": "limits.toml"},
    "judge.figure_limits.FigureLimit": {"name": "noise", "most": -60.0},
    "judge.unit_figures.FigureRequest": {"input_v": 5e-3},
    "signals.request.SignalRequest": {"kind": "sweep"},
    "signals.signal.make_signal": {"request": SignalRequest("sweep", seconds=0.5)},
    "analysis.sensitivity.sensitivities": {"points_per_decade": 5},
    "analysis.spread.spread": {"builds": 500},
    "synthesis.own_network.solve_own_network": {  # few elements: a call takes milliseconds
        "topology": form_formulas("foster-1", named_curve("cd-emphasis")).topology,
        "curve": named_curve("cd-emphasis"),
    },
}
"""Arguments that differ from what their name alone says."""


def _wrong_of(named: str) -> list[Any]:
    """The wrong values of an argument: a third, another one for each, and all in the long form."""
    step = 1 if LONG_FORM else 3
    return list(WRONG.values())[zlib.crc32(named.encode()) % step :: step]


def _numbers(value: Any) -> list[float]:
    if isinstance(value, float):
        return [value]
    if isinstance(value, np.ndarray):
        return list(value.real.ravel()) if value.dtype.kind in "fc" else []
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return _numbers([getattr(value, f.name) for f in dataclasses.fields(value)])
    if isinstance(value, dict):
        return _numbers(list(value.values()))
    return [n for item in value for n in _numbers(item)] if isinstance(value, list | tuple) else []


def _arguments(name: str, valid: dict[str, Any]) -> dict[str, Any]:
    own = dict(OWN.get(name, {}))
    if "path" in own:
        made = valid["folder"].parent / own["path"]
        own["path"] = made if made.exists() else DATA / own["path"]
    needed = {
        p: valid.get(p)
        for p, parameter in inspect.signature(NAMES[name]).parameters.items()
        if parameter.default is inspect.Parameter.empty and p != "self"
    }
    return {**needed, **own}


def _refused_or_sound(name: str, argument: str, arguments: dict[str, Any]) -> str:
    """What is wrong with how a call ended, or nothing."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            result = NAMES[name](**arguments)
    except AntecurveError as error:
        return "" if "\n" not in str(error) else f"{argument}: a message of several lines"
    except Exception as error:  # noqa: BLE001 - the very thing looked for
        return f"{argument}={str(arguments[argument])[:30]}: {type(error).__name__}: {error}"
    silent = any(math.isnan(n) for n in _numbers(result))
    return f"{argument}={str(arguments[argument])[:30]}: NaN comes back" if silent else ""


@pytest.mark.parametrize("name", NAMES)
def test_wrong_arguments_end_in_an_error_of_the_package(name: str, valid: dict[str, Any]) -> None:
    arguments = _arguments(name, valid)
    faults = []
    for argument in arguments if name in SLOW else inspect.signature(NAMES[name]).parameters:
        if argument in {"self", "executor", "progress", "builds_progress"}:
            continue
        for wrong in _wrong_of(f"{name} {argument}"):
            if argument == "folder" and isinstance(wrong, str):
                continue  # a name like any other
            faults.append(_refused_or_sound(name, argument, {**arguments, argument: wrong}))
    assert not any(faults), "\n".join(filter(None, faults))


@pytest.mark.parametrize("name", sorted(set(NAMES) - SLOW))
def test_the_valid_arguments_are_valid(name: str, valid: dict[str, Any]) -> None:
    if name == "files.design_folder.write_design":
        return  # writes; tested with the files
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert NAMES[name](**_arguments(name, valid)) is not Ellipsis


def test_a_swapped_kind_gets_no_further() -> None:
    """A kind given as text is the kind, not another; one that does not exist is refused."""
    assert Element("R1", "resistor", ("in", "out")).kind is ElementKind.RESISTOR  # type: ignore[arg-type]
    with pytest.raises(AntecurveError, match="'resistor' or 'capacitor'"):
        Element("R1", "resitor", ("in", "out"))  # type: ignore[arg-type]


@pytest.mark.parametrize("pole", [50e3, "50 kHz", ["50 kHz"]])
def test_a_pole_as_text_or_bare_number_is_refused(pole: Any) -> None:
    from antecurve.curves.construct import with_limits

    with pytest.raises(AntecurveError, match="ultrasonic_poles_hz"):
        with_limits(named_curve("disc"), ultrasonic_poles_hz=pole)
