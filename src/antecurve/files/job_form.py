"""A job as the fields of a form: text by field from the job file, and back into it.

What a form does not change stays as it is in the file, comments included.
"""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from antecurve.errors import AntecurveError, FileFormatError, InputError
from antecurve.files.box_job_file import parse_job_or_box
from antecurve.files.job_file import LARGEST_JOB
from antecurve.files.job_form_fields import FieldKind, JobField, form_fields

if TYPE_CHECKING:
    from antecurve.job import Job
    from antecurve.switched.request import BoxJob

__all__ = ["JobText", "changed_job", "job_document", "job_fields", "job_texts", "read_job_text"]

_MOST_ERRORS = 40  # as many as a form of one curve has fields
_YES = "yes"
_STAND_IN = "flat"  # a curve of the catalogue, for one that can't be used
_OF_CURVE = re.compile(r"(curve\[\d+\]), curve(.*)")


@dataclass(frozen=True, slots=True)
class JobText:
    """A job file's text as understood.

    Attributes
    ----------
    job : Job or BoxJob or None
        The job; ``None`` where something in it can't be used.
    errors : dict of str to str
        A sentence by field of the form; by an empty name what belongs to none.
    """

    job: Job | BoxJob | None
    errors: dict[str, str] = field(default_factory=dict)


def job_document(text: str) -> Any:
    """Parse the text of a job file, comments included.

    Parameters
    ----------
    text : str
        TOML.

    Returns
    -------
    tomlkit.TOMLDocument
        The document.

    Raises
    ------
    FileFormatError
        When the text is too long or no TOML.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    if len(text.encode()) > LARGEST_JOB:
        raise FileFormatError.unreadable(
            "job.toml", "more text than a job has", f"it is read up to {LARGEST_JOB // 1024} KiB"
        )
    try:
        return tomlkit.parse(text)
    except (TOMLKitError, RecursionError) as error:
        raise FileFormatError.unreadable(
            "job.toml", str(error) or "nested too deeply", "it must be TOML; see antecurve job"
        ) from None


def _raw(text: str) -> dict[str, Any]:
    """The sections of a text; none where it can't be read."""
    with contextlib.suppress(AntecurveError):
        raw: dict[str, Any] = job_document(text).unwrap()
        return raw
    return {}


def job_fields(text: str) -> tuple[JobField, ...]:
    """List the fields of the form of a job file.

    Parameters
    ----------
    text : str
        TOML.

    Returns
    -------
    tuple of JobField
        In the order of the form.
    """
    return _fields_of(_raw(text))


def _fields_of(raw: Mapping[str, Any]) -> tuple[JobField, ...]:
    curves = raw.get("curve")
    return form_fields(len(curves) if isinstance(curves, list) else 0)


def read_job_text(text: str, *, folder: Path) -> JobText:
    """Read the text of a job file, and collect what can't be used in it.

    Parameters
    ----------
    text : str
        TOML.
    folder : Path
        Folder that a drawer's path is relative to.

    Returns
    -------
    JobText
        The job, or a sentence for each field that can't be used, as the command line has it.
    """
    errors: dict[str, str] = {}
    try:
        raw: dict[str, Any] = job_document(text).unwrap()
    except AntecurveError as error:
        return JobText(None, {"": str(error)})
    names = {f.name for f in _fields_of(raw)}
    for _ in range(_MOST_ERRORS):
        try:
            job = parse_job_or_box(raw, folder=folder)
            return JobText(None if errors else job, errors)
        except InputError as error:
            name = _full_name(raw, error)
            errors.setdefault(_form_field(name, names), str(error))
            if not _without(raw, name):
                break
        except AntecurveError as error:
            errors.setdefault("", str(error))
            break
    return JobText(None, errors)


def _full_name(raw: Mapping[str, Any], error: InputError) -> str:
    """The field of an error as the form names it, that of one of several curves by its number."""
    name = _OF_CURVE.sub(r"\1\2", error.field)
    if name == "curve.position" and isinstance(raw.get("curve"), list):  # a name that repeats
        names = [table.get("position") for table in raw["curve"]]
        name = f"curve[{len(names) - 1 - names[::-1].index(error.value)}].position"
    head, point, key = name.partition(".")
    return head + point + key.partition("[")[0]


def _form_field(name: str, names: set[str]) -> str:
    """The field of the form that an error belongs to; none where the form lacks it."""
    return next((n for n in (name, f"{name}.name") if n in names), "")


def _without(raw: dict[str, Any], name: str) -> bool:
    """Take out what can't be used, so that the next error shows; whether it was there."""
    section, _, key = name.partition(".")
    inside = _section(raw, section)
    if section.startswith("curve[") and isinstance(inside, dict):
        stand_in = {"position": section[6:-1], "name": _STAND_IN}
        differs = inside != stand_in
        inside.clear()
        inside |= stand_in
        return differs
    if not key:
        return section != "curve" and raw.pop(section, None) is not None
    return isinstance(inside, dict) and inside.pop(key, None) is not None


def _section(raw: Any, section: str) -> Any:
    """A section of a job, or one of several curves by its number."""
    name, _, number = section.partition("[")
    inside = raw.get(name)
    if not number:
        return inside
    index = int(number.rstrip("]"))
    return inside[index] if isinstance(inside, list) and index < len(inside) else None


def job_texts(text: str) -> dict[str, str]:
    """Read the texts of a form from a job file.

    Parameters
    ----------
    text : str
        TOML.

    Returns
    -------
    dict of str to str
        Text by field, as typed; empty where the file leaves a field out or can't be read.
    """
    raw = _raw(text)
    return {f.name: _shown(_value(raw, f.name)) for f in _fields_of(raw)}


def _value(raw: Mapping[str, Any], name: str) -> object:
    section, _, key = name.partition(".")
    inside = _section(raw, section)
    if not key:
        return inside
    return inside.get(key) if isinstance(inside, Mapping) else None


def _shown(value: object) -> str:
    if value is None or isinstance(value, Mapping):
        return ""
    if isinstance(value, bool):
        return _YES if value else ""
    if isinstance(value, list):
        return ", ".join(_shown(item) for item in value)
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def changed_job(text: str, texts: Mapping[str, str]) -> str:
    """Write the texts of a form into a job file.

    Parameters
    ----------
    text : str
        TOML as it is.
    texts : mapping of str to str
        Text by field; fields left out, and those whose text is as before, stay as they are.

    Returns
    -------
    str
        TOML as it is to be.

    Raises
    ------
    FileFormatError
        When the text as it is can't be read.
    """
    document, before = job_document(text), job_texts(text)
    for form_field in job_fields(text):
        typed = texts.get(form_field.name)
        if typed is not None and typed.strip() != before[form_field.name]:
            _set(document, form_field, typed.strip())
    written: str = document.as_string()
    return written


def _set(document: Any, form_field: JobField, typed: str) -> None:
    """Set one key of the document, or take it out where nothing is typed."""
    import tomlkit

    section, _, key = form_field.name.partition(".")
    inside: Any = document if not key else _section(document, section)
    if key and inside is None:
        if not typed:
            return
        inside = tomlkit.table()
        document.add(section, inside)
    if not hasattr(inside, "keys"):
        return  # it is no table: its own text tells more
    key = key or section
    if typed:
        inside[key] = _typed_value(typed, form_field.kind)
    elif key in inside:
        del inside[key]


def _typed_value(typed: str, kind: FieldKind) -> object:
    if kind is FieldKind.FLAG:
        return typed == _YES
    if kind is FieldKind.LIST:
        return [_number_or_text(cell.strip()) for cell in typed.split(",") if cell.strip()]
    if kind is FieldKind.FORMS:
        return typed if typed == "all" else [c.strip() for c in typed.split(",") if c.strip()]
    return typed if kind is FieldKind.TEXT else _number_or_text(typed)


def _number_or_text(typed: str) -> int | float | str:
    """A plain number as TOML has it; anything else as text."""
    try:
        return int(typed)
    except ValueError:
        pass
    try:
        number = float(typed)
    except ValueError:
        return typed
    return number if math.isfinite(number) else typed
