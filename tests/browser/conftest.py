"""One browser for all tests of pages."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from antecurve.pipeline import Design
from antecurve.report.page import report_page


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=shutil.which("chromium") or "/usr/bin/chromium",
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
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def page_file(tmp_path_factory: pytest.TempPathFactory, default_design: Design) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_bytes(report_page(default_design))
    return path
