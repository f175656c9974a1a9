"""The log: units found by any word, the history of one, and what the whole shows."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from antecurve.app.pages import bench_of, is_partial, render
from antecurve.log.bench_log import BenchLog, open_log
from antecurve.log.listing import UnitList, list_units, list_verdicts
from antecurve.log.log_filter import LogFilter
from antecurve.report.log_tables import unit_lines

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

__all__ = ["routes"]

_A_PAGE = 50  # units: they fit on two screens
_FILTER = ("words", "decision", "since", "until")


def routes() -> list[Any]:
    """List the addresses of these views.

    Returns
    -------
    list of Route
        Each with its handler.
    """
    from starlette.routing import Route

    return [Route("/units", _list), Route("/units/{serial:path}", _unit)]


def _log(request: Request) -> BenchLog | None:
    """The log of the folder, if it has one yet; it was checked when the server came up."""
    bench = bench_of(request)
    path = bench.folder.log
    if not path.is_file():
        return None
    state = path.stat()
    log: BenchLog | None = bench.kept.get((str(path), state.st_ino))
    if log is None:
        log = open_log(path)
        bench.keep((str(path), state.st_ino), log)
    return log


def _list(request: Request) -> Response:
    log = _log(request)
    typed = {name: request.query_params.get(name, "").strip() for name in _FILTER}
    number = request.query_params.get("page", "1")
    page = max(1, int(number)) if number.isascii() and number.isdigit() and len(number) < 7 else 1
    listed = UnitList((), 0)
    if log is not None:
        listed = list_units(log, LogFilter(**typed), limit=_A_PAGE, offset=_A_PAGE * (page - 1))
    pages = max(1, math.ceil(listed.total / _A_PAGE))
    answer = render(
        request, "units_list.html.j2" if is_partial(request) else "units.html.j2", title="Log",
        units=unit_lines(listed.units), total=listed.total, page=page, pages=pages,
        typed=typed, has_log=log is not None,
    )  # fmt: skip
    if is_partial(request):
        answer.headers["hx-replace-url"] = f"{request.url.path}?{request.url.query}"
    return answer


def _unit(request: Request) -> Response:
    from antecurve.errors import InputError

    serial, log = request.path_params["serial"], _log(request)
    listed = None if log is None else list_verdicts(log, LogFilter(serial=serial))
    if listed is None or not listed.verdicts:
        raise InputError("serial", serial, "the log has no such unit")
    return render(
        request, "unit.html.j2", title=f"Unit {serial}", serial=serial, verdicts=listed.verdicts
    )
