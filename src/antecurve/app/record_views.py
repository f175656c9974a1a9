"""A unit recorded through the sound interface: the form, the steps one by one, then the test."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from antecurve.app.designs import read_made
from antecurve.app.judge_fields import (
    KEPT_FILES,
    KEPT_OF_EACH,
    KEPT_OF_RECORDING,
    RECORDING_GROUPS,
    VERDICT_GROUPS,
    names_in,
    whole_number,
)
from antecurve.app.pages import Bench, bench_of, is_partial, render
from antecurve.app.record_work import Recorded, list_devices, record_unit
from antecurve.app.unit_files_taken import keep_circuit, keep_limits, kept_files
from antecurve.app.unit_views import (
    form_content,
    start_test,
    typed_fields,
    understood_test,
)
from antecurve.app.unit_work import PLAYED, REFERENCE
from antecurve.errors import AntecurveError, InputError
from antecurve.files.measurement import BYPASS, STIMULUS, UNIT, read_measurement
from antecurve.files.measuring_texts import MeasuringTexts
from antecurve.quantities import format_quantity
from antecurve.report.cautions import MEASURING_CAUTIONS
from antecurve.report.html_page import software_text

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.datastructures import FormData
    from starlette.requests import Request
    from starlette.responses import Response

    from antecurve.app.computations import Computation
    from antecurve.app.unit_work import UnitTest
    from antecurve.job import Job
    from antecurve.sound.interface import Device

__all__ = ["routes"]

_TOPIC = "recording"
"""There is one sound interface: two recordings never run at once."""
_GROUPS = (*RECORDING_GROUPS, *VERDICT_GROUPS)
_KEPT = (*KEPT_OF_EACH, *KEPT_OF_RECORDING, *names_in(VERDICT_GROUPS))
_FIELDS = (*_KEPT, *KEPT_FILES, "serial", "channel", "date", "circuit")
_LONGEST_LOOK_S = 20.0  # for devices: a sound server that starts takes some seconds
_MOST_REFERENCES = 50  # to choose from, the latest


def routes() -> list[Any]:
    """List the addresses of these views.

    Returns
    -------
    list of Route
        Each with its handler.
    """
    from starlette.routing import Route

    return [
        Route("/record", _form, methods=["GET"]),
        Route("/record", _begin, methods=["POST"]),
        Route("/record/devices", _devices),
        Route("/record/{number:int}", _progress),
        Route("/record/{number:int}/go", _go_on, methods=["POST"]),
    ]


def _form(request: Request) -> Response:
    return _rendered(request, dict(request.query_params))


def _rendered(
    request: Request, asked: dict[str, str], error: AntecurveError | None = None
) -> Response:
    bench = bench_of(request)
    usual = {"output_channel": "1", "input_channel": "1"}
    chosen = {k: asked[k] for k in ("output_device", "input_device") if asked.get(k)}
    return render(
        request, "record.html.j2", status=200 if error is None else 422, title="Record a unit",
        references=_references(bench), chosen=urlencode(chosen), running=_running(bench),
        **form_content(request, usual | asked, error, groups=_GROUPS, fields=_FIELDS),
    )  # fmt: skip


def _running(bench: Bench) -> Computation | None:
    """The recording under way, if there is one."""
    latest = bench.computations.latest(_TOPIC)
    return None if latest is None or latest.ended else latest


def _references(bench: Bench) -> list[tuple[str, str]]:
    """Recordings whose reference may still hold, the latest first: name, and words."""
    folder, listed = bench.folder.recordings, list[tuple[str, str]]()
    names = sorted((p.name for p in folder.iterdir()), reverse=True) if folder.is_dir() else []
    for name in names:
        if len(listed) == _MOST_REFERENCES:
            break
        try:
            about = read_measurement(folder / name)
        except AntecurveError:
            continue
        if (folder / name / BYPASS).is_file():
            inputs = " and ".join(map(str, about.inputs))
            rate = format_quantity(about.rate_hz, "Hz")
            words = f"{about.date[:16].replace('T', ' ')}, output {about.output}, input {inputs}"
            listed.append((name, f"{words}, {rate} ({name})"))
    return listed


def _devices(request: Request) -> Response:
    """The devices to choose from, looked up in a process that sees those plugged in since."""
    bench, sentence = bench_of(request), ""
    devices: tuple[Device, ...] = ()
    look = bench.computations.start(
        list_devices, topic="devices", title="Looking for devices", lane="devices"
    )
    if look.future is not None:
        try:
            look.future.result(timeout=_LONGEST_LOOK_S)
        except TimeoutError:
            bench.computations.cancel(look)
    if look.state == "done":
        devices = look.result
    else:
        sentence = look.message or "The sound system does not answer; start its server again."
    names = [device.name for device in devices]
    values = {d.number: d.name if names.count(d.name) == 1 else str(d.number) for d in devices}
    return render(
        request, "record_devices.html.j2", devices=devices, values=values, sentence=sentence,
        asked=request.query_params,
    )  # fmt: skip


async def _begin(request: Request) -> Response:
    from starlette.concurrency import run_in_threadpool

    async with request.form() as form:
        typed = typed_fields(form, _FIELDS)
        try:
            return await run_in_threadpool(_started, request, typed, form)
        except AntecurveError as error:
            return _rendered(request, typed, error)


def _started(request: Request, typed: dict[str, str], form: FormData) -> Response:
    """Begin the recording; the test follows by itself."""
    from starlette.responses import RedirectResponse

    bench = bench_of(request)
    if _running(bench) is not None:
        raise InputError("recording", "another one", "one at a time; end the one under way first")
    asked, texts = understood_test(bench, typed), _texts(typed)
    made = read_made(bench.folder.existing_network(asked.network))
    job = made.designs[made.throw(asked.position) - 1].job
    _check(bench, job, texts, typed["reference"])
    upload = bench.folder.new_upload()
    try:
        keep_limits(typed, form, upload, kept_files(request, typed, form))
        keep_circuit(bench, typed, form)
    except AntecurveError:
        shutil.rmtree(upload, ignore_errors=True)
        raise

    def judge(recorded: Recorded) -> Computation:
        return _judge(bench, upload, asked, recorded)

    name = f"{datetime.now():%Y-%m-%d %H-%M-%S} {upload.name}"
    computation = bench.computations.start(
        record_unit, bench.folder.path, job.loading, name, texts, typed["reference"],
        topic=_TOPIC, title=f"Recording unit {asked.stated.serial}", lane="sound", keeps=True,
        then=judge,
    )  # fmt: skip
    kept = {key: typed[key] for key in (*_KEPT, "earlier") if typed[key]} | {"way": "record"}
    # The next unit is recorded with the reference of this one.
    again = urlencode(kept | {"reference": typed["reference"] or name})
    return RedirectResponse(
        f"/record/{computation.number}?{again}&recording={name}", status_code=303
    )


def _texts(typed: dict[str, str]) -> MeasuringTexts:
    """How the unit is recorded, as typed."""
    given = {
        name: typed[name]
        for name in ("output_device", "input_device", *names_in(RECORDING_GROUPS))
        if typed[name]
    }
    channels = {
        name: whole_number(typed[name], field=name)
        for name in ("output_channel", "input_channel", "generator_channel")
        if typed[name]
    }
    return MeasuringTexts(**given, **channels)  # type: ignore[arg-type]


def _check(bench: Bench, job: Job, texts: MeasuringTexts, reference: str) -> None:
    """Tell what can't be used now, beside its field."""
    plan = texts.plan(job.loading, software=software_text())
    plan.check(job.target.band_hz)
    texts.interface()
    if reference:
        try:
            plan.earlier(bench.folder.recording(reference))
        except AntecurveError as error:
            rule = str(error).rpartition("; ")[2]
            raise InputError("reference", reference, rule) from None


def _judge(bench: Bench, upload: Path, asked: UnitTest, recorded: Recorded) -> Computation:
    """Begin the test of what was recorded, with a copy of it."""
    upload.mkdir(parents=True, exist_ok=True)
    folders = {UNIT: upload, BYPASS: upload / REFERENCE}
    for path in recorded.files:
        target = folders.get(path.name, upload / PLAYED) / path.name
        target.parent.mkdir(exist_ok=True)
        shutil.copyfile(path, target)
    captured = replace(
        asked, captures=(UNIT,), reading=recorded.reading, source_ohm=recorded.source_ohm,
        references=tuple(p.name for p in recorded.files if p.name == BYPASS),
    )  # fmt: skip
    return start_test(bench, upload, captured)


def _progress(request: Request) -> Response:
    from starlette.responses import RedirectResponse, Response

    bench, number = bench_of(request), request.path_params["number"]
    computation = bench.computations.numbered(number)
    again = urlencode({k: v for k, v in request.query_params.items() if k in (*_KEPT, "earlier")})
    if computation is not None and computation.following is not None:
        target = f"/test/{computation.following.number}?{again}"
        if is_partial(request):
            return Response(headers={"hx-redirect": target})
        return RedirectResponse(target, status_code=303)
    step = request.query_params.get("step", "")
    if computation is not None and is_partial(request) and step == _step(computation):
        return Response(status_code=204)  # nothing new: what has the focus stays as it is
    recording = request.query_params.get("recording", "")
    return render(
        request, "record_state.html.j2" if is_partial(request) else "record_progress.html.j2",
        title="Record a unit", computation=computation, again=again,
        ahead=0 if computation is None else bench.computations.ahead_of(computation),
        poll=f"{request.url.path}?{again}&{urlencode({'recording': recording})}",
        step="" if computation is None else _step(computation), cautions=MEASURING_CAUTIONS,
        kept=_kept_files(bench, recording), recording=recording,
    )  # fmt: skip


def _step(computation: Computation) -> str:
    """What the page shows of a recording, in short."""
    asks = "asks" if computation.asked else ""
    return f"{computation.state}-{computation.step}-{len(computation.said)}-{asks}"


def _kept_files(bench: Bench, recording: str) -> list[str]:
    """Names of the records so far."""
    try:
        folder = bench.folder.recording(recording)
    except InputError:
        return []
    names = (BYPASS, STIMULUS, UNIT, "bypass-interrupted.wav", "unit-interrupted.wav")
    return [name for name in names if (folder / name).is_file()]


async def _go_on(request: Request) -> Response:
    from starlette.responses import RedirectResponse, Response

    async with request.form() as form:
        step = whole_number(str(form.get("step", "")), field="step")
    bench, number = bench_of(request), request.path_params["number"]
    computation = bench.computations.numbered(number)
    if computation is not None:
        bench.computations.go_on(computation, step)
    if is_partial(request):
        return Response(status_code=204)
    return RedirectResponse(f"/record/{number}?{request.url.query}", status_code=303)
