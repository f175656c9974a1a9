"""The test of a unit: what is asked for, how far it is, and the verdict."""

from __future__ import annotations

import shutil
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from antecurve.app.log_views import needed_log
from antecurve.app.pages import Bench, bench_of, render, saved_page
from antecurve.app.unit_work import GUESS, UnitTest, carry_out_test
from antecurve.curves.catalogue import catalogue, named_curve
from antecurve.errors import AntecurveError, InputError
from antecurve.files.bench_folder import file_name, folder_name
from antecurve.files.build_state import read_build
from antecurve.files.reading import read_bytes
from antecurve.files.recordings import ReadingOptions
from antecurve.files.unit_file import read_unit
from antecurve.files.unit_judging import WhoAndWhen
from antecurve.judge.verdicts import JudgeRequest
from antecurve.log.listing import LoggedFile, logged_verdict
from antecurve.quantities import parse_quantity
from antecurve.report.constant_texts import fitted_rows
from antecurve.report.unit_report import VERDICT_WORDS

if TYPE_CHECKING:
    from starlette.datastructures import FormData, UploadFile
    from starlette.requests import Request
    from starlette.responses import Response

__all__ = ["routes"]

_KEPT = ("network", "operator", "network_serial", "limit", "curve", "channel_number", "stimulus")
"""What the next unit is asked for with, too."""
_FIELDS = (*_KEPT, "serial", "channel", "date", "captures", "circuit")
_MOST_FILES = 100  # captures of one unit: a few dozen at most


def routes() -> list[Any]:
    """List the addresses of these views.

    Returns
    -------
    list of Route
        Each with its handler.
    """
    from starlette.routing import Route

    return [
        Route("/test", _form, methods=["GET"]),
        Route("/test", _begin, methods=["POST"]),
        Route("/test/{number:int}", _progress),
        Route("/verdicts/{number:int}", _verdict),
        Route("/verdicts/{number:int}/{kind}/{name}", _verdict_file),
    ]


def _form(request: Request) -> Response:
    folder, asked = bench_of(request).folder, dict(request.query_params)
    chosen = asked.get("network") or next(iter(folder.networks), "")
    if chosen in folder.networks:
        asked.setdefault("network_serial", read_build(folder.network(chosen)).serial)
    return _rendered(request, asked)


def _rendered(
    request: Request, asked: dict[str, str], error: AntecurveError | None = None
) -> Response:
    folder = bench_of(request).folder
    designed = [n for n in folder.networks if (folder.network(n) / "design.json").is_file()]
    return render(
        request, "test.html.j2", status=200 if error is None else 422, title="Test a unit",
        asked={"limit": "0.5", "date": date.today().isoformat()} | asked, designed=designed,
        captures={name: len(files) for name, files in folder.captures.items()},
        circuits=list(folder.circuits), curves=[c.name for c in catalogue()], guess=GUESS,
        field=error.field if isinstance(error, InputError) else "",
        sentence="" if error is None else str(error),
    )  # fmt: skip


async def _begin(request: Request) -> Response:
    from starlette.concurrency import run_in_threadpool

    async with request.form(max_files=_MOST_FILES) as form:
        typed = {name: str(form.get(name) or "").strip() for name in _FIELDS}
        try:
            return await run_in_threadpool(_started, request, typed, form)
        except AntecurveError as error:
            return _rendered(request, typed, error)


def _started(request: Request, typed: dict[str, str], form: FormData) -> Response:
    """Take in the files, and put the test into the queue."""
    from starlette.responses import RedirectResponse

    bench = bench_of(request)
    asked = _asked(bench, typed)
    upload = bench.folder.new_upload()
    try:
        names = _take_in(bench, typed, form, upload)
        _keep_circuit(bench, typed, form)
    except AntecurveError:
        shutil.rmtree(upload, ignore_errors=True)
        raise
    asked = UnitTest(
        asked.stated, asked.channel, asked.network, asked.limit_db, asked.curve, asked.reading,
        tuple(names),
    )  # fmt: skip
    name = f"{datetime.now():%Y-%m-%d %H-%M-%S} {upload.name}"
    computation = bench.computations.start(
        carry_out_test, bench.folder.path, upload, name, asked,
        topic=f"test {upload.name}", title=f"Testing unit {typed['serial']}",
    )  # fmt: skip
    again = urlencode({key: typed[key] for key in _KEPT if typed[key]})
    return RedirectResponse(f"/test/{computation.number}?{again}", status_code=303)


def _asked(bench: Bench, typed: dict[str, str]) -> UnitTest:
    """Understand the fields, but for the files."""
    if not typed["serial"]:
        raise InputError("serial", "", "name the unit; the log is kept by serial number")
    folder = bench.folder.existing_network(typed["network"])
    if not (folder / "design.json").is_file():
        raise InputError("network", typed["network"], "it has no parts yet; find parts first")
    limit = parse_quantity(typed["limit"], unit="dB", field="limit")
    JudgeRequest(limit_db=limit)
    if typed["curve"] not in ("", GUESS):
        named_curve(typed["curve"])
    return UnitTest(
        WhoAndWhen(typed["serial"], typed["date"], typed["operator"], typed["network_serial"]),
        typed["channel"], typed["network"], limit, typed["curve"],
        ReadingOptions(
            _channel(typed["channel_number"], "channel"), _channel(typed["stimulus"], "stimulus")
        ),
        (),
    )  # fmt: skip


def _channel(typed: str, field: str) -> int | None:
    if typed and not (typed.isascii() and typed.isdigit() and len(typed) < 4):
        raise InputError(field, typed, "give the number of a channel, from 1; or leave it empty")
    return int(typed) if typed else None


def _uploads(form: FormData, field: str) -> list[UploadFile]:
    from starlette.datastructures import UploadFile

    return [f for f in form.getlist(field) if isinstance(f, UploadFile) and f.filename]


def _take_in(bench: Bench, typed: dict[str, str], form: FormData, upload: Path) -> list[str]:
    """Copy the captures into a folder of their own, block by block."""
    names: list[str] = []
    for file in _uploads(form, "files"):
        name = file_name(file.filename or "", field="captures")
        if name in names:
            raise InputError("captures", name, "two files have this name; rename one")
        with (upload / name).open("wb") as target:
            shutil.copyfileobj(file.file, target)
        names.append(name)
    if typed["captures"]:
        chosen = bench.folder.captures.get(typed["captures"])
        if chosen is None:
            raise InputError("captures", typed["captures"], "the folder has no such captures")
        for path in chosen:
            if path.name in names:
                raise InputError("captures", path.name, "two files have this name; rename one")
            shutil.copyfile(path, upload / path.name)
            names.append(path.name)
    if not names:
        raise InputError("captures", "", "drop at least one capture of the unit")
    return names


def _keep_circuit(bench: Bench, typed: dict[str, str], form: FormData) -> None:
    """Keep the circuit of the unit in its folder, where one is given."""
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
        bench.folder.change(path, text, what=f"circuit of unit {typed['serial']}")
    finally:
        shutil.rmtree(upload.parent, ignore_errors=True)


def _progress(request: Request) -> Response:
    from starlette.responses import RedirectResponse, Response

    bench, number = bench_of(request), request.path_params["number"]
    computation = bench.computations.numbered(number)
    again = urlencode({k: v for k, v in request.query_params.items() if k in _KEPT})
    if computation is not None and computation.state == "done":
        target = f"/verdicts/{computation.result}?{again}"
        if request.headers.get("hx-request") == "true":
            return Response(headers={"hx-redirect": target})
        return RedirectResponse(target, status_code=303)
    ahead = 0 if computation is None else bench.computations.ahead_of(computation)
    partial = request.headers.get("hx-request") == "true"
    return render(
        request, "test_state.html.j2" if partial else "test_progress.html.j2",
        title="Test a unit", computation=computation, ahead=ahead, again=again,
        poll=f"{request.url.path}?{again}",
    )  # fmt: skip


def _verdict(request: Request) -> Response:
    bench, number = bench_of(request), request.path_params["number"]
    verdict = logged_verdict(needed_log(request), number)
    again = urlencode({k: v for k, v in request.query_params.items() if k in _KEPT})
    return render(
        request, "verdict.html.j2", title=f"Unit {verdict.serial}", verdict=verdict,
        announced=VERDICT_WORDS[verdict.decision], fitted=fitted_rows(verdict.fitted),
        reports=_present(bench, verdict.reports), captures=_present(bench, verdict.captures),
        again=again, unit=folder_name(verdict.serial),
    )  # fmt: skip


def _present(bench: Bench, files: tuple[LoggedFile, ...]) -> dict[str, Path]:
    """Files of a verdict that lie in the folder, by name."""
    root = bench.folder.path.resolve()
    paths = {f.name: root / f.path for f in files if f.path is not None}
    return {
        name: path
        for name, path in paths.items()
        if path.resolve().is_relative_to(root) and path.is_file()
    }


def _verdict_file(request: Request) -> Response:
    from starlette.responses import FileResponse

    bench, name = bench_of(request), request.path_params["name"]
    verdict = logged_verdict(needed_log(request), request.path_params["number"])
    kinds = {"reports": verdict.reports, "captures": verdict.captures}
    files = _present(bench, kinds.get(request.path_params["kind"], ()))
    if name not in files:
        raise InputError("file", name, "the folder has no such file of this verdict")
    if request.path_params["kind"] == "reports":
        return saved_page(files[name].read_bytes())
    return FileResponse(files[name], filename=name)
