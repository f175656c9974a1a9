"""The pages on paper: A4, the first sheet complete in itself, nothing cut, nothing left over."""

from __future__ import annotations

import dataclasses
import io
import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from antecurve.analysis.bench_plan import bench_plan
from antecurve.pipeline import Design
from antecurve.report.bench_page import bench_page
from antecurve.report.page import report_page

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(
        shutil.which("chromium") is None and not os.environ.get("ANTECURVE_NEEDS_CHROMIUM"),
        reason="Chromium (Debian's package) is not installed",
    ),
]

# ISO 216: 210 mm x 297 mm; Chromium rounds to whole pixels of 1/96 inch.
A4_MM = (210.0, 297.0)
PIXEL_MM = 25.4 / 96


def printed(browser: Any, path: Path) -> Any:
    """The page as a browser in dark mode prints it."""
    import pypdf

    page = browser.new_page(color_scheme="dark")
    page.goto(path.as_uri())
    data = page.pdf(prefer_css_page_size=True)
    page.close()
    return pypdf.PdfReader(io.BytesIO(data))


def sizes_mm(sheets: Any) -> set[tuple[float, float]]:
    return {tuple(float(x) * 25.4 / 72 for x in s.mediabox[2:]) for s in sheets.pages}


def words(sheet: Any) -> str:
    return " ".join(sheet.extract_text().replace("\N{NO-BREAK SPACE}", " ").split())


def test_report_is_a_few_sheets_of_a4(browser: Any, page_file: Path) -> None:
    sheets = printed(browser, page_file)
    assert 4 <= len(sheets.pages) <= 9
    for size in sizes_mm(sheets):
        assert size == pytest.approx(A4_MM, abs=PIXEL_MM)
    # The shortest sheet is the rest of the formulas, which has their heading or their last line.
    assert all(len(words(sheet)) > 20 for sheet in sheets.pages)


def test_first_sheet_is_what_goes_above_the_bench(
    browser: Any, page_file: Path, default_design: Design
) -> None:
    first = words(printed(browser, page_file).pages[0])
    assert default_design.job.title in first
    assert "Design error" in first
    assert "95 % of builds within" in first
    for position in default_design.picked.positions:
        assert position.element.ref in first
        if len(position.parts) > 1:
            assert f"{position.element.ref}a" in first
    assert "Parts list" in first
    assert "loudspeakers" in first.casefold()


def test_nothing_to_press_is_printed(browser: Any, page_file: Path) -> None:
    text = " ".join(words(sheet) for sheet in printed(browser, page_file).pages)
    for word in ("Move the sliders", "Back to the job's bench", "Skip to the summary"):
        assert word not in text
    page = browser.new_page()
    page.goto(page_file.as_uri())
    page.emulate_media(media="print", color_scheme="dark")
    for name in ("#bench", "nav", ".skip", "#bench-said"):
        assert not page.locator(name).is_visible()
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    page.close()


def test_nothing_is_wider_than_the_sheet(browser: Any, page_file: Path) -> None:
    """At the width between the margins, 184 mm, no figure, table or formula sticks out."""
    width = int((A4_MM[0] - 2 * 13) / PIXEL_MM)
    page = browser.new_page(viewport={"width": width, "height": 1000})
    page.goto(page_file.as_uri())
    page.emulate_media(media="print")
    outside = page.evaluate(
        """width => [...document.querySelectorAll("table, figure, svg, math, p, li")]
            .filter(e => e.getClientRects().length && e.getBoundingClientRect().right > width + 1)
            .map(e => e.outerHTML.slice(0, 100))""",
        width,
    )
    assert outside == []
    page.close()


def test_missed_limit_comes_first(browser: Any, tmp_path: Path, default_design: Design) -> None:
    target = dataclasses.replace(default_design.job.target, error_limit_db=0.001)
    job = dataclasses.replace(default_design.job, target=target)
    path = tmp_path / "report.html"
    path.write_bytes(report_page(dataclasses.replace(default_design, job=job)))
    first = words(printed(browser, path).pages[0])
    assert first.index("MISSES THE LIMIT") < first.index("Design error")


def test_bench_sheet_is_landscape(browser: Any, tmp_path: Path, default_design: Design) -> None:
    job = default_design.job
    plan = bench_plan(default_design.picked, job.conditions)
    path = tmp_path / "sheet.html"
    path.write_bytes(bench_page("Bench network", plan))
    sheets = printed(browser, path)
    for size in sizes_mm(sheets):
        assert size == pytest.approx(A4_MM[::-1], abs=PIXEL_MM)
    assert "Levels at the unit's input" in words(sheets.pages[0])
    assert all(len(words(sheet)) > 20 for sheet in sheets.pages)
