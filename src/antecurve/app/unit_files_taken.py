"""Files that a test of a unit takes in: those that are sent, and those of the unit before."""

from __future__ import annotations

import re
import shutil
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from antecurve.app.log_views import logged
from antecurve.app.pages import Bench, bench_of
from antecurve.app.unit_work import LIMITS, PLAYED, REFERENCE
from antecurve.errors import InputError
from antecurve.files.bench_folder import file_name
from antecurve.files.limits_file import read_limits
from antecurve.files.reading import read_bytes
from antecurve.files.unit_file import read_unit
from antecurve.log.listing import LoggedFile, logged_verdict

if TYPE_CHECKING:
    from starlette.datastructures import FormData, UploadFile
    from starlette.requests import Request

__all__ = [
    "copied_files",
    "files_of_earlier",
    "is_verdict_number",
    "keep_circuit",
    "keep_limits",
    "kept_files",
    "played_name",
    "present_files",
]

_KEPT_AS = {
    "limits_file": LIMITS,
    "played_file": f"{PLAYED}/*",
    "reference_files": f"{REFERENCE}/*",
}
"""Files in the folder of a test that the next unit is tested with, too, by field."""
_RESULT = re.compile(r"(test-report|verdict|deviation|difference|overlay|diagnosis)(-other)?\.\w+")
"""Names of what is written beside captures."""
_NOTHING: Mapping[str, tuple[Path, ...]] = MappingProxyType({})


def _uploads(form: FormData, field: str) -> list[UploadFile]:
    from starlette.datastructures import UploadFile

    return [f for f in form.getlist(field) if isinstance(f, UploadFile) and f.filename]


def files_of_earlier(request: Request, number: str) -> dict[str, tuple[Path, ...]]:
    """Look up the files that an earlier unit was tested with, beside its captures.

    Parameters
    ----------
    request : Request
        Any request.
    number : str
        Number of its verdict in the log, as the address has it; may be empty.

    Returns
    -------
    dict of str to tuple of Path
        By the field of the form that takes them; without fields that have none.
    """
    log = logged(request)
    if log is None or not is_verdict_number(number):
        return {}
    try:
        verdict = logged_verdict(log, int(number))
    except InputError:  # deleted since
        return {}
    reports = present_files(bench_of(request), verdict.reports)
    if not reports:
        return {}
    folder = next(iter(reports.values())).parent
    by_field = {
        field: tuple(p for p in sorted(folder.glob(name)) if p.is_file() and not p.is_symlink())
        for field, name in _KEPT_AS.items()
    }
    return {field: paths for field, paths in by_field.items() if paths}


def kept_files(
    request: Request, typed: dict[str, str], form: FormData
) -> dict[str, tuple[Path, ...]]:
    """Look up the files of an earlier unit that count for this one.

    Parameters
    ----------
    request : Request
        Any request.
    typed : dict of str to str
        The fields; ``earlier`` and those that say what is kept.
    form : FormData
        The files; one that is sent counts in place of a kept one.

    Returns
    -------
    dict of str to tuple of Path
        By the field of the form that takes them.
    """
    earlier = files_of_earlier(request, typed["earlier"])
    return {
        field: paths for field, paths in earlier.items()
        if typed[f"keep_{field}"] and not _uploads(form, field)
    }  # fmt: skip


def played_name(form: FormData, kept: Mapping[str, tuple[Path, ...]]) -> str:
    """Look up the name of the file that was played.

    Parameters
    ----------
    form : FormData
        The files.
    kept : mapping of str to tuple of Path
        Files of an earlier unit, as `kept_files` gives them.

    Returns
    -------
    str
        Its name; empty where there is none.

    Raises
    ------
    InputError
        When it can't be a name.
    """
    files = _uploads(form, "played_file")
    if files:
        return file_name(files[0].filename or "", field="played_file")
    return next((path.name for path in kept.get("played_file", ())), "")


def copied_files(
    form: FormData, field: str, folder: Path, kept: Mapping[str, tuple[Path, ...]] = _NOTHING
) -> list[str]:
    """Copy files that were sent, or are kept, into a folder, block by block.

    Parameters
    ----------
    form : FormData
        The files.
    field : str
        Field of the form.
    folder : Path
        Where they go; made where need be.
    kept : mapping of str to tuple of Path, optional
        Files of an earlier unit, as `kept_files` gives them.

    Returns
    -------
    list of str
        Their names.

    Raises
    ------
    InputError
        When a name can't be used.
    """
    if kept.get(field):
        folder.mkdir(exist_ok=True)
        for path in kept[field]:
            shutil.copyfile(path, folder / path.name)
        return [path.name for path in kept[field]]
    names: list[str] = []
    shown = "captures" if field == "files" else field
    for file in _uploads(form, field):
        name = file_name(file.filename or "", field=shown)
        if name in names:
            raise InputError(shown, name, "two files have this name; rename one")
        if _RESULT.fullmatch(name):
            raise InputError(shown, name, "a result file has this name; rename yours")
        folder.mkdir(exist_ok=True)
        with (folder / name).open("wb") as target:
            shutil.copyfileobj(file.file, target)
        names.append(name)
    return names


def keep_limits(
    typed: dict[str, str], form: FormData, upload: Path, kept: Mapping[str, tuple[Path, ...]]
) -> None:
    """Keep the limits of figures with the test, where any are typed or sent.

    Parameters
    ----------
    typed : dict of str to str
        The fields.
    form : FormData
        The files.
    upload : Path
        Folder of the test.
    kept : mapping of str to tuple of Path
        Files of an earlier unit, as `kept_files` gives them.

    Raises
    ------
    InputError
        When they can't be used, or are given twice.
    """
    files, text = _uploads(form, "limits_file"), typed.get("limits", "").strip()
    path = upload / LIMITS
    if files and text:
        raise InputError("limits", files[0].filename, "give the file, or type them")
    if not files and not text:
        copied_files(form, "limits_file", upload, kept)
        return
    if files:
        with path.open("wb") as target:
            shutil.copyfileobj(files[0].file, target)
    else:
        path.write_text(text if text.startswith("[") else f"[limits]\n{text}\n", "utf-8")
    try:
        read_limits(path)
    except InputError as error:
        raise InputError(error.field.replace(str(path), LIMITS), error.value, error.rule) from None


def keep_circuit(bench: Bench, typed: dict[str, str], form: FormData) -> None:
    """Keep the circuit of the unit in its folder, where one is given.

    Parameters
    ----------
    bench : Bench
        The bench.
    typed : dict of str to str
        The fields.
    form : FormData
        The files.

    Raises
    ------
    InputError
        When it can't be used.
    """
    path = bench.folder.unit(typed["serial"]) / "unit.toml"
    source = None
    if typed["circuit"]:
        source = bench.folder.circuits.get(typed["circuit"])
        if source is None:
            raise InputError("circuit", typed["circuit"], "the folder has no such circuit")
    files = _uploads(form, "circuit_file")
    if not files and source is None:
        return
    upload = bench.folder.new_upload() / "unit.toml"
    try:
        if source is not None:
            shutil.copyfile(source, upload)
        else:
            with upload.open("wb") as target:
                shutil.copyfileobj(files[0].file, target)
        try:
            read_unit(upload)
        except InputError as error:
            field = error.field.replace(str(upload), "unit.toml")
            raise InputError(field, error.value, error.rule) from None
        text = read_bytes(upload).decode("utf-8")
        with bench.changing:
            bench.folder.change(path, text, what=f"circuit of unit {typed['serial']}")
    finally:
        shutil.rmtree(upload.parent, ignore_errors=True)


def present_files(bench: Bench, files: tuple[LoggedFile, ...]) -> dict[str, Path]:
    """Look up files of a verdict that lie in the folder.

    Parameters
    ----------
    bench : Bench
        The bench.
    files : tuple of LoggedFile
        As the log has them.

    Returns
    -------
    dict of str to Path
        By name.
    """
    root = bench.folder.path.resolve()
    paths = {f.name: root / f.path for f in files if f.path is not None}
    return {
        name: path
        for name, path in paths.items()
        if path.resolve().is_relative_to(root) and path.is_file()
    }


def is_verdict_number(text: str) -> bool:
    """Tell whether a text can be the number of a verdict.

    Parameters
    ----------
    text : str
        As an address has it.

    Returns
    -------
    bool
        Whether it is made of few digits.
    """
    return text.isascii() and text.isdigit() and len(text) < 12
