"""The circuit of a unit as a file: TOML, quantities as in a job."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from antecurve.checked import checked
from antecurve.curves.catalogue import named_curve
from antecurve.curves.model import Curve
from antecurve.diagnose.arrangements import (
    Arrangement,
    arranged_circuit,
    arrangement,
    part_position,
)
from antecurve.diagnose.circuit_wiring import check_circuit
from antecurve.diagnose.unit_circuit import Amplifier, OperationalAmplifier, UnitCircuit, UnitInput
from antecurve.errors import InputError
from antecurve.files import job_fields as fields
from antecurve.files.job_file import curve_of, curve_section
from antecurve.files.reading import read_toml
from antecurve.quantities import (
    CAPACITANCES,
    CORNER_FREQUENCIES,
    LOAD_CAPACITANCES,
    RESISTANCES,
    SOURCE_RESISTANCES,
    Range,
)

__all__ = ["parse_unit", "read_unit"]

_LARGEST_UNIT = 64 * 1024  # bytes; a circuit has a few KiB


def _within(values: Range) -> fields.Reader:
    return fields.quantity(values.unit, minimum=values.minimum, maximum=values.maximum)


_TOLERANCE = fields.quantity("%", minimum=0.0, maximum=0.99)
_INPUT: fields.Section = {
    "resistance": _within(RESISTANCES),
    "capacitance": _within(LOAD_CAPACITANCES),
    "tolerance": _TOLERANCE,
}
_BLOCK: fields.Section = {
    "name": fields.text(),
    "input": fields.text(),
    "output": fields.text(),
    "gain": fields.quantity(""),
    "output_resistance": _within(SOURCE_RESISTANCES),
    "input_resistance": _within(RESISTANCES),
    "input_capacitance": _within(CAPACITANCES),
    "corner": _within(CORNER_FREQUENCIES),
    "tolerance": _TOLERANCE,
}
_OPAMP: fields.Section = {
    "name": fields.text(),
    "plus": fields.text(),
    "minus": fields.text(),
    "output": fields.text(),
    "gain_bandwidth": _within(CORNER_FREQUENCIES),
}
_RENAMED = {"corner": "corner_hz", "gain_bandwidth": "gain_bandwidth_hz"}
_KEYS = ("title", "curve", "arrangement", "input", "block", "opamp", "elements", "values")


@checked
def read_unit(path: Path | str) -> UnitCircuit:
    """Read the circuit of a unit.

    Parameters
    ----------
    path : Path or str
        The file, TOML.

    Returns
    -------
    UnitCircuit
        The circuit, its wiring checked.

    Raises
    ------
    FileFormatError
        When the file can't be read or is no TOML.
    InputError
        When a key is unknown or a value can't be used; the message names the key.
    WiringError
        As in `check_circuit`.
    """
    return read_toml(path, parse_unit, starter="antecurve job --unit", largest=_LARGEST_UNIT)


@checked
def parse_unit(raw: Mapping[str, Any]) -> UnitCircuit:
    """Read the circuit of a unit from the keys of its file.

    Parameters
    ----------
    raw : mapping of str to object
        The keys, as TOML gives them.

    Returns
    -------
    UnitCircuit
        The circuit, its wiring checked.

    Raises
    ------
    InputError
        When a key is unknown or a value can't be used; the message names the key.
    WiringError
        As in `check_circuit`.
    """
    fields.check_keys(raw, _KEYS)
    title = fields.text()(raw.get("title", "Unit"), "title")
    curve = _curve(raw.get("curve"))
    given = fields.read_section(raw.get("input", {}), _INPUT, "input")
    if "resistance" not in given:
        raise InputError(
            "input.resistance", None, 'give the input\'s resistance, such as "47k", in [input]'
        )
    unit_input = UnitInput(**given)
    name = raw.get("arrangement")
    if (name is None) == ("elements" not in raw):
        rule = "give either an arrangement with its values, or elements of your own"
        raise InputError("arrangement", name, rule)
    if name is None:
        if "values" in raw:
            raise InputError("values", raw["values"], "values belong to an arrangement")
        circuit = UnitCircuit(
            title,
            curve,
            _elements(raw["elements"]),
            tuple(Amplifier(**b) for b in _stages(raw, "block", _BLOCK, Amplifier)),
            tuple(
                OperationalAmplifier(**s)
                for s in _stages(raw, "opamp", _OPAMP, OperationalAmplifier)
            ),
            unit_input,
        )
    else:
        circuit = _arranged(raw, arrangement(fields.text()(name, "arrangement")), title, curve,
                            unit_input)  # fmt: skip
    check_circuit(circuit)
    return circuit


def _curve(raw: object) -> Curve:
    if isinstance(raw, Mapping):
        return curve_of(fields.read_section(raw, curve_section(), "curve"))
    if raw is None:
        raise InputError("curve", None, 'name the curve that the unit is to play, such as "disc"')
    return named_curve(fields.text()(raw, "curve"))


def _elements(raw: object) -> Any:
    if not isinstance(raw, Mapping):
        raise InputError("elements", raw, "it must be a section, written [elements]")
    positions = []
    for ref, item in raw.items():
        where = f"elements.{ref}"
        section = {"nodes": _nodes, "value": _value(ref), "tolerance": _TOLERANCE}
        read = fields.read_section(item, section, where)
        for key in ("nodes", "value"):
            if key not in read:
                rule = 'write { nodes = ["a", "b"], value = "47k", tolerance = "1 %" }'
                raise InputError(f"{where}.{key}", None, rule)
        positions.append(part_position(ref, read["nodes"], (read["value"], read.get("tolerance"))))
    return tuple(positions)


def _nodes(value: object, field: str) -> tuple[str, str]:
    if not (isinstance(value, list) and len(value) == 2 and all(isinstance(n, str) for n in value)):
        raise InputError(field, value, 'it must be two nodes, such as ["a", "0"]')
    return value[0], value[1]


def _value(ref: str) -> fields.Reader:
    if not ref.startswith(("R", "C")):
        rule = "name resistors R1, R2, ... and capacitors C1, C2, ...; no other parts are counted"
        raise InputError("elements", ref, rule)
    return _within(CAPACITANCES if ref.startswith("C") else RESISTANCES)


def _stages(
    raw: Mapping[str, Any], key: str, section: fields.Section, kind: Any
) -> list[dict[str, Any]]:
    """The blocks or operational amplifiers as arguments of their class."""
    items = raw.get(key, [])
    if not isinstance(items, list):
        raise InputError(key, items, f"write each as a section [[{key}]]")
    stages = []
    for index, item in enumerate(items):
        where = f"{key}[{index}]"
        read = fields.read_section(item, section, where)
        if "name" not in read:
            raise InputError(f"{where}.name", None, 'give it a name, such as "A1"')
        stages.append({_RENAMED.get(name, name): value for name, value in read.items()})
    if "arrangement" not in raw:
        needed = ("input", "output", "gain") if kind is Amplifier else ("plus", "minus", "output")
        for index, stage in enumerate(stages):
            for name in needed:
                if name not in stage:
                    raise InputError(f"{key}[{index}].{name}", None, f"{stage['name']} needs it")
    return stages


def _arranged(
    raw: Mapping[str, Any],
    arranged: Arrangement,
    title: str,
    curve: Curve,
    unit_input: UnitInput,
) -> UnitCircuit:
    """An arrangement with the values given; stages are told by their names."""
    values: dict[str, tuple[float, float | None]] = {}
    section = raw.get("values", {})
    if not isinstance(section, Mapping):
        raise InputError("values", section, "it must be a section, written [values]")
    for ref, item in section.items():
        where, read_value = f"values.{ref}", _value(ref)
        if isinstance(item, Mapping):
            read = fields.read_section(item, {"value": read_value, "tolerance": _TOLERANCE}, where)
            if "value" not in read:
                raise InputError(f"{where}.value", None, "give its value")
            values[ref] = (read["value"], read.get("tolerance"))
        else:
            values[ref] = (read_value(item, where), None)
    return arranged_circuit(
        arranged,
        title=title,
        curve=curve,
        unit_input=unit_input,
        values=values,
        amplifiers=_changed(raw, "block", _BLOCK, arranged.amplifiers),
        operational_amplifiers=_changed(raw, "opamp", _OPAMP, arranged.operational_amplifiers),
    )


def _changed(raw: Mapping[str, Any], key: str, section: fields.Section, stages: Any) -> Any:
    named = {s.name: s for s in stages}
    for given in _stages(raw, key, section, None):
        if given["name"] not in named:
            names = ", ".join(named) or "none"
            raise InputError(f"{key}.name", given["name"], f"the arrangement has {names}")
        named[given["name"]] = replace(named[given["name"]], **given)
    return tuple(named.values())
