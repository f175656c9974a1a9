"""What if: a design with another generator, unit or cable, other tolerances, another part."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from antecurve.analysis.what_if import what_if, with_parts
from antecurve.app.designs import Chosen, chosen_design
from antecurve.app.pages import render
from antecurve.errors import InputError
from antecurve.networks.centred_error import error_range
from antecurve.networks.topology import ElementKind, Loading
from antecurve.quantities import format_quantity, parse_quantity
from antecurve.report.bench_panel import Slider, bench_sliders
from antecurve.report.what_if_chart import every_position_text, what_if_chart, what_if_text

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from antecurve.pipeline import Design
    from antecurve.switched.box import Box

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
        parts=_parts(chosen.design), apart=False, **chosen.content(), **_answered(chosen, request),
    )  # fmt: skip


def _answer(request: Request) -> Response:
    answered = _answered(chosen_design(request), request)
    answer = render(request, "what_if_answer.html.j2", apart=True, **answered)
    answer.headers["hx-replace-url"] = (
        f"{request.url.path.removesuffix('/answer')}?{request.url.query}"
    )
    return answer


def _parts(design: Design) -> list[tuple[str, str]]:
    return [
        (p.element.ref, format_quantity(p.value, p.element.kind.unit))
        for p in design.picked.positions
    ]


def _answered(chosen: Chosen, request: Request) -> dict[str, Any]:
    """The network under what is asked for, against the job's bench."""
    design, asked = chosen.design, request.query_params
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
    return {
        "chart": what_if_chart(design, answer),
        "text": what_if_text(answer, loading),
        "shown": {name: _shown(slider, number(name)) for name, slider in sliders.items()},
        "every_position": _every_position(chosen.made.box, values, loading),
    }


def _shown(slider: Slider, value: float) -> str:
    """What a slider stands at, in its own unit."""
    if slider.unit == "%":
        return f"±{value:g}\N{NO-BREAK SPACE}%"
    unit, size = {"pF": ("F", 1e-12)}.get(slider.unit, ("ohm", 1.0))
    return format_quantity(value * size, unit, digits=3)


def _every_position(box: Box | None, values: dict[str, float], loading: Loading) -> str:
    """What another value of a part that stays does to the other positions of the switch."""
    if box is None or not values or not set(values) <= set(box.switch.shared):
        return ""
    errors_db = [
        error_range(
            with_parts(design.picked, values=values, tolerances={}).network,
            replace(design.conditions, loading=loading),
        ).centred_db
        for design in box.designs
    ]
    return every_position_text(", ".join(values), box.names, errors_db)
