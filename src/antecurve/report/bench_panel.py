"""The part of the page that redraws itself: sliders, their data and the script."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from antecurve.curves.model import zero_pole_gain
from antecurve.networks.javascript import transfer_javascript
from antecurve.networks.topology import ElementKind
from antecurve.parts.joined import values_add
from antecurve.quantities import format_quantity
from antecurve.report.html_page import page_environment

if TYPE_CHECKING:
    from antecurve.networks.topology import Topology
    from antecurve.pipeline import Analysis, Design

__all__ = ["BenchPanel", "Slider", "bench_panel", "bench_sliders", "panel_script"]

_USUAL_OHM = (0.0, 50.0, 75.0, 150.0, 600.0)  # source resistances of generators and lines
_BUILDS = 1000  # drawn while a slider moves; 50 of them lie beyond the 95 %


@dataclass(frozen=True, slots=True)
class Slider:
    """One slider of the page.

    Attributes
    ----------
    name : str
        Name in the page.
    label : str
        What it says.
    low, high, value : float
        Ends and start, in the slider's own scale.
    step : str
        Step, or ``any``.
    scale : str
        ``linear``, or ``log`` for the logarithm to base 10 of the value.
    low_text, high_text : str
        The ends as printed below the slider.
    unit : str
        Unit of the number beside it.
    factor : float
        That unit in the slider's own.
    presets : tuple of (float, str)
        Usual values in the slider's own scale, with their texts.
    """

    name: str
    label: str
    low: float
    high: float
    value: float
    low_text: str
    high_text: str
    unit: str
    factor: float
    step: str = "any"
    scale: str = "linear"
    presets: tuple[tuple[float, str], ...] = ()


@dataclass(frozen=True, slots=True)
class BenchPanel:
    """What the page needs to redraw.

    Attributes
    ----------
    sliders : tuple of Slider
        In the order shown.
    data : str
        JSON, safe inside a script element.
    script : str
        The script.
    """

    sliders: tuple[Slider, ...]
    data: str
    script: str


def bench_panel(design: Design, analysis: Analysis, *, environment: Any) -> BenchPanel:
    """Render sliders, data and script for a design.

    Parameters
    ----------
    design : Design
        The design.
    analysis : Analysis
        Its analyses.
    environment : jinja2.Environment
        Where the template of the script is.

    Returns
    -------
    BenchPanel
        Everything the page needs.
    """
    job, response = design.job, analysis.response
    curve = zero_pole_gain(job.curve)
    content = {
        "values": [p.value for p in design.picked.positions],
        "positions": [
            {
                "kind": p.element.kind.value,
                "parts": [{"value": part.value, "tolerance": part.tolerance} for part in p.parts],
                "adds": values_add(p.element.kind, p.joined),
            }
            for p in design.picked.positions
        ],
        "frequency_hz": response.frequency_hz.tolist(),
        "curve": {
            "zeros_s": curve.zeros_s,
            "poles_s": curve.poles_s,
            "power": curve.zeros_at_origin - curve.poles_at_origin,
        },
        "loading": {
            "source": job.loading.source_resistance,
            "load": job.loading.load_resistance,
            "capacitance": job.loading.load_capacitance,
        },
        "band_hz": list(job.target.band_hz),
        "limit_db": job.target.error_limit_db,
        "source_level_v": job.source_level_v,
        "builds": _BUILDS,
        "distribution": job.spread.distribution,
    }
    data = json.dumps(content, allow_nan=False).replace("<", "\\u003c")
    script = panel_script(design.picked.topology, environment=environment)
    return BenchPanel(bench_sliders(design), data, script)


def panel_script(topology: Topology, *, environment: Any = None) -> str:
    """Render the script of a topology's page.

    Parameters
    ----------
    topology : Topology
        The shape of the network.
    environment : jinja2.Environment, optional
        Where the template of the script is; that of the package by default.

    Returns
    -------
    str
        The script.
    """
    from markupsafe import Markup

    environment = environment or page_environment()
    coefficients = Markup(transfer_javascript(topology))
    script: str = environment.get_template("bench.js").render(coefficients=coefficients)
    return script


def bench_sliders(design: Design) -> tuple[Slider, ...]:
    """Lay out the sliders for generator, unit, cable and tolerances.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    tuple of Slider
        Each starts at the job's bench.
    """
    loading = design.job.loading
    picofarad = loading.load_capacitance * 1e12
    tolerances = dict.fromkeys(ElementKind, 0.0)
    for position in design.picked.positions:
        kind, percent = position.element.kind, round(100 * position.tolerance, 6)
        tolerances[kind] = max(tolerances[kind], percent)
    load = math.log10(loading.load_resistance)
    least, most = min(1.0, load), max(6.0, load)
    source_most = max(1000.0, 2 * loading.source_resistance)
    picofarad_most = max(1000.0, 2 * picofarad)
    return (
        Slider(
            "source", "Generator, source resistance", 0, source_most, loading.source_resistance,
            "0 Ω", format_quantity(source_most, "ohm", digits=3), "Ω", 1.0,
            presets=tuple((value, format_quantity(value, "ohm")) for value in _USUAL_OHM),
        ),
        Slider(
            "load", "Unit, input resistance", least, most, load,
            format_quantity(10.0**least, "ohm", digits=3),
            format_quantity(10.0**most, "ohm", digits=3), "kΩ", 1e3, scale="log",
        ),
        Slider(
            "capacitance", "Unit and cable, capacitance", 0, picofarad_most, picofarad,
            "0 pF", format_quantity(picofarad_most * 1e-12, "F", digits=3), "pF", 1.0,
        ),
        *(_tolerance_slider(kind, most, tolerances[kind])
          for kind, most in ((ElementKind.RESISTOR, 10.0), (ElementKind.CAPACITOR, 20.0))),
    )  # fmt: skip


def _tolerance_slider(kind: ElementKind, most: float, percent: float) -> Slider:
    """The tolerance of one kind of part, from nothing up."""
    high = max(most, percent)
    label = f"Tolerance of {kind.value}s"
    return Slider(kind.value, label, 0, high, percent, "±0 %", f"±{high:g} %", "%", 1.0)
