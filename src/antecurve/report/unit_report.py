"""The test report of a unit: one self-contained page with the verdict and what it rests on."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import TYPE_CHECKING

import numpy as np

from antecurve.judge.unit_figure import FIGURE_NAMES
from antecurve.quantities import format_quantity
from antecurve.report.cautions import CAUTIONS
from antecurve.report.charts import deviation_chart, trace_chart
from antecurve.report.constant_texts import fitted_rows
from antecurve.report.descriptions import deviation_text, trace_text
from antecurve.report.html_page import html_page, software_text
from antecurve.report.overlay_charts import (
    octave_chart,
    octave_rows,
    octave_text,
    overlay_chart,
    overlay_chart_text,
)
from antecurve.report.page_chart import page_chart
from antecurve.report.text_table import (
    ABSENT,
    TextTable,
    column,
    declared,
    percent,
    quantity,
    signed,
    signed_cells,
    table_from,
    table_of,
)
from antecurve.texts import as_sentence

if TYPE_CHECKING:
    from antecurve.judge.calibration import Calibration
    from antecurve.judge.unit_figure import UnitFigure
    from antecurve.judge.verdict import Verdict
    from antecurve.pipeline import Design

__all__ = [
    "VERDICT_WORDS",
    "Particulars",
    "band_rows",
    "batch_rows",
    "calibration_rows",
    "deviation_rows",
    "figure_rows",
    "generator_setting",
    "unit_report",
]

VERDICT_WORDS = {
    "pass": "PASS: the unit is within its limits",
    "fail": "FAIL: the unit exceeds a limit",
    "undecided": "UNDECIDED: the measurement can't tell whether the unit is within its limits",
}
"""How a verdict is announced."""

# Octaves and the ends of the audio band: what fits beside the plot on one sheet.
_TABLE_HZ = (20, 31.5, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 15000, 20000)


def band_rows(verdict: Verdict) -> TextTable:
    """Tabulate the decision on each limit.

    Parameters
    ----------
    verdict : Verdict
        The verdict.

    Returns
    -------
    TextTable
        Band, limit, decision and the point that decided.
    """
    hertz = quantity("Hz")
    return table_from(
        verdict.bands,
        declared(
            "band", lambda b: f"{hertz(b.band.low_hz)} to {hertz(b.band.high_hz)}", right=False
        ),
        declared("limit in dB", "band.limit_db", "{:g}".format),
        declared("verdict", "decision.value", right=False),
        declared("decided at", "frequency_hz", quantity("Hz", digits=3)),
        declared("deviation in dB", "deviation_db", signed_cells(3)),
        declared("± in dB", "expanded_uncertainty_db", "{:.3f}".format, attached=True),
    )


def deviation_rows(verdict: Verdict) -> TextTable:
    """Tabulate the deviation at round frequencies.

    Parameters
    ----------
    verdict : Verdict
        The verdict.

    Returns
    -------
    TextTable
        Frequency, deviation re 1 kHz, expanded uncertainty.
    """
    deviation = verdict.deviation
    octave = np.log(deviation.frequency_hz)
    low, high = verdict.band_hz
    shown = [f for f in _TABLE_HZ if low <= f <= high]
    level, reach = (
        np.interp(np.log(shown), octave, values)
        for values in (deviation.deviation_db, deviation.expanded_uncertainty_db)
    )
    return table_of(
        column("frequency", shown, quantity("Hz")),
        column("deviation in dB", level, signed_cells(3)),
        column("± in dB", reach, "{:.3f}".format, attached=True),
    )


def batch_rows(frame: object) -> TextTable:
    """Tabulate a batch.

    Parameters
    ----------
    frame : pandas.DataFrame
        From `Batch.to_frame`.

    Returns
    -------
    TextTable
        One row a unit.
    """
    import pandas as pd

    assert isinstance(frame, pd.DataFrame)
    names = ["unit", "verdict", "deviation_db", "expanded_uncertainty_db", "finding"]
    shown = frame.reindex(columns=names).astype(object)
    unit, verdict, deviation, reach, finding = (
        shown[name].where(shown[name].notna(), None) for name in names
    )
    return table_of(
        column("unit", unit, right=False),
        column("verdict", verdict, right=False),
        column("deviation in dB", deviation, signed_cells(3)),
        column("± in dB", reach, "{:.3f}".format, attached=True),
        column("gravest finding", finding, right=False),
    )


def calibration_rows(calibration: Calibration) -> TextTable:
    """Tabulate the elements that a calibration fitted.

    Parameters
    ----------
    calibration : Calibration
        The calibration.

    Returns
    -------
    TextTable
        Reference, value, half of the 95 % interval in per cent of it, and its ends; dashes where
        the sweep contradicts the tolerances.
    """
    units = [e.kind.unit for e in calibration.estimate.topology.elements]
    half = (calibration.high - calibration.low) / calibration.values / 2.0
    columns = [
        [
            format_quantity(float(v), unit) if math.isfinite(v) else ABSENT
            for v, unit in zip(values, units, strict=True)
        ]
        for values in (calibration.values, calibration.low, calibration.high)
    ]
    apart = [percent(1)(float(share)) if math.isfinite(share) else ABSENT for share in half]
    return table_of(
        column("ref", calibration.refs, right=False),
        column("value", columns[0]),
        column("±", apart),
        column("95 % from", columns[1]),
        column("to", columns[2]),
    )


def _figure_value(figure: UnitFigure) -> str:
    if figure.name == "polarity":
        return f"{figure.value:+.0f}"
    return f"{figure.bound} {figure.value:.2f}".strip()


def figure_rows(verdict: Verdict) -> TextTable:
    """Tabulate the figures beside the response.

    Parameters
    ----------
    verdict : Verdict
        The verdict.

    Returns
    -------
    TextTable
        Figure, value, uncertainty, limit and decision, condition; empty where there is none.
    """
    ruled = {d.limit.name: d for d in verdict.figure_decisions}

    def of_ruling(attribute: str) -> Callable[[UnitFigure], str | None]:
        read = attrgetter(attribute)
        return lambda figure: read(ruled[figure.name]) if figure.name in ruled else None

    def reach(figure: UnitFigure) -> str | None:
        known = figure.name != "polarity" and not figure.bound
        return f"{figure.expanded_uncertainty:.2f}" if known else None

    return table_from(
        verdict.figures,
        declared("figure", lambda f: FIGURE_NAMES[f.name], right=False),
        declared("value in dB", _figure_value),
        declared("± in dB", reach, attached=True),
        declared("limit", of_ruling("limits_text"), right=False),
        declared("verdict", of_ruling("decision.value"), right=False),
        declared("condition", lambda f: f.condition or None, right=False),
    )


def _overlay(verdict: Verdict) -> dict[str, object] | None:
    """Charts, words and table of the overlay, where there is one."""
    overlay = verdict.overlay
    if overlay is None:
        return None
    return {
        "text": overlay.text,
        "traces": page_chart(
            overlay_chart(overlay), name="chart-overlay", title="Output and stimulus",
            text=overlay_chart_text(overlay),
        ),
        "octaves": page_chart(
            octave_chart(overlay), name="chart-octaves", title="Difference in octaves",
            text=octave_text(overlay),
        ),
        "rows": octave_rows(overlay),
    }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Particulars:
    """What a test report says of unit, network and bench beside the verdict.

    Attributes
    ----------
    title : str
        Title of the network's design.
    serial, date : str
        Serial number of the unit and date as the user gives them; may be empty.
    operator, network_serial : str
        Who judged, and serial number of the network; may be empty.
    generator : str
        Setting of the generator; may be empty.
    """

    title: str
    serial: str = ""
    date: str = ""
    operator: str = ""
    network_serial: str = ""
    generator: str = ""

    def rows(self, signals: Sequence[str]) -> list[tuple[str, str]]:
        """List names and values, with room to write what is not known.

        Parameters
        ----------
        signals : sequence of str
            Kinds of the captures.

        Returns
        -------
        list of tuple of str
            Names and values.
        """
        return [
            ("Unit, serial", self.serial),
            ("Date", self.date),
            ("Signal", ", ".join(dict.fromkeys(signals))),
            ("Generator", self.generator),
            ("Network", self.title),
            ("Network, serial", self.network_serial),
            ("Software", software_text()),
            ("Operator", self.operator),
            ("Signature", ""),
        ]


def generator_setting(design: Design) -> str:
    """Word the setting of the generator that a design is made for.

    Parameters
    ----------
    design : Design
        The network's design.

    Returns
    -------
    str
        EMF and source resistance.
    """
    job = design.job
    level = format_quantity(job.source_level_v, "V")
    return f"EMF {level} rms, {format_quantity(job.loading.source_resistance, 'ohm')}, as designed"


def unit_report(
    verdict: Verdict, particulars: Particulars, *, remarks: Sequence[str] = ()
) -> bytes:
    """Render the test report of a unit.

    Parameters
    ----------
    verdict : Verdict
        The verdict.
    particulars : Particulars
        Unit, network and bench.
    remarks : sequence of str, optional
        More lines, such as the match of two channels.

    Returns
    -------
    bytes
        A self-contained page in HTML, UTF-8.
    """
    word = verdict.decision.value
    ruling = verdict.ruling
    summary = (
        f"Deciding deviation: {signed(verdict.deviation_db, digits=3)} dB "
        f"(±{verdict.expanded_uncertainty_db:.3f} dB, 95 %) "
        f"at {format_quantity(ruling.frequency_hz, 'Hz', digits=3)}; "
        f"limit {ruling.band.limit_db:g} dB."
    )
    ideal = "the published curve's inverse"
    if verdict.playback == "inverse":
        ideal = "the inverse of the job's whole curve, ultrasonic poles undone"
    return html_page(
        "unit_report.html.j2",
        title=f"Test report: {particulars.serial}" if particulars.serial else "Test report",
        date=particulars.date,
        particulars=particulars.rows([t.kind for t in verdict.traces]),
        word=word,
        announced=VERDICT_WORDS[word].partition(": ")[2],
        summary=summary,
        ideal=ideal,
        low_end=verdict.low_end,
        findings=[as_sentence(finding) for finding in (*verdict.findings, *remarks)],
        notes=[as_sentence(note) for note in verdict.notes],
        bands=band_rows(verdict),
        fitted=fitted_rows(verdict.fitted),
        numbers=deviation_rows(verdict),
        deviation=page_chart(
            deviation_chart(verdict), name="chart-deviation", title="Deviation from flat",
            text=deviation_text(verdict),
        ),
        traces=[
            page_chart(
                trace_chart(t), name=f"chart-capture-{number}", title=f"{t.name}, {t.kind}",
                text=trace_text(t),
            )
            for number, t in enumerate(verdict.traces, start=1)
        ],
        overlay=_overlay(verdict),
        figures=figure_rows(verdict),
        cautions=CAUTIONS,
    )  # fmt: skip
