"""The job file: TOML, every quantity a number in SI units or a text as the trade writes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from antecurve.checked import checked
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import OWN_CURVE, curve_from_turnover, with_limits
from antecurve.curves.model import Curve
from antecurve.errors import InputError
from antecurve.files import job_fields as fields
from antecurve.files.reading import read_toml
from antecurve.job import (
    MOST_BUILDS,
    PICKED_BY,
    Grade,
    Job,
    NetworkRequest,
    PickRequest,
    SpreadRequest,
    Stock,
    Target,
)
from antecurve.networks.topology import Loading
from antecurve.parts.series import SERIES
from antecurve.quantities import (
    BANDS,
    CAPACITANCES,
    CORNER_FREQUENCIES,
    LEVEL_TOLERANCES,
    LEVELS,
    LOAD_CAPACITANCES,
    LOAD_RESISTANCES,
    RESISTANCES,
    SOURCE_RESISTANCES,
    TIME_CONSTANTS,
    Range,
)
from antecurve.synthesis.exact import form_names

__all__ = ["JOB_KEYS", "LARGEST_JOB", "curve_of", "curve_section", "parse_job", "read_job"]

_POSITIVE: dict[str, Any] = {"minimum": 0.0, "exclusive": True}


def _limits(values: Range) -> dict[str, Any]:
    return {"minimum": values.minimum, "maximum": values.maximum}


def _within(values: Range) -> fields.Reader:
    return fields.quantity(values.unit, **_limits(values))


LARGEST_JOB = 64 * 1024
"""Largest job file read [bytes].

A job has a few KiB; keys of very many parts take a parser time that grows with their square.
"""
_FREQUENCY = _within(CORNER_FREQUENCIES)

_CURVE: fields.Section = {
    "name": fields.text(),
    "zeros": fields.quantities("s", **_limits(TIME_CONSTANTS)),
    "poles": fields.quantities("s", **_limits(TIME_CONSTANTS)),
    "zeros_at_origin": fields.whole(minimum=0, maximum=2),
    "poles_at_origin": fields.whole(minimum=0, maximum=2),
    "turnover": _FREQUENCY,
    "cut_at_10k": fields.quantity("dB", minimum=0.0, maximum=60.0),
    "shelf": _FREQUENCY,
    "ultrasonic_poles": fields.quantities("Hz", **_limits(CORNER_FREQUENCIES)),
    "low_end_bound": _FREQUENCY,
}
_SOURCE: fields.Section = {
    "resistance": _within(SOURCE_RESISTANCES),
    "level": _within(LEVELS),
}
_LOAD: fields.Section = {
    "resistance": _within(LOAD_RESISTANCES),
    "capacitance": _within(LOAD_CAPACITANCES),
}
_TARGET: fields.Section = {
    "level": _within(LEVELS),
    "level_tolerance_db": _within(LEVEL_TOLERANCES),
    "band": fields.quantities("Hz", count=2, **_limits(BANDS)),
    "error_limit_db": fields.quantity("dB", **_POSITIVE),
}
_TARGET_FIELDS = {"level": "level_v", "band": "band_hz"}
_SPREAD: fields.Section = {
    "builds": fields.whole(minimum=1, maximum=MOST_BUILDS),
    "seed": fields.whole(minimum=0, maximum=2**63 - 1),
    "distribution": fields.text(("uniform", "normal")),
}
_PICK: fields.Section = {
    "pick_by": fields.text(PICKED_BY),
    "sets": fields.whole(minimum=1, maximum=2),
    "budget_seconds": fields.quantity("s", **_POSITIVE),
}
_GRADE: fields.Section = {
    "tolerance": fields.quantity("%", minimum=0.0, maximum=0.99),
    "price": fields.quantity("", minimum=0.0),
}


def _grades(value: object, field: str) -> tuple[Grade, ...]:
    if not isinstance(value, list) or not value:
        raise InputError(field, value, f"write each grade as a section [[{field}]]")
    grades = []
    for index, item in enumerate(value):
        read = fields.read_section(item, _GRADE, f"{field}[{index}]")
        for key in _GRADE:
            if key not in read:
                raise InputError(f"{field}[{index}].{key}", None, "a grade has tolerance and price")
        grades.append(Grade(**read))
    return tuple(grades)


def _network_section() -> fields.Section:
    return {
        "forms": fields.texts(form_names(), word="all"),
        "elements": fields.elements,
        "output_resistance_max": fields.quantity("ohm", **_POSITIVE),
        "input_impedance_min": fields.quantity("ohm", **_POSITIVE),
        "balanced": fields.boolean,
    }


def _stock_section(unit: str) -> fields.Section:
    return {
        "series": fields.text(SERIES),
        "tolerance": fields.quantity("%", minimum=0.0, maximum=0.99),
        "range": fields.quantities(
            unit, count=2, **_limits(RESISTANCES if unit == "ohm" else CAPACITANCES)
        ),
        "parts_per_position": fields.whole(minimum=1, maximum=2),
        "join": fields.texts(("series", "parallel")),
        "drawer": fields.text(),
        "grades": _grades,
    }


_SECTIONS: dict[str, fields.Section] = {
    "curve": _CURVE,
    "source": _SOURCE,
    "load": _LOAD,
    "target": _TARGET,
    "network": {},
    "resistors": {},
    "capacitors": {},
    "spread": _SPREAD,
    "pick": _PICK,
}
JOB_KEYS = ("title", *_SECTIONS)
"""Keys of a job file."""


@checked
def read_job(path: Path | str) -> Job:
    """Read a job file.

    Parameters
    ----------
    path : Path or str
        The file, TOML.

    Returns
    -------
    Job
        The job as understood.

    Raises
    ------
    FileFormatError
        When the file can't be read or is no TOML.
    InputError
        When a key is unknown or a value can't be used; the message names the key.
    """
    folder = Path(path).parent
    return read_toml(
        path,
        lambda raw: parse_job(raw, folder=folder),
        starter="antecurve job",
        largest=LARGEST_JOB,
    )


@checked
def parse_job(raw: Mapping[str, Any], *, folder: Path | None = None) -> Job:
    """Read a job from the sections of a job file.

    Parameters
    ----------
    raw : mapping of str to object
        The sections, as TOML gives them.
    folder : Path, optional
        Folder that a drawer's path is relative to.

    Returns
    -------
    Job
        The job as understood; what is left out is as in the default job, but for limits,
        which are none.

    Raises
    ------
    InputError
        When a key is unknown or a value can't be used; the message names the key.
    """
    sections = {
        **_SECTIONS,
        "network": _network_section(),
        "resistors": _stock_section("ohm"),
        "capacitors": _stock_section("F"),
    }
    fields.check_keys(raw, JOB_KEYS)
    if isinstance(raw.get("curve"), list):
        raise InputError(
            "curve", "[[curve]]", "several curves make a box, which only antecurve design reads"
        )
    if "curve" not in raw:
        raise InputError("curve", None, "the section [curve] is required; see antecurve job")
    read = {
        name: fields.read_section(raw.get(name, {}), section, name)
        for name, section in sections.items()
    }
    curve = curve_of(read["curve"])
    base = Job(curve)
    source, load, target = read["source"], read["load"], read["target"]
    loading = Loading(
        source.get("resistance", base.loading.source_resistance),
        load.get("resistance", base.loading.load_resistance),
        load.get("capacitance", base.loading.load_capacitance),
    )
    return Job(
        curve=curve,
        title=fields.text()(raw.get("title", base.title), "title"),
        loading=loading,
        source_level_v=source.get("level", base.source_level_v),
        target=Target(**{_TARGET_FIELDS.get(key, key): value for key, value in target.items()}),
        network=NetworkRequest(**read["network"]),
        resistors=_stock(base.resistors, read["resistors"], "resistors", folder),
        capacitors=_stock(base.capacitors, read["capacitors"], "capacitors", folder),
        spread=SpreadRequest(**read["spread"]),
        pick=PickRequest(**read["pick"]),
    )


def _stock(base: Stock, given: dict[str, Any], where: str, folder: Path | None) -> Stock:
    if "drawer" in given:
        drawer = Path(given["drawer"])
        given["drawer"] = str(drawer if drawer.is_absolute() else (folder or Path()) / drawer)
        given.setdefault("series", None)
    if "range" in given:
        given["value_range"] = given.pop("range")
    try:
        return replace(base, **given)
    except InputError as error:
        raise InputError(f"{where}.{error.field}", error.value, error.rule) from None


def curve_section() -> fields.Section:
    """List the keys of a section ``[curve]``.

    Returns
    -------
    mapping of str to callable
        Each with its reader.
    """
    return _CURVE


def curve_of(given: dict[str, Any]) -> Curve:
    """Build a curve from exactly one of name, time constants, turnover and cut.

    Parameters
    ----------
    given : dict of str to object
        Keys of a job's section ``[curve]``, read.

    Returns
    -------
    Curve
        With its limits.

    Raises
    ------
    InputError
        When two ways are mixed, or none is used.
    """
    ways = {
        "name": {"name"} & given.keys(),
        "time constants": {"zeros", "poles", "zeros_at_origin", "poles_at_origin"} & given.keys(),
        "turnover and cut": {"turnover", "cut_at_10k", "shelf"} & given.keys(),
    }
    used = [way for way, keys in ways.items() if keys]
    if len(used) != 1:
        raise InputError(
            "curve",
            " and ".join(used) or "nothing",
            "give exactly one of name, time constants (zeros, poles), or turnover and cut_at_10k",
        )
    if used == ["name"]:
        curve = named_curve(given["name"])
    elif used == ["time constants"]:
        curve = Curve(
            OWN_CURVE,
            given.get("zeros", ()),
            given.get("poles", ()),
            zeros_at_origin=given.get("zeros_at_origin", 0),
            poles_at_origin=given.get("poles_at_origin", 0),
        )
    else:
        curve = curve_from_turnover(
            turnover_hz=given.get("turnover"),
            cut_db=given.get("cut_at_10k"),
            shelf_hz=given.get("shelf"),
        )
    return with_limits(
        curve,
        ultrasonic_poles_hz=given.get("ultrasonic_poles", ()),
        low_end_bound_hz=given.get("low_end_bound"),
    )
