"""What if: a design with another generator, unit or cable, other tolerances, another part."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from antecurve.analysis.what_if import what_if, with_parts
from antecurve.app.designs import chosen_design
from antecurve.app.pages import render
from antecurve.errors import InputError
from antecurve.networks.topology import ElementKind, Loading
from antecurve.quantities import format_quantity, parse_quantity
from antecurve.report.bench_panel import bench_sliders
from antecurve.report.what_if_chart import what_if_chart, what_if_text

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from antecurve.pipeline import Design

__all__ = ["routes"]

_LOADING = ("source", "load", "capacitance")


def routes() -> list[Any]:
    """List the addresses of these views.

    Returns
    -------
    list of Route
        Each with its handler.
    """
    from starlette.routing import Route

    at = "/networks/{name}/what-if"
    return [Route(at, _page), Route(f"{at}/answer", _answer)]


def _page(request: Request) -> Response:
    chosen = chosen_design(request)
    return render(
        request, "what_if.html.j2", title=f"What if: {chosen.named}",
        sliders=bench_sliders(chosen.design), asked=dict(request.query_params),
        parts=_parts(chosen.design), **chosen.content(), **_answered(chosen.design, request),
    )  # fmt: skip


def _answer(request: Request) -> Response:
    design = chosen_design(request).design
    answer = render(request, "what_if_answer.html.j2", **_answered(design, request))
    answer.headers["hx-replace-url"] = (
        f"{request.url.path.removesuffix('/answer')}?{request.url.query}"
    )
    return answer


def _parts(design: Design) -> list[tuple[str, str]]:
    return [
        (p.element.ref, format_quantity(p.value, p.element.kind.unit))
        for p in design.picked.positions
    ]


def _answered(design: Design, request: Request) -> dict[str, Any]:
    """The network under what is asked for, against the job's bench."""
    asked = request.query_params
    sliders = {s.name: s for s in bench_sliders(design)}

    def number(name: str) -> float:
        slider = sliders[name]
        value = slider.value
        if asked.get(name):
            value = parse_quantity(
                asked[name], unit="", field=slider.label, minimum=slider.low, maximum=slider.high
            )
        return 10.0**value if slider.scale == "log" else value

    source, load, picofarad = (number(name) for name in _LOADING)
    loading = Loading(source, load, picofarad * 1e-12)
    tolerances = {kind: number(kind.value) / 100.0 for kind in ElementKind if asked.get(kind.value)}
    units = {p.element.ref: p.element.kind.unit for p in design.picked.positions}
    ref, typed = asked.get("ref", ""), asked.get("value", "").strip()
    values = {}
    if typed:
        if ref not in units:
            raise InputError("part", ref, f"choose one of {', '.join(units)}")
        values[ref] = parse_quantity(typed, unit=units[ref], field=ref)
    picked = with_parts(design.picked, values=values, tolerances=tolerances)
    conditions = replace(design.conditions, loading=loading)
    answer = what_if(picked, conditions, design.job.spread)
    return {"chart": what_if_chart(design, answer), "text": what_if_text(answer, loading)}
