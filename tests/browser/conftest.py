"""The report of the default design as a file."""

from __future__ import annotations

from pathlib import Path

import pytest

from antecurve.pipeline import Design
from antecurve.report.page import report_page


@pytest.fixture(scope="session")
def page_file(tmp_path_factory: pytest.TempPathFactory, default_design: Design) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_bytes(report_page(default_design))
    return path
