"""A job as the fields of a form: text by field from the job file, and back into it.

What a form does not change stays as it is in the file, comments included.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from antecurve.errors import AntecurveError, FileFormatError, InputError
from antecurve.files.job_file import LARGEST_JOB, parse_job
from antecurve.files.job_form_fields import JOB_FIELDS, FieldKind, JobField

if TYPE_CHECKING:
    from antecurve.job import Job

__all__ = ["JobText", "changed_job", "job_texts", "read_job_text"]

_FIELDS = {f.name: f for f in JOB_FIELDS}
_MOST_ERRORS = 40  # as many as there are fields
_YES = "yes"


@dataclass(frozen=True, slots=True)
class JobText:
    """A job file's text as understood.

    Attributes
    ----------
    job : Job or None
        The job; ``None`` where something in it can't be used.
    errors : dict of str to str
        A sentence by field of the form; by an empty name what belongs to none.
    """

    job: Job | None
    errors: dict[str, str] = field(default_factory=dict)


def _document(text: str) -> Any:
    """The document of a job's text, with comments."""
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
        raw: dict[str, Any] = _document(text).unwrap()
    except AntecurveError as error:
        return JobText(None, {"": str(error)})
    for _ in range(_MOST_ERRORS):
        try:
            job = parse_job(raw, folder=folder)
            return JobText(None if errors else job, errors)
        except InputError as error:
            name = _form_field(error.field)
            errors.setdefault(name, str(error))
            if not _without(raw, error.field):
                break
        except AntecurveError as error:
            errors.setdefault("", str(error))
            break
    return JobText(None, errors)


def _form_field(name: str) -> str:
    """The field of the form that an error belongs to; none where the form lacks it."""
    plain = name.partition("[")[0]
    if plain in _FIELDS:
        return plain
    return "curve.name" if plain == "curve" else ""


def _without(raw: dict[str, Any], name: str) -> bool:
    """Take out what can't be used, so that the next error shows; whether it was there."""
    section, _, key = name.partition("[")[0].partition(".")
    inside = raw.get(section)
    if not key:
        return section != "curve" and raw.pop(section, None) is not None
    return isinstance(inside, dict) and inside.pop(key, None) is not None


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
    raw: dict[str, Any] = {}
    with contextlib.suppress(AntecurveError):
        raw = _document(text).unwrap()
    return {name: _shown(_value(raw, name)) for name in _FIELDS}


def _value(raw: Mapping[str, Any], name: str) -> object:
    section, _, key = name.partition(".")
    if not key:
        return raw.get(section)
    inside = raw.get(section)
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
    document, before = _document(text), job_texts(text)
    for name, typed in texts.items():
        typed = typed.strip()
        if name in _FIELDS and typed != before[name]:
            _set(document, _FIELDS[name], typed)
    written: str = document.as_string()
    return written


def _set(document: Any, form_field: JobField, typed: str) -> None:
    """Set one key of the document, or take it out where nothing is typed."""
    import tomlkit

    section, _, key = form_field.name.partition(".")
    inside: Any = document if not key else document.get(section)
    if key and inside is None:
        if not typed:
            return
        inside = tomlkit.table()
        document.add(section, inside)
    if not hasattr(inside, "keys"):
        return  # several curves: the form leaves them alone
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
