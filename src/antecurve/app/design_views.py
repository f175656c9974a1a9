"""The design of a network: its job as a form, the search for parts, and what it came to."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from antecurve.app.designs import (
    analysed_design,
    load_design,
    network_topic,
    switch_positions,
)
from antecurve.app.outcomes import shown_outcome
from antecurve.app.pages import Bench, bench_of, refused, render, saved_page, text_digest
from antecurve.app.work import choose_alternative, find_parts
from antecurve.curves.catalogue import catalogue
from antecurve.errors import FileFormatError, InputError
from antecurve.files.drawer import read_drawer
from antecurve.files.job_curves import with_another_curve, without_curve
from antecurve.files.job_form import JobText, changed_job, job_fields, job_texts, read_job_text
from antecurve.files.job_form_fields import JOB_SECTIONS, JobField
from antecurve.files.reading import read_text
from antecurve.files.starter_job import starter_job
from antecurve.report.bench_panel import panel_script
from antecurve.synthesis.exact import form_names

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

__all__ = ["routes"]

_FILES = ("job.toml", "drawer.csv", "design.json", "parts.csv", "response.csv", "network.cir",
          "network-2.cir", "board.svg", "values.csv", "correction.csv")  # fmt: skip
"""Files of a network that a page hands out."""
_FILES_OF_BOX = ("job.toml", "drawer.csv", "design.json", "parts.csv", "switch.csv", "board.svg",
                 "values.csv")  # fmt: skip
"""Those of a box, beside the ones of each position."""
_LARGEST_DRAWER = 2**20  # bytes: tens of thousands of parts
_CHANGED_MEANWHILE = (
    "the job was changed in another window or by another program; load the page again"
)


def routes() -> list[Any]:
    """List the addresses of these views.

    Returns
    -------
    list of Route
        Each with its handler.
    """
    from starlette.routing import Route

    at = "/networks/{name}"
    return [
        Route(at, _page),
        Route(f"{at}/job", _save, methods=["POST"]),
        Route(f"{at}/job/check", _check, methods=["POST"]),
        Route(f"{at}/file", _save_text, methods=["POST"]),
        Route(f"{at}/drawer", _save_drawer, methods=["POST"]),
        Route(f"{at}/outcome", _outcome),
        Route(f"{at}/choose", _choose, methods=["POST"]),
        Route(f"{at}/report", _report),
        Route(f"{at}/files/{{file}}", _file),
    ]


def _folder(request: Request) -> Path:
    return bench_of(request).folder.existing_network(request.path_params["name"])


def _job_text(folder: Path) -> str:
    return read_text(folder / "job.toml")


def _page(request: Request) -> Response:
    folder = _folder(request)
    text = _job_text(folder)
    return _rendered(request, folder, text, job_texts(text), read_job_text(text, folder=folder))


def _rendered(
    request: Request, folder: Path, text: str, texts: dict[str, str], understood: JobText,
    *, status: int = 200,
) -> Response:  # fmt: skip
    """The page with the texts of the form, and what is wrong with them."""
    return render(
        request, "design.html.j2", status=status, title=folder.name, name=folder.name,
        job_text=text, digest=text_digest(text), texts=texts, errors=understood.errors,
        usual=_usual_texts(), sections=_sections(text), suggestions=_suggestions(),
        has_drawer=_has(folder, "drawer.csv"),
        **_outcome_content(request, folder),
    )  # fmt: skip


@cache
def _usual_texts() -> dict[str, str]:
    """What counts where a field is left empty; curve and limits have nothing of the kind."""
    texts = job_texts(starter_job())
    free = ("target.error_limit_db", "network.output_resistance_max", "network.input_impedance_min")
    return {k: t for k, t in texts.items() if k not in free and not k.startswith("curve.")}


def _sections(text: str) -> list[tuple[str, str, list[JobField]]]:
    """Heading, name and fields of each section, those of several curves one by one."""
    sections: dict[str, list[JobField]] = {}
    for form_field in job_fields(text):
        sections.setdefault(form_field.section, []).append(form_field)
    return [(_heading(name), name, fields) for name, fields in sections.items()]


def _heading(section: str) -> str:
    name, _, number = section.partition("[")
    return f"{JOB_SECTIONS[name]} {int(number[:-1]) + 1}" if number else JOB_SECTIONS[name]


def _suggestions() -> dict[str, list[str]]:
    return {"curve.name": [c.name for c in catalogue()], "network.forms": ["all", *form_names()]}


def _has(folder: Path, file: str) -> bool:
    return (folder / file).is_file()


async def _texts_of(request: Request) -> dict[str, str]:
    """The fields of the form as typed; a box without its tick is empty."""
    async with request.form() as form:
        typed = {key: str(value) for key, value in form.multi_items() if isinstance(value, str)}
    names = [f.name for f in job_fields(_job_text(_folder(request)))]
    return {name: typed.get(name, "") for name in (*names, "digest", "then")}


async def _save(request: Request) -> Response:
    from starlette.concurrency import run_in_threadpool

    texts = await _texts_of(request)
    return await run_in_threadpool(_saved, request, texts)


def _saved(request: Request, texts: dict[str, str]) -> Response:
    from starlette.responses import RedirectResponse

    folder, digest, then = _folder(request), texts.pop("digest"), texts.pop("then")
    with bench_of(request).changing:
        text = _job_text(folder)
        if digest != text_digest(text):
            return _changed_meanwhile(request, folder)
        changed = changed_job(text, texts)
        understood = read_job_text(changed, folder=folder)
        if understood.job is None:
            return _rendered(request, folder, text, texts, understood, status=422)
        changed = _with_curves(changed, then, folder)
        if changed != text:
            _write_job(request, folder, changed)
    if then == "find":
        _start(request, folder)
    return RedirectResponse(request.url.path.removesuffix("/job"), status_code=303)


def _changed_meanwhile(request: Request, folder: Path) -> Response:
    error = InputError("job.toml", folder.name, _CHANGED_MEANWHILE)
    return refused(request, error, status=409)


def _write_job(request: Request, folder: Path, text: str) -> None:
    bench_of(request).folder.change(folder / "job.toml", text, what=f"job of {folder.name}")


def _with_curves(text: str, then: str, folder: Path) -> str:
    """The job with a curve more or fewer, where that is asked for."""
    asked, _, number = then.partition(":")
    if asked == "add":
        changed = with_another_curve(text)
    elif asked == "remove" and number.isascii() and number.isdigit() and len(number) < 4:
        changed = without_curve(text, int(number))
    else:
        return text
    understood = read_job_text(changed, folder=folder)
    if understood.job is None:
        message = next(iter(understood.errors.values()))
        raise InputError("curve", asked, f"this would make the job unusable: {message}")
    return changed


async def _check(request: Request) -> Response:
    texts = await _texts_of(request)
    folder = _folder(request)
    changed = changed_job(_job_text(folder), texts)
    errors = read_job_text(changed, folder=folder).errors
    return render(request, "design_errors.html.j2", fields=job_fields(changed), errors=errors)


async def _save_text(request: Request) -> Response:
    from starlette.responses import RedirectResponse

    async with request.form() as form:
        typed = str(form.get("text", "")).replace("\r\n", "\n")
        digest = str(form.get("digest", ""))
    folder = _folder(request)
    with bench_of(request).changing:
        text = _job_text(folder)
        if digest != text_digest(text):
            return _changed_meanwhile(request, folder)
        understood = read_job_text(typed, folder=folder)
        if understood.job is None:
            return _rendered(request, folder, typed, job_texts(text), understood, status=422)
        _write_job(request, folder, typed)
    return RedirectResponse(request.url.path.removesuffix("/file"), status_code=303)


async def _save_drawer(request: Request) -> Response:
    from starlette.datastructures import UploadFile
    from starlette.responses import RedirectResponse

    async with request.form() as form:
        upload, typed = form.get("file"), str(form.get("table", "")).strip()
        if isinstance(upload, UploadFile) and upload.size:
            typed = _decoded(await upload.read(_LARGEST_DRAWER + 1))
    folder = _folder(request)
    table = typed.replace("\r\n", "\n").strip() + "\n"
    _check_drawer(table)
    keys = dict.fromkeys(("resistors.drawer", "capacitors.drawer"), "drawer.csv")
    bench = bench_of(request)
    with bench.changing:
        job = changed_job(_job_text(folder), keys)
        bench.folder.change_all(
            {folder / "drawer.csv": table, folder / "job.toml": job},
            what=f"drawer of {folder.name}",
        )
    return RedirectResponse(request.url.path.removesuffix("/drawer"), status_code=303)


def _decoded(content: bytes) -> str:
    if len(content) > _LARGEST_DRAWER:
        raise FileFormatError.unreadable(
            "drawer", "more than 1 MiB", "give the parts on hand as a table of text"
        )
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FileFormatError.unreadable(
            "drawer", "not UTF-8 text", "save the table as CSV in UTF-8"
        ) from None


def _check_drawer(table: str) -> None:
    """Read the table as the search will; its messages name the line."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drawer.csv"
        path.write_text(table, encoding="utf-8")
        try:
            read_drawer(path)
        except FileFormatError as error:
            shown = error.field.replace(str(path), "drawer.csv")
            raise FileFormatError(shown, error.value, error.rule) from None


def _start(request: Request, folder: Path) -> None:
    bench_of(request).computations.start(
        find_parts, folder, topic=network_topic(folder), title="Finding parts"
    )


def _outcome_content(request: Request, folder: Path) -> dict[str, Any]:
    """What the search came to, or how far it is."""
    bench = bench_of(request)
    computation = bench.computations.latest(network_topic(folder))
    # Looked up before the design: one that ends meanwhile is asked for again, and then shown.
    busy = computation is not None and not computation.ended
    ahead = 0
    if computation is not None and computation.state == "waiting":
        ahead = bench.computations.ahead_of(computation)
    made, reading = (None, None) if busy else analysed_design(bench, folder)
    position = request.query_params.get("position", "")
    if made is not None and position not in made.positions:
        position = ""  # of the switch before it changed
    return {
        "computation": reading if reading is not None and reading.ended else computation,
        "busy": busy,
        "reading": reading is not None and not reading.ended,
        "ahead": ahead,
        "result": None if made is None else shown_outcome(made, made.throw(position)),
        "positions": () if made is None else made.positions,
        "position": position or (made.positions[0] if made is not None and made.box else ""),
        "has_design": _has(folder, "design.json"),
        "files": _files(bench, folder),
    }


def _files(bench: Bench, folder: Path) -> list[str]:
    """Files of a network that lie in its folder."""
    names: tuple[str, ...] = _FILES
    positions = switch_positions(bench, folder)
    if positions:
        each = [(f"network-{n}.cir", f"response-{n}.csv", f"correction-{n}.csv")
                for n in positions]  # fmt: skip
        names = (*_FILES_OF_BOX, *(file for files in each for file in files))
    return [name for name in names if _has(folder, name)]


def _outcome(request: Request) -> Response:
    folder = _folder(request)
    return render(
        request, "design_outcome.html.j2", name=folder.name, **_outcome_content(request, folder)
    )


async def _choose(request: Request) -> Response:
    from starlette.concurrency import run_in_threadpool

    async with request.form() as form:
        typed = str(form.get("number", ""))
    return await run_in_threadpool(_chosen, request, typed)


def _chosen(request: Request, typed: str) -> Response:
    from starlette.responses import RedirectResponse

    folder = _folder(request)
    made = load_design(bench_of(request), folder)
    count = 0 if made is None else made.alternatives
    if not (typed.isascii() and typed.isdigit() and len(typed) < 4 and int(typed) <= count):
        raise InputError("alternative", typed, "choose a line of the table")
    bench_of(request).computations.start(
        choose_alternative,
        folder,
        int(typed),
        topic=network_topic(folder),
        title="Making it the pick",
    )
    return RedirectResponse(request.url.path.removesuffix("/choose"), status_code=303)


def _report(request: Request) -> Response:
    folder = _folder(request)
    path = folder / "report.html"
    made = load_design(bench_of(request), folder)
    if made is None or not path.is_file():
        raise InputError("report", folder.name, "there is no design yet; find parts first")
    scripts = () if made.box else (panel_script(made.designs[0].picked.topology),)
    return saved_page(path.read_bytes(), scripts=scripts)


def _file(request: Request) -> Response:
    from starlette.responses import FileResponse

    folder, file = _folder(request), request.path_params["file"]
    if file not in _files(bench_of(request), folder):
        raise InputError("file", file, "this network has no such file")
    return FileResponse(folder / file, filename=f"{folder.name}-{file}")
