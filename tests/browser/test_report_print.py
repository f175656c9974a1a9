"""The pages on paper: A4 and Letter, the first two sheets complete in themselves, nothing cut."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path
from typing import Any

import pytest

from antecurve.analysis.bench_plan import bench_plan
from antecurve.pipeline import Design
from antecurve.report.bench_page import bench_page
from antecurve.report.page import report_page
from optional_programs import needs_chromium

pytestmark = [pytest.mark.browser, needs_chromium]

# ISO 216: 210 mm x 297 mm; Chromium rounds to whole pixels of 1/96 inch.
A4_MM = (210.0, 297.0)
# ANSI Y14.1: A size, 8.5 by 11 inches.
LETTER_MM = (215.9, 279.4)
PIXEL_MM = 25.4 / 96


def printed(browser: Any, path: Path, *papers_mm: tuple[float, float]) -> list[Any]:
    """The page as a browser in dark mode prints it, on each paper."""
    import pypdf

    page = browser.new_page(color_scheme="dark")
    page.goto(path.as_uri())
    sheets = []
    for width, height in papers_mm or (A4_MM,):
        data = page.pdf(width=f"{width / 25.4:g}in", height=f"{height / 25.4:g}in")
        sheets.append(pypdf.PdfReader(io.BytesIO(data)))
    page.close()
    return sheets


def words(sheet: Any) -> str:
    return " ".join(sheet.extract_text().replace("\N{NO-BREAK SPACE}", " ").split())


@pytest.fixture(scope="module")
def report_sheets(browser: Any, page_file: Path) -> dict[tuple[float, float], list[str]]:
    """The words of each sheet of the report, by paper."""
    papers = A4_MM, LETTER_MM
    sheets = {}
    for paper, made in zip(papers, printed(browser, page_file, *papers), strict=True):
        for sheet in made.pages:
            size = tuple(float(x) * 25.4 / 72 for x in sheet.mediabox[2:])
            assert size == pytest.approx(paper, abs=PIXEL_MM)
        sheets[paper] = [words(sheet) for sheet in made.pages]
    return sheets


@pytest.mark.parametrize("paper", [A4_MM, LETTER_MM], ids=["A4", "Letter"])
def test_a_build_sheet_a_verification_sheet_and_an_appendix(
    report_sheets: dict[tuple[float, float], list[str]],
    default_design: Design,
    paper: tuple[float, float],
) -> None:
    build, verification, board, appendix, *others = sheets = report_sheets[paper]
    assert len(sheets) <= 10
    title = default_design.job.title
    for number, sheet in enumerate(sheets, start=1):
        assert f"{title} \N{MIDDLE DOT} antecurve" in sheet
        assert f"{number} / {len(sheets)}" in sheet
        # The shortest sheet is the rest of the formulas: their heading or their last line.
        assert len(sheet) > 20
    assert f"Build sheet {title}" in build
    assert "95 % of builds within" in build
    for position in default_design.picked.positions:
        assert position.element.ref in build
        if len(position.parts) > 1:
            assert f"{position.element.ref}a" in build
    assert "Parts list" in build
    assert "loudspeakers" in build.casefold()
    assert f"Verification sheet: {title}" in verification
    assert "frequency set EMF expect mV from to read OK" in verification
    assert "20 kHz 500 mV" in verification
    assert f"Board sheet: {title}" in board
    assert "Solder R1" in board
    assert f"Appendix: {title}" in appendix
    assert "Formulas" in " ".join(others)
    for word in ("Try another bench", "Back to the job's bench", "Skip to", "Whole range"):
        assert word not in " ".join(sheets)


def test_paper_is_white_and_has_nothing_to_press(browser: Any, page_file: Path) -> None:
    page = browser.new_page()
    page.goto(page_file.as_uri())
    page.emulate_media(media="print", color_scheme="dark")
    for name in ("#bench", "nav", ".skip", "#bench-said", "#chart-error .live"):
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
    # The board is printed as large as it is.
    sides = page.evaluate(
        """[...document.querySelectorAll(".true-size svg")].map(
            e => [e.getBoundingClientRect().width, e.viewBox.baseVal.width])"""
    )
    assert len(sides) == 2
    assert all(wide == pytest.approx(mm / PIXEL_MM, abs=1.0) for wide, mm in sides)
    page.close()


def test_missed_limit_comes_first(browser: Any, tmp_path: Path, default_design: Design) -> None:
    target = dataclasses.replace(default_design.job.target, error_limit_db=0.001)
    job = dataclasses.replace(default_design.job, target=target)
    path = tmp_path / "report.html"
    path.write_bytes(report_page(dataclasses.replace(default_design, job=job)))
    first = words(printed(browser, path)[0].pages[0])
    assert first.index("MISSES THE LIMIT") < first.index("Design error")


def test_bench_sheet_is_one_table_and_its_pictures(
    browser: Any, tmp_path: Path, default_design: Design
) -> None:
    job = default_design.job
    plan = bench_plan(default_design.picked, job.conditions)
    path = tmp_path / "sheet.html"
    path.write_bytes(bench_page("Bench network", plan))
    (sheets,) = printed(browser, path)
    first = words(sheets.pages[0])
    assert "Levels at the unit's input" in first
    assert "frequency set EMF expect mV from to read OK" in first
    assert all(len(words(sheet)) > 20 for sheet in sheets.pages)
