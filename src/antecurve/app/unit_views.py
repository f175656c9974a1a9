"""The test of a unit: what is asked for, how far it is, and the verdict."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from antecurve.app.designs import designed_network, designed_networks
from antecurve.app.judge_fields import (
    CAPTURE_GROUPS,
    KEPT_FILES,
    KEPT_OF_EACH,
    KEPT_OF_RECORDING,
    VERDICT_GROUPS,
    FieldGroup,
    form_field,
    form_sentence,
    judging_texts,
    names_in,
    reading_options,
    unit_curve_texts,
)
from antecurve.app.log_views import needed_log
from antecurve.app.pages import Bench, bench_of, render, saved_page
from antecurve.app.unit_files_taken import (
    copied_files,
    files_of_earlier,
    is_verdict_number,
    keep_circuit,
    keep_limits,
    kept_files,
    played_name,
    present_files,
)
from antecurve.app.unit_work import OTHER, PLAYED, REFERENCE, UnitTest, carry_out_test
from antecurve.curves.catalogue import catalogue
from antecurve.errors import AntecurveError, InputError
from antecurve.files.build_state import read_build
from antecurve.files.unit_curve_texts import GUESS
from antecurve.files.unit_judging import WhoAndWhen
from antecurve.log.listing import logged_verdict, verdict_text
from antecurve.report.constant_texts import fitted_rows
from antecurve.report.unit_report import VERDICT_WORDS

if TYPE_CHECKING:
    from starlette.datastructures import FormData
    from starlette.requests import Request
    from starlette.responses import Response

    from antecurve.app.computations import Computation

__all__ = [
    "form_content",
    "routes",
    "start_test",
    "typed_fields",
    "understood_test",
]

_GROUPS = (*VERDICT_GROUPS, *CAPTURE_GROUPS)
_KEPT = (*KEPT_OF_EACH, *names_in(_GROUPS))
"""What the next unit is asked for with, too."""
_FIELDS = (*_KEPT, *KEPT_FILES, "serial", "channel", "date", "captures", "circuit")
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
    return _rendered(request, dict(request.query_params))


def _rendered(
    request: Request, asked: dict[str, str], error: AntecurveError | None = None
) -> Response:
    bench = bench_of(request)
    return render(
        request, "test.html.j2", status=200 if error is None else 422, title="Test a unit",
        captures={name: len(files) for name, files in bench.folder.captures.items()},
        **form_content(request, asked, error, groups=_GROUPS, fields=_FIELDS),
    )  # fmt: skip


def form_content(
    request: Request, asked: dict[str, str], error: AntecurveError | None, *,
    groups: tuple[FieldGroup, ...], fields: tuple[str, ...],
) -> dict[str, Any]:  # fmt: skip
    """Collect what the forms of a test share.

    Parameters
    ----------
    request : Request
        What asks for the form.
    asked : dict of str to str
        Fields as typed, or as the address has them.
    error : AntecurveError or None
        What is wrong with them.
    groups : tuple of FieldGroup
        The folded part of the form.
    fields : tuple of str
        Names of all fields, beside which errors are shown.

    Returns
    -------
    dict of str to object
        For the template.
    """
    bench, field = bench_of(request), form_field(error)
    folder, kept = bench.folder, files_of_earlier(request, asked.get("earlier", ""))
    designed = designed_networks(bench)
    chosen, _, _ = (asked.get("network") or next((n for n, _ in designed), "")).partition("/")
    if chosen in folder.networks:
        asked.setdefault("network_serial", read_build(folder.network(chosen)).serial)
    names, files = names_in(groups), names_in(groups, files=True)
    unusual = any(asked.get(name) for name in names if name != "playback") or any(
        name in kept for name in files
    )
    return {
        "asked": {"limit": "0.5", "date": date.today().isoformat()} | asked,
        "designed": designed,
        "circuits": list(folder.circuits),
        "curves": [c.name for c in catalogue()],
        "guess": GUESS,
        "groups": groups,
        "field": field,
        "kept": {name: [path.name for path in paths] for name, paths in kept.items()},
        "shown": (*fields, *files),
        "sentence": "" if error is None else form_sentence(error),
        "unfolded": unusual or field in (*names, *files),
    }


def typed_fields(form: FormData, names: tuple[str, ...]) -> dict[str, str]:
    """Collect the fields of a form as typed.

    Parameters
    ----------
    form : FormData
        The form.
    names : tuple of str
        Names of its fields.

    Returns
    -------
    dict of str to str
        Without spaces around; empty where a field is missing.
    """
    return {name: str(form.get(name) or "").strip() for name in names}


async def _begin(request: Request) -> Response:
    from starlette.concurrency import run_in_threadpool

    async with request.form(max_files=_MOST_FILES) as form:
        typed = typed_fields(form, _FIELDS)
        try:
            return await run_in_threadpool(_started, request, typed, form)
        except AntecurveError as error:
            return _rendered(request, typed, error)


def _started(request: Request, typed: dict[str, str], form: FormData) -> Response:
    """Take in the files, and put the test into the queue."""
    from starlette.responses import RedirectResponse

    bench, kept = bench_of(request), kept_files(request, typed, form)
    asked = understood_test(bench, typed, played=played_name(form, kept))
    upload = bench.folder.new_upload()
    try:
        asked = replace(
            asked,
            captures=tuple(_take_in(bench, typed, form, upload)),
            others=tuple(copied_files(form, "other_files", upload / OTHER)),
            references=tuple(copied_files(form, "reference_files", upload / REFERENCE, kept)),
        )
        copied_files(form, "played_file", upload / PLAYED, kept)
        keep_limits(typed, form, upload, kept)
        keep_circuit(bench, typed, form)
    except AntecurveError:
        shutil.rmtree(upload, ignore_errors=True)
        raise
    computation = start_test(bench, upload, asked)
    again = urlencode({key: typed[key] for key in (*_KEPT, "earlier") if typed[key]})
    return RedirectResponse(f"/test/{computation.number}?{again}", status_code=303)


def start_test(bench: Bench, upload: Path, asked: UnitTest) -> Computation:
    """Put a test into the queue.

    Parameters
    ----------
    bench : Bench
        The bench.
    upload : Path
        Folder with its captures.
    asked : UnitTest
        What is asked for.

    Returns
    -------
    Computation
        The test.
    """
    name = f"{datetime.now():%Y-%m-%d %H-%M-%S} {upload.name}"
    return bench.computations.start(
        carry_out_test, bench.folder.path, upload, name, asked,
        topic=f"test {upload.name}", title=f"Testing unit {asked.stated.serial}",
    )  # fmt: skip


def understood_test(bench: Bench, typed: dict[str, str], *, played: str = "") -> UnitTest:
    """Understand the fields of a test, but for its files.

    Parameters
    ----------
    bench : Bench
        The bench.
    typed : dict of str to str
        The fields.
    played : str, optional
        Name of the file that was played.

    Returns
    -------
    UnitTest
        Without captures.

    Raises
    ------
    InputError
        When a field can't be used.
    """
    if not typed["serial"]:
        raise InputError("serial", "", "name the unit; the log is kept by serial number")
    network, position = designed_network(bench, typed["network"])
    asked = UnitTest(
        stated=WhoAndWhen(
            typed["serial"], typed["date"], typed["operator"], typed["network_serial"]
        ),
        channel=typed["channel"], other_channel=typed.get("other_channel", ""),
        network=network, position=position, texts=judging_texts(typed),
        curve=unit_curve_texts(typed),
        reading=reading_options(typed, played=Path(played) if played else None),
    )  # fmt: skip
    # What can't be used is told now, beside its field.
    asked.texts.request()
    asked.texts.figures(1.0)
    if not asked.curve.is_guess:
        asked.curve.curve()
    return asked


def _take_in(bench: Bench, typed: dict[str, str], form: FormData, upload: Path) -> list[str]:
    """Copy the captures into a folder of their own."""
    names = copied_files(form, "files", upload)
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


def _progress(request: Request) -> Response:
    from starlette.responses import RedirectResponse, Response

    bench, number = bench_of(request), request.path_params["number"]
    computation = bench.computations.numbered(number)
    again = _again(request)
    if computation is not None and computation.state == "done":
        first, *others = computation.result
        also = "".join(f"&also={number}" for number in others)
        target = f"/verdicts/{first}?{again}{also}"
        if request.headers.get("hx-request") == "true":
            return Response(headers={"hx-redirect": target})
        return RedirectResponse(target, status_code=303)
    ahead = 0 if computation is None else bench.computations.ahead_of(computation)
    partial = request.headers.get("hx-request") == "true"
    return render(
        request, "test_state.html.j2" if partial else "test_progress.html.j2",
        title="Test a unit", computation=computation, ahead=ahead, again=again,
        form=_form_again(again), poll=f"{request.url.path}?{again}",
    )  # fmt: skip


def _verdict(request: Request) -> Response:
    bench, number = bench_of(request), request.path_params["number"]
    verdict = logged_verdict(needed_log(request), number)
    # The files of this test lie in its folder: the next unit finds them there.
    again = "&".join(filter(None, (_again(request, "earlier"), urlencode({"earlier": number}))))
    return render(
        request, "verdict.html.j2", title=f"Unit {verdict.serial}", verdict=verdict,
        announced=VERDICT_WORDS[verdict.decision], fitted=fitted_rows(verdict.fitted),
        reports=present_files(bench, verdict.reports),
        captures=present_files(bench, verdict.captures),
        again=again, form=_form_again(again), also=_also(request),
        understood=_understood(request, number),
    )  # fmt: skip


def _again(request: Request, *without: str) -> str:
    """What the next unit is asked for with, as the address has it."""
    kept = {*_KEPT, *KEPT_OF_RECORDING, "earlier"}.difference(without)
    return urlencode({k: v for k, v in request.query_params.items() if k in kept})


def _form_again(again: str) -> str:
    """The form that the unit was asked for with: of captures, or of a recording."""
    return "/record" if "way=record" in again else "/test"


def _also(request: Request) -> str:
    """Number of the verdict on the other channel of the same test, as the address has it."""
    number = request.query_params.get("also", "")
    return number if is_verdict_number(number) else ""


def _understood(request: Request, number: int) -> dict[str, str]:
    """What was understood of each capture, by name."""
    content = json.loads(verdict_text(needed_log(request), number))
    return {c["name"]: c.get("understood") or "" for c in content["captures"]}


def _verdict_file(request: Request) -> Response:
    from starlette.responses import FileResponse

    bench, name = bench_of(request), request.path_params["name"]
    verdict = logged_verdict(needed_log(request), request.path_params["number"])
    kinds = {"reports": verdict.reports, "captures": verdict.captures}
    files = present_files(bench, kinds.get(request.path_params["kind"], ()))
    if name not in files:
        raise InputError("file", name, "the folder has no such file of this verdict")
    if request.path_params["kind"] == "reports":
        return saved_page(files[name].read_bytes())
    return FileResponse(files[name], filename=name)
