"""Designs of the folder, read once and kept while their file stays as it is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from antecurve.app.pages import Bench
from antecurve.files.design_file import read_design
from antecurve.report.charts import error_chart
from antecurve.report.descriptions import error_text
from antecurve.report.page_chart import page_chart
from antecurve.report.summary import conclusion_lines
from antecurve.report.tables import form_rows, refused_forms, shortlist_rows, wiring_rows
from antecurve.report.tiles import design_tiles

if TYPE_CHECKING:
    from antecurve.pipeline import Design

__all__ = ["cached_design", "design_result", "load_design"]


def _key(folder: Path) -> tuple[str, int, int] | None:
    path = folder / "design.json"
    try:
        state = path.stat()
    except OSError:
        return None
    return str(path), state.st_mtime_ns, state.st_size


def cached_design(bench: Bench, folder: Path) -> Design | None:
    """Look up a design with its analyses, if it was read before.

    Parameters
    ----------
    bench : Bench
        Where it is kept.
    folder : Path
        Folder of the network.

    Returns
    -------
    Design or None
        ``None`` where there is no design, or it has yet to be read.
    """
    design: Design | None = bench.kept.get(_key(folder))
    return design


def load_design(bench: Bench, folder: Path) -> Design | None:
    """Read a design with its analyses; the first time that takes a moment.

    Parameters
    ----------
    bench : Bench
        Where it is kept.
    folder : Path
        Folder of the network.

    Returns
    -------
    Design or None
        ``None`` where there is no design.
    """
    design, key = cached_design(bench, folder), _key(folder)
    if design is None and key is not None:
        design = read_design(folder / "design.json")
        design.analysis  # noqa: B018 - worked out here and kept with the design
        bench.keep(key, design)
    return design


def design_result(design: Design) -> dict[str, Any]:
    """Collect what a page shows of a design.

    Parameters
    ----------
    design : Design
        With its analyses.

    Returns
    -------
    dict of str to object
        Figures, sentences, tables and the chart of the error.
    """
    limit_db = design.job.target.error_limit_db
    chart = page_chart(
        error_chart(design.analysis, limit_db=limit_db), name="chart-error", title="Error",
        text=error_text(design.analysis, limit_db=limit_db),
    )  # fmt: skip
    return {
        "tiles": design_tiles(design),
        "lines": conclusion_lines(design),
        "wiring": wiring_rows(design.picked),
        "shortlist": shortlist_rows(design),
        "forms": form_rows(design),
        "refused": refused_forms(design),
        "choosable": design.second is None,
        "chart": chart,
    }
