"""Tables of the log for other programs: written in the queue, then handed out."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

from antecurve.app.log_views import FILTER, needed_log
from antecurve.app.pages import bench_of, is_partial, render
from antecurve.app.work import export_log
from antecurve.errors import InputError
from antecurve.log.log_filter import LogFilter

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from antecurve.app.computations import Computation
    from antecurve.app.pages import Bench

__all__ = ["routes"]

_KINDS = ("csv", "xlsx")
_MOST_KEPT = 3  # tables that wait to be saved: a browser takes each at once


def routes() -> list[Any]:
    """List the addresses of these views.

    Returns
    -------
    list of Route
        Each with its handler.
    """
    from starlette.routing import Route

    at = "/log/exports"
    return [
        Route(at, _begin, methods=["POST"]),
        Route(f"{at}/{{number:int}}", _progress),
        Route(f"{at}/{{number:int}}/table", _table),
    ]


async def _begin(request: Request) -> Response:
    from starlette.concurrency import run_in_threadpool

    async with request.form() as form:
        typed = {name: str(form.get(name, "")).strip() for name in (*FILTER, "kind")}
    return await run_in_threadpool(_started, request, typed)


def _started(request: Request, typed: dict[str, str]) -> Response:
    from starlette.responses import RedirectResponse

    bench, kind = bench_of(request), typed.pop("kind")
    if kind not in _KINDS:
        raise InputError("export", kind, f"choose one of {', '.join(_KINDS)}")
    wanted = LogFilter(**typed)
    _remove_old(bench)
    computation = bench.computations.start(
        export_log, needed_log(request).path, bench.folder.new_upload(), kind, wanted,
        topic=f"export {kind} {wanted}", title="Writing the table",
    )  # fmt: skip
    return RedirectResponse(f"/log/exports/{computation.number}", status_code=303)


def _remove_old(bench: Bench) -> None:
    """Remove tables that were handed out, but for the last few."""
    tables = [c.result for c in bench.computations.ended() if isinstance(c.result, Path)]
    for path in tables[:-_MOST_KEPT]:
        shutil.rmtree(path.parent, ignore_errors=True)


def _asked(request: Request) -> Computation | None:
    return bench_of(request).computations.numbered(request.path_params["number"])


def _progress(request: Request) -> Response:
    computation = _asked(request)
    template = "log_export_state.html.j2" if is_partial(request) else "log_export.html.j2"
    ahead = 0 if computation is None else bench_of(request).computations.ahead_of(computation)
    return render(request, template, title="Table of the log", computation=computation, ahead=ahead)


def _table(request: Request) -> Response:
    from starlette.responses import FileResponse

    computation = _asked(request)
    path = None if computation is None else computation.result
    if not isinstance(path, Path) or not path.is_file():
        raise InputError("table", "", "it is gone; export it again from the log")
    return FileResponse(path, filename=path.name)
