"""A design on another bench: its error against that at the job's own."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from antecurve.quantities import format_quantity
from antecurve.report.chart import BLACK, BLUE, Line, frequency_chart
from antecurve.report.charts import limit_lines
from antecurve.report.figures import within_text
from antecurve.report.page_chart import PageChart, page_chart

if TYPE_CHECKING:
    from antecurve.analysis.what_if import WhatIf
    from antecurve.networks.topology import Loading
    from antecurve.pipeline import Design

__all__ = ["every_position_text", "what_if_chart", "what_if_text"]


def what_if_text(answer: WhatIf, loading: Loading) -> str:
    """Say in a few sentences what a design does on another bench.

    Parameters
    ----------
    answer : WhatIf
        What it does.
    loading : Loading
        Generator and unit.

    Returns
    -------
    str
        Error, builds, level and loading.
    """
    between = ", ".join((
        f"generator {format_quantity(loading.source_resistance, 'ohm')}",
        f"unit {format_quantity(loading.load_resistance, 'ohm')}",
        format_quantity(loading.load_capacitance, "F"),
    ))  # fmt: skip
    return (
        f"Design error {within_text(answer.centred_db)}. 95 % of builds stay within "
        f"{within_text(answer.builds_p95_db)}. Level {format_quantity(answer.level_v, 'V')} "
        f"at 1 kHz. Bench: {between}."
    )


def every_position_text(part: str, positions: Sequence[str], errors_db: Sequence[float]) -> str:
    """Say what another value of a part that stays does at every position of a switch.

    Parameters
    ----------
    part : str
        Reference of the part.
    positions : sequence of str
        Names of the positions.
    errors_db : sequence of float
        Centred error at each [dB].

    Returns
    -------
    str
        A sentence.
    """
    errors = (f"{n} {within_text(e)}" for n, e in zip(positions, errors_db, strict=True))
    return f"{part} stays and moves every position: {', '.join(errors)}."


def what_if_chart(design: Design, answer: WhatIf) -> PageChart:
    """Chart the error on another bench, with that at the job's own behind it.

    Parameters
    ----------
    design : Design
        A design with its analyses.
    answer : WhatIf
        What it does on the other bench.

    Returns
    -------
    PageChart
        Error in dB, 0 at 1 kHz.
    """
    response, band_hz = design.response, design.conditions.band_hz
    inside = response.within(band_hz)
    marks = [
        Line(
            x=response.frequency_hz[inside], y=response.error_db[inside], colour=BLACK, width=1.1,
            dash="dashed", label="at the job's bench",
        ),
        Line(x=answer.frequency_hz, y=answer.error_db, colour=BLUE, label="now"),
    ]  # fmt: skip
    limit = design.job.target.error_limit_db
    if limit is not None:
        marks += limit_lines(band_hz, limit, BLACK, "dotted", f"limit ±{limit:g} dB")
    chart = frequency_chart(tuple(marks), "error in dB, 0 at 1 kHz", band_hz)
    text = f"Error over the band; centred {within_text(answer.centred_db)}."
    return page_chart(chart, name="chart-what-if", title="Error on this bench", text=text)
