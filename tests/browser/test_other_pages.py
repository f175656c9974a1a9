"""The other pages in headless Chromium: quiet, narrow enough, on paper, nothing for axe-core."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest

from antecurve.analysis.bench_plan import bench_plan
from antecurve.diagnose.diagnosis import diagnose_unit
from antecurve.files.captures import read_capture
from antecurve.files.unit_file import read_unit
from antecurve.judge.verdicts import judge_unit
from antecurve.pipeline import Design
from antecurve.report.bench_page import bench_page
from antecurve.report.diagnosis_page import diagnosis_page
from antecurve.report.unit_report import Particulars, unit_report
from optional_programs import needs_axe, needs_chromium
from page_audit import audited

pytestmark = [pytest.mark.browser, needs_chromium]

DATA = Path(__file__).parents[2] / "data"
# Sheets of A4 at most: a test report is a sheet with its charts and one of numbers.
MOST_SHEETS = {"test report": 4, "diagnosis": 4, "bench sheet": 6}
MOST_BYTES = {"test report": 300_000, "diagnosis": 300_000, "bench sheet": 300_000}


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory, default_design: Design) -> dict[str, Path]:
    job = default_design.job
    capture = read_capture(DATA / "unit-b-200hz.csv")
    verdict = judge_unit(capture, default_design)
    diagnosis = diagnose_unit(capture, default_design, read_unit(DATA / "unit-b.toml"))
    made = {
        "test report": unit_report(verdict, Particulars(job.title, "7", "2024-05-06")),
        "diagnosis": diagnosis_page(diagnosis, verdict, title=job.title),
        "bench sheet": bench_page("Bench", bench_plan(default_design.picked, job.conditions)),
    }
    folder = tmp_path_factory.mktemp("pages")
    for name, content in made.items():
        (folder / f"{name}.html").write_bytes(content)
    return {name: folder / f"{name}.html" for name in made}


@needs_axe
@pytest.mark.parametrize("name", MOST_SHEETS)
def test_nothing_is_found_on_any_screen(browser: Any, pages: dict[str, Path], name: str) -> None:
    assert audited(browser, pages[name]) == []


@pytest.mark.parametrize("name", MOST_SHEETS)
def test_it_prints_on_few_sheets(browser: Any, pages: dict[str, Path], name: str) -> None:
    import pypdf

    assert pages[name].stat().st_size < MOST_BYTES[name]
    page = browser.new_page()
    page.goto(pages[name].as_uri())
    # ISO 216 A4, and ANSI Y14.1 A (Letter).
    for size in ("A4", "Letter"):
        reader = pypdf.PdfReader(io.BytesIO(page.pdf(format=size)))
        assert 1 <= len(reader.pages) <= MOST_SHEETS[name]
        sheets = [sheet.extract_text() for sheet in reader.pages]
        assert all(len(text) > 100 for text in sheets)
        assert f"1 / {len(sheets)}" in sheets[0]
    page.close()


@pytest.mark.parametrize("name", [*MOST_SHEETS, "report"])
def test_nothing_scrolls_sideways_on_a_telephone(
    browser: Any, pages: dict[str, Path], page_file: Path, name: str
) -> None:
    page = browser.new_page(viewport={"width": 360, "height": 800})
    page.goto({**pages, "report": page_file}[name].as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    wider = page.evaluate(
        "[...document.querySelectorAll('*')].filter(e => e.scrollWidth > e.clientWidth + 1"
        " && ['auto', 'scroll'].includes(getComputedStyle(e).overflowX)).map(e => e.innerText)"
    )
    assert wider == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.close()
