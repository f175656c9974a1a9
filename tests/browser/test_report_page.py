"""The report in headless Chromium: no request leaves it, nothing on the console, fits a phone."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from antecurve.analysis.response import response_table
from antecurve.networks.topology import Loading
from antecurve.pipeline import Design
from antecurve.report.page import report_page

CHROMIUM = shutil.which("chromium")
AXE = Path(__file__).parents[2] / ".axe" / "node_modules" / "axe-core" / "axe.min.js"
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(
        CHROMIUM is None and not os.environ.get("ANTECURVE_NEEDS_CHROMIUM"),
        reason="Chromium (Debian's package) is not installed",
    ),
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        found = playwright.chromium.launch(
            executable_path=CHROMIUM or "/usr/bin/chromium",
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
            ],
        )
        yield found
        found.close()


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory, default_design: Design) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_bytes(report_page(default_design))
    return path


@pytest.mark.parametrize(("width", "scheme"), [(1000, "light"), (390, "dark")])
def test_page_is_quiet_and_self_contained(
    browser: Any, page_file: Path, width: int, scheme: str
) -> None:
    page = browser.new_page(viewport={"width": width, "height": 800}, color_scheme=scheme)
    messages: list[str] = []
    requests: list[str] = []
    page.on("console", lambda m: messages.append(m.text))
    page.on("pageerror", lambda e: messages.append(str(e)))
    page.on("request", lambda r: requests.append(r.url))
    page.goto(page_file.as_uri())
    assert messages == []
    assert requests == [page_file.as_uri()]
    assert page.locator("svg").count() >= 3
    assert "Nominal" in page.locator(".governs").inner_text()
    # Nothing but the scrolling tables is wider than the screen.
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


@pytest.mark.parametrize(
    ("source", "load", "farad"), [(50.0, 47e3, 150e-12), (600.0, 1e3, 1e-9), (0.0, 1e6, 0.0)]
)
def test_the_page_computes_what_python_computes(
    browser: Any, page_file: Path, default_design: Design, source: float, load: float, farad: float
) -> None:
    """The page's own arithmetic against the package's: 1e-6 dB."""
    page = browser.new_page()
    page.goto(page_file.as_uri())
    found = page.evaluate(f"compute({{source: {source}, load: {load}, capacitance: {farad!r}}})")
    table = response_table(
        default_design.network,
        curve=default_design.curve,
        loading=Loading(source, load, farad),
    )
    np.testing.assert_allclose(found["network_db"], table.network_db, rtol=0, atol=1e-6)
    np.testing.assert_allclose(found["error_db"], table.error_db, rtol=0, atol=1e-6)
    page.close()


def test_sliders_redraw_and_come_back(browser: Any, page_file: Path) -> None:
    page = browser.new_page()
    page.goto(page_file.as_uri())
    before = page.locator("#bench-result").inner_text()
    page.locator("#slide-source").focus()
    for _ in range(5):
        page.keyboard.press("PageUp")
    page.wait_for_function(
        "text => document.getElementById('bench-result').innerText !== text", arg=before
    )
    page.get_by_role("button", name="Back to the job's bench").click()
    assert page.locator("#bench-result").inner_text() == before
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_accessibility_by_axe_core(browser: Any, page_file: Path, scheme: str) -> None:
    """axe-core, the open rule set for WCAG, finds nothing serious."""
    if not AXE.exists() and not os.environ.get("ANTECURVE_NEEDS_CHROMIUM"):
        pytest.skip("axe-core is not installed: npm install --prefix .axe axe-core")
    page = browser.new_page(color_scheme=scheme)
    page.goto(page_file.as_uri())
    page.evaluate(AXE.read_text())
    found = page.evaluate("axe.run()")
    serious = [
        f"{v['id']}: {v['help']} {[n['html'][:120] for n in v['nodes'][:3]]}"
        for v in found["violations"]
        if v["impact"] in ("serious", "critical")
    ]
    assert not serious, "\n".join(serious)
    assert len(found["passes"]) > 10
    page.close()


def test_titles_are_text_not_markup(browser: Any, tmp_path: Path, default_design: Design) -> None:
    import dataclasses

    title = "<script>document.title='run'</script><img src=x onerror=alert(1)>"
    job = dataclasses.replace(default_design.job, title=title)
    path = tmp_path / "report.html"
    path.write_bytes(report_page(dataclasses.replace(default_design, job=job)))
    page = browser.new_page()
    page.goto(path.as_uri())
    assert page.locator("h1").inner_text() == title
    assert page.locator("h1 script, h1 img").count() == 0
    page.close()
