"""The build of a network or a box, part by part."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from antecurve.app.builds import correction_files, shown_build
from antecurve.app.designs import Chosen, chosen_design, design_key
from antecurve.app.pages import is_partial, render, text_digest
from antecurve.app.work import trim_build
from antecurve.files.build_state import (
    BuildState,
    build_files,
    measured_values,
    pasted_values,
    read_build,
)
from antecurve.log.bench_log import open_log
from antecurve.log.builds import record_build
from antecurve.parts.scatter import part_table
from antecurve.quantities import format_quantity

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from antecurve.app.computations import Computation

__all__ = ["routes"]


def routes() -> list[Any]:
    """List the addresses of these views.

    Returns
    -------
    list of Route
        Each with its handler.
    """
    from starlette.routing import Route

    build = "/networks/{name}/build"
    return [
        Route(build, _build, methods=["GET"]),
        Route(build, _save_build, methods=["POST"]),
        Route(f"{build}/trim", _trim),
    ]


def _build(request: Request) -> Response:
    chosen = chosen_design(request)
    state = read_build(chosen.folder)
    return _rendered(request, chosen, state, digest=_digest(chosen.folder, state))


def _digest(folder: Path, state: BuildState) -> str:
    """A mark of a build and of the design that is built."""
    return text_digest(f"{design_key(folder)} {build_files(state)}")


def _rendered(
    request: Request, chosen: Chosen, state: BuildState,
    *, digest: str, pasted_errors: dict[str, str] | None = None,
) -> Response:  # fmt: skip
    values, errors = measured_values(chosen.made.parts, state.values)
    errors |= pasted_errors or {}
    table = part_table(chosen.made.parts)
    parts = [
        (ref, format_quantity(value, kind.unit), state.values.get(ref, ""), ref in state.fitted)
        for ref, value, kind in zip(table.refs, table.nominal.tolist(), table.kinds, strict=True)
    ]
    return render(
        request, "build.html.j2", status=422 if errors else 200,
        title=f"Build: {chosen.folder.name}", parts=parts, state=state, errors=errors,
        digest=digest, refused="refused" in request.query_params,
        others={ref: text for ref, text in errors.items() if ref not in table.refs},
        computation=None if errors else _trimming(chosen, state, values), ahead=0,
        **chosen.content(), **shown_build(chosen, values, state.fitted),
    )  # fmt: skip


async def _save_build(request: Request) -> Response:
    from starlette.concurrency import run_in_threadpool

    async with request.form() as form:
        typed = {key: str(value) for key, value in form.multi_items() if isinstance(value, str)}
    return await run_in_threadpool(_saved_build, request, typed)


def _saved_build(request: Request, typed: dict[str, str]) -> Response:
    chosen = chosen_design(request)
    bench, folder, made = chosen.bench, chosen.folder, chosen.made
    refs = part_table(made.parts).refs
    values = {ref: typed.get(f"value:{ref}", "").strip() for ref in refs}
    pasted = pasted_values(typed.get("pasted", ""))
    values |= pasted
    fitted = tuple(ref for ref in refs if f"fitted:{ref}" in typed or ref in pasted)
    state = BuildState(typed.get("serial", "").strip(), fitted, values)
    measured, errors = measured_values(made.parts, values)
    if errors:
        return _rendered(
            request, chosen, state, digest=typed.get("digest", ""), pasted_errors=errors
        )
    texts = {folder / name: text for name, text in build_files(state).items()}
    if not measured and (folder / "values.csv").is_file():
        texts[folder / "values.csv"] = "ref,value\n"
    with bench.changing:
        stored = read_build(folder)
        digest = _digest(folder, stored)
        if typed.get("digest", digest) != digest:
            return _shown_again(request, chosen, refused=True)
        earlier = _latest_trim(chosen, stored)
        bench.folder.change_all(texts, what=f"build of {folder.name}")
    if set(fitted) == set(refs):
        _log_build(chosen, state, measured)
    if earlier is not None and earlier.topic != _topic(folder, state, measured):
        bench.computations.cancel(earlier)  # nobody waits for it any more
    if measured:
        for name, content in correction_files(made, measured).items():
            (folder / name).write_bytes(content)
        _trimming(chosen, state, measured, again=True)
    return _shown_again(request, chosen)


def _log_build(chosen: Chosen, state: BuildState, measured: dict[str, float]) -> None:
    log = open_log(chosen.bench.folder.path, make=True)
    for throw, design in enumerate(chosen.made.designs, start=1):
        record_build(
            log, design, chosen.folder / "design.json", serial=state.serial,
            measured=chosen.made.values_at(throw, measured),
        )  # fmt: skip


def _shown_again(request: Request, chosen: Chosen, *, refused: bool = False) -> Response:
    """The page as it is saved; whole where another window changed what this one shows."""
    from starlette.responses import RedirectResponse, Response

    query = {"position": chosen.position} if chosen.position else {}
    query |= {"refused": "1"} if refused else {}
    target = f"{request.url.path}?{urlencode(query)}".removesuffix("?")
    if refused and is_partial(request):
        return Response(headers={"hx-redirect": target})
    return RedirectResponse(target, status_code=303)


def _topic(folder: Path, state: BuildState, measured: dict[str, float]) -> str:
    """A trim is about one design, what was measured of it, and what is soldered in."""
    written = (folder / "design.json").stat().st_mtime_ns
    return f"trim {folder.name} {written} {measured} {state.fitted}"


def _latest_trim(chosen: Chosen, state: BuildState) -> Computation | None:
    measured, _ = measured_values(chosen.made.parts, state.values)
    return chosen.bench.computations.latest(_topic(chosen.folder, state, measured))


def _trimming(
    chosen: Chosen, state: BuildState, measured: dict[str, float], *, again: bool = False
) -> Computation | None:
    """The trim of what is measured, begun where it was not yet, or again where cancelled."""
    if not measured:
        return None
    bench, folder = chosen.bench, chosen.folder
    topic = _topic(folder, state, measured)
    latest = bench.computations.latest(topic)
    if latest is not None and not (again and latest.state == "cancelled"):
        return latest
    refs = part_table(chosen.made.parts).refs
    soldered = tuple(ref for ref in state.fitted if ref in refs)  # not of a design before this one
    bench.computations.start(trim_build, folder, measured, soldered, topic=topic, title="Trimming")
    return bench.computations.latest(topic)  # as it stands, while a page is written from it


def _trim(request: Request) -> Response:
    chosen = chosen_design(request)
    computation = _latest_trim(chosen, read_build(chosen.folder))
    ahead = 0 if computation is None else chosen.bench.computations.ahead_of(computation)
    return render(
        request, "build_trim.html.j2", name=chosen.folder.name, computation=computation,
        ahead=ahead,
    )  # fmt: skip
