"""Every public name is listed and documented: parameters, units, returns."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil
import re
import sys
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import antecurve

MODULES = sorted(
    m.name for m in pkgutil.walk_packages(antecurve.__path__, "antecurve.") if not m.ispkg
)
README = Path(__file__).parents[2] / "README.md"
# A name that ends so is a physical quantity: its description must carry the unit in brackets.
UNITS = {
    "_hz": "Hz", "_s": "s", "_db": "dB", "_v": "V", "_ohm": "ohm", "_f": "F",
    "resistance": "ohm", "capacitance": "F", "_kelvin": "K",
}  # fmt: skip
NOT_A_QUANTITY = {"reports_s"}


def _entries(doc: str, heading: str) -> dict[str, str]:
    """Names and descriptions of one numpydoc section."""
    match = re.search(rf"^{heading}\n-+\n(.*?)(?=^\w[\w ]*\n-+\n|\Z)", doc, re.S | re.M)
    entries: dict[str, str] = {}
    names: list[str] = []
    for line in (match.group(1) if match else "").splitlines():
        if line and not line.startswith(" "):
            names = [n.strip().lstrip("*") for n in line.split(":")[0].split(",")]
            entries |= dict.fromkeys(names, "")
        for name in names:
            entries[name] += " " + line
    return entries


def _public(module: ModuleType) -> dict[str, Any]:
    return {name: getattr(module, name) for name in getattr(module, "__all__", ())}


def _missing_unit(name: str, text: str) -> bool:
    if name in NOT_A_QUANTITY:
        return False
    for ending, unit in UNITS.items():
        if name.endswith(ending):
            return not re.search(rf"\[[^\]]*{unit}[^\]]*\]", text)
    return False


def test_modules_are_documented() -> None:
    faults = []
    for module in map(importlib.import_module, MODULES):
        if not inspect.getdoc(module):
            faults.append(f"{module.__name__}: no docstring")
        if "__all__" not in vars(module):
            faults.append(f"{module.__name__}: no __all__")
        package = module.__name__.rpartition(".")[0]
        faults += [
            f"{module.__name__}: {public} is listed but lives elsewhere"
            for public, value in _public(module).items()
            if (isinstance(value, type) or inspect.isfunction(value))
            and value.__module__.rpartition(".")[0] != package
        ]
    assert not faults, "\n".join(faults)


def test_functions_and_classes_are_documented() -> None:
    faults = []
    for module in map(importlib.import_module, MODULES):
        if ".cli." in module.__name__:
            continue
        for public, value in _public(module).items():
            name = f"{module.__name__}.{public}"
            if inspect.isfunction(value):
                faults += _function_faults(name, value)
            elif isinstance(value, type) and not issubclass(value, BaseException):
                faults += _class_faults(name, value)
    assert not faults, "\n".join(faults)


def _function_faults(name: str, function: Any) -> list[str]:
    doc = inspect.getdoc(function) or ""
    faults = [] if doc else [f"{name}: no docstring"]
    described = _entries(doc, "Parameters")
    signature = inspect.signature(function)
    for parameter in signature.parameters:
        if parameter == "self":
            continue
        if parameter not in described:
            faults.append(f"{name}: parameter {parameter} is not described")
        elif _missing_unit(parameter, described[parameter]):
            faults.append(f"{name}: parameter {parameter} has no unit")
    gone = set(described) - set(signature.parameters)
    faults += [f"{name}: describes {g}, which is no parameter" for g in sorted(gone)]
    if signature.return_annotation not in (None, "None", inspect.Signature.empty) and not (
        re.search(r"^(Returns|Yields)\n-+", doc, re.M)
    ):
        faults.append(f"{name}: no Returns")
    return faults


def _public_functions() -> list[tuple[str, Any]]:
    """Functions of every module, and methods of its classes, by name."""
    functions: list[tuple[str, Any]] = []
    for module in map(importlib.import_module, MODULES):
        for name, value in _public(module).items():
            if inspect.isfunction(value):
                functions.append((f"{module.__name__}.{name}", value))
            elif isinstance(value, type):
                functions += [
                    (f"{module.__name__}.{name}.{method}", member)
                    for method, member in vars(value).items()
                    if inspect.isfunction(member) and not method.startswith("_")
                ]
    return functions


def test_numbers_are_not_mixed_up() -> None:
    """Beside one number, what a function is given is named."""
    numbers = {"float", "int", "float | None", "int | None"}
    coordinates = {"antecurve.report.chart_svg.svg_text"}  # x, y as everywhere
    mixed = []
    for name, function in _public_functions():
        parameters = inspect.signature(function).parameters.values()
        taken = [
            p.name
            for p in parameters
            if p.kind is p.POSITIONAL_OR_KEYWORD and str(p.annotation) in numbers
        ]
        if len(taken) > 1 and name not in coordinates:
            mixed.append((name, taken))
    assert mixed == []


def test_summaries_say_what_to_do() -> None:
    idle = {"Return", "Returns", "Give", "Gives", "Get", "Gets", "What", "Which", "Whether", "How"}
    nouns = {"The", "A", "An", "One", "All", "Where", "This"}
    summaries = {n: (inspect.getdoc(f) or "-").split()[0] for n, f in _public_functions()}
    assert {n: word for n, word in summaries.items() if word in idle | nouns} == {}


def _class_faults(name: str, cls: type) -> list[str]:
    doc = inspect.getdoc(cls) or ""
    faults = [] if doc else [f"{name}: no docstring"]
    if dataclasses.is_dataclass(cls):
        described = _entries(doc, "Attributes") | _entries(doc, "Parameters")
        for field in dataclasses.fields(cls):
            if field.name.startswith("_"):
                continue
            if field.name not in described:
                faults.append(f"{name}: attribute {field.name} is not described")
            elif _missing_unit(field.name, described[field.name]):
                faults.append(f"{name}: attribute {field.name} has no unit")
        parameters = cls.__dataclass_params__  # type: ignore[attr-defined]
        if not (parameters.frozen and "__slots__" in vars(cls)):
            faults.append(f"{name}: not frozen and slotted")
    for method, value in vars(cls).items():
        if inspect.isfunction(value) and not method.startswith("_"):
            described = _described_by(value, method) or value
            faults += _function_faults(f"{name}.{method}", described)
    return faults


def _described_by(function: Any, method: str) -> Any:
    """The method of the protocol or base that a docstring refers to, which has it in full."""
    summary = (inspect.getdoc(function) or "").partition("\n\n")[0]
    reference = re.search(r", documented in\s+`(\w+)`\.$", summary)
    if reference is None:
        return None
    described = vars(_classes()[reference.group(1)])[method]
    return getattr(described, "__func__", described)


@cache
def _classes() -> dict[str, Any]:
    modules = map(importlib.import_module, MODULES)
    return {
        name: value
        for module in modules
        for name, value in _public(module).items()
        if isinstance(value, type)
    }


def test_public_names_of_the_package_exist() -> None:
    for name in antecurve.__all__:
        assert getattr(antecurve, name) is not None
        assert f"antecurve.{name}" not in sys.modules, f"{name} is a module, too"
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = antecurve.no_such_name


def test_the_package_ships_its_stub_and_the_marker_of_types() -> None:
    package = Path(str(antecurve.__file__)).parent
    assert (package / "__init__.pyi").is_file()
    assert (package / "py.typed").is_file()


def test_the_main_job_needs_few_names() -> None:
    assert 25 <= len(antecurve.__all__) <= 40


def _readme_section() -> str:
    text = README.read_text(encoding="utf-8")
    return text.partition("## In Python\n")[2].partition("\n## ")[0]


def test_the_calls_that_the_readme_names_exist() -> None:
    calls = re.findall(r"`(antecurve(?:\.\w+)+)`", _readme_section())
    assert len(calls) > 20
    for call in calls:
        module, _, name = call.rpartition(".")
        assert name in importlib.import_module(module).__all__, call
