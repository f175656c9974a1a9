"""The log: units by any word, the history of one, run charts, outcomes, findings, what is gone."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from antecurve.app.pages import bench_of, is_partial, render
from antecurve.errors import InputError
from antecurve.log.bench_log import BenchLog, open_log
from antecurve.log.builds import BuildList, list_builds, list_positions
from antecurve.log.deletion import delete_verdicts, list_tombstones
from antecurve.log.history import unit_history
from antecurve.log.listing import UnitList, list_units, logged_verdict
from antecurve.log.log_filter import LogFilter
from antecurve.log.outcomes import finding_counts, outcome_shares
from antecurve.log.recording import record_repair
from antecurve.log.run_chart import run_chart
from antecurve.report import log_tables as tables
from antecurve.report.log_charts import run_chart_drawing
from antecurve.report.page_chart import page_chart

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

__all__ = ["FILTER", "logged", "needed_log", "routes"]

FILTER = ("words", "decision", "position", "since", "until")
"""Fields of a search."""
_A_PAGE = 50  # units: they fit on two screens
_CONSTANTS = {
    "bass_shelf_s": "bass shelf", "turnover_s": "turnover", "treble_s": "treble",
    "low_corner_hz": "low corner", "high_corner_hz": "high corner",
}  # fmt: skip
_CHARTED = 200  # values of a run chart: 4 px apart; what is earlier is in the export
_MOST_KINDS = 50  # of findings: the most frequent matter


def routes() -> list[Any]:
    """List the addresses of these views.

    Returns
    -------
    list of Route
        Each with its handler.
    """
    from starlette.routing import Route

    return [
        Route("/log", _list),
        Route("/log/units/{serial:path}", _unit),
        Route("/log/repairs", _repair, methods=["POST"]),
        Route("/log/runs", _runs),
        Route("/log/outcomes", _outcomes),
        Route("/log/builds", _builds),
        Route("/log/deleted", _deleted),
        Route("/log/delete/{number:int}", _ask, methods=["GET"]),
        Route("/log/delete/{number:int}", _delete, methods=["POST"]),
    ]


def logged(request: Request) -> BenchLog | None:
    """Open the log of the folder; it is checked the first time.

    Parameters
    ----------
    request : Request
        Any request.

    Returns
    -------
    BenchLog or None
        ``None`` where nothing was logged yet.
    """
    bench = bench_of(request)
    path = bench.folder.log
    if not path.is_file():
        return None
    key = (str(path), path.stat().st_ino)
    log: BenchLog | None = bench.kept.get(key)
    if log is None:
        log = open_log(path)
        bench.keep(key, log)
    return log


def needed_log(request: Request) -> BenchLog:
    """Open the log of the folder where something of it is asked for.

    Parameters
    ----------
    request : Request
        Any request.

    Returns
    -------
    BenchLog
        The log.

    Raises
    ------
    InputError
        When nothing was logged yet.
    """
    log = logged(request)
    if log is None:
        raise InputError("log", "", "no unit has been judged yet")
    return log


def _typed(request: Request) -> dict[str, str]:
    """What is searched for."""
    return {name: request.query_params.get(name, "").strip() for name in FILTER}


def _searched(log: BenchLog | None, typed: dict[str, str]) -> dict[str, Any]:
    """What the form of a search shows."""
    return {"typed": typed, "positions": () if log is None else list_positions(log)}


def _list(request: Request) -> Response:
    log, typed = logged(request), _typed(request)
    number = request.query_params.get("page", "1")
    page = max(1, int(number)) if number.isascii() and number.isdigit() and len(number) < 7 else 1
    listed = UnitList((), 0)
    if log is not None:
        listed = list_units(log, LogFilter(**typed), limit=_A_PAGE, offset=_A_PAGE * (page - 1))
    table = tables.unit_rows(listed)
    answer = render(
        request, "log_list.html.j2" if is_partial(request) else "log.html.j2", title="Log",
        table=table, lines=list(zip(listed.units, table.rows, strict=True)), total=listed.total,
        page=page, pages=max(1, math.ceil(listed.total / _A_PAGE)),
        has_log=log is not None, **_searched(log, typed),
    )  # fmt: skip
    if is_partial(request):
        answer.headers["hx-replace-url"] = f"{request.url.path}?{request.url.query}"
    return answer


def _unit(request: Request) -> Response:
    history = unit_history(needed_log(request), request.path_params["serial"])
    table = tables.history_rows(history)
    return render(
        request, "unit.html.j2", title=f"Unit {history.serial}", history=history, table=table,
        said=tables.history_text(history),
        lines=list(zip(history.verdicts, table.rows, strict=True)),
        comparisons=[
            (tables.comparison_text(pair), tables.comparison_rows(pair))
            for pair in history.comparisons
        ],
    )  # fmt: skip


async def _repair(request: Request) -> Response:
    from starlette.responses import RedirectResponse

    async with request.form() as form:
        typed = {k: str(form.get(k, "")).strip() for k in ("serial", "text", "date", "operator")}
    record_repair(
        needed_log(request), typed["serial"], typed["text"], date=typed["date"],
        operator=typed["operator"],
    )  # fmt: skip
    return RedirectResponse(f"/log/units/{quote(typed['serial'], safe='')}", status_code=303)


def _runs(request: Request) -> Response:
    typed, constant = _typed(request), request.query_params.get("constant", "treble_s")
    log, sentence, chart, rows = needed_log(request), "", None, None
    try:
        run = run_chart(log, constant, LogFilter(**typed), limit=_CHARTED)
    except InputError as error:
        sentence = str(error)
    else:
        sentence, rows = tables.run_chart_text(run), tables.run_chart_rows(run)
        chart = page_chart(
            run_chart_drawing(run), name="chart-run", title="Run chart", text=sentence
        )
    return render(
        request, "log_runs.html.j2", title="Run charts", constants=_CONSTANTS, constant=constant,
        sentence=sentence, chart_content=chart, rows=rows, **_searched(log, typed),
    )  # fmt: skip


def _outcomes(request: Request) -> Response:
    typed, period = _typed(request), request.query_params.get("period", "month")
    log, wanted = needed_log(request), LogFilter(**typed)
    return render(
        request, "log_outcomes.html.j2", title="Outcomes and findings", period=period,
        shares=tables.outcome_rows(outcome_shares(log, wanted, period=period)),
        findings=tables.finding_count_rows(finding_counts(log, wanted, limit=_MOST_KINDS)),
        **_searched(log, typed),
    )  # fmt: skip


def _builds(request: Request) -> Response:
    log = logged(request)
    rows = tables.build_rows(BuildList(()) if log is None else list_builds(log))
    return render(request, "log_builds.html.j2", title="Builds of networks", builds=rows)


def _deleted(request: Request) -> Response:
    stones = tables.tombstone_rows(list_tombstones(needed_log(request)))
    return render(request, "log_deleted.html.j2", title="Deleted verdicts", stones=stones)


def _ask(request: Request) -> Response:
    verdict = logged_verdict(needed_log(request), request.path_params["number"])
    return render(
        request, "log_delete.html.j2", title=f"Delete verdict {verdict.number}?", verdict=verdict,
        said=tables.verdict_line(verdict),
    )  # fmt: skip


async def _delete(request: Request) -> Response:
    from starlette.responses import RedirectResponse

    async with request.form() as form:
        reason, who = (str(form.get(key, "")).strip() for key in ("reason", "who"))
    delete_verdicts(needed_log(request), [request.path_params["number"]], reason=reason, who=who)
    return RedirectResponse("/log/deleted", status_code=303)
