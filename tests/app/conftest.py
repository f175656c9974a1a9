"""A bench of one network, and a client of its server, without a socket."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from antecurve.app.guard import Keys
from antecurve.app.server import application, new_keys
from antecurve.files.design_folder import write_design
from antecurve.files.starter_job import starter_job
from antecurve.pipeline import Design

PORT = 8462
ORIGIN = f"http://127.0.0.1:{PORT}"


@pytest.fixture
def keys(tmp_path: Path) -> Keys:
    return new_keys(tmp_path / "bench", port=PORT)


@pytest.fixture
def client(tmp_path: Path, keys: Keys) -> Iterator[TestClient]:
    """A browser that has opened the first address, and sends what browsers send."""
    app = application(tmp_path / "bench", keys, largest=2**20)
    with TestClient(app, base_url=ORIGIN, headers={"origin": ORIGIN}) as browser:
        assert browser.get("/", params={"token": keys.token}).status_code == 200
        yield browser


@pytest.fixture
def network(tmp_path: Path, default_design: Design) -> Path:
    """The default design as a network of the bench."""
    folder = tmp_path / "bench" / "networks" / "Disc"
    folder.mkdir(parents=True, exist_ok=True)
    write_design(default_design, folder, force=True)
    (folder / "job.toml").write_text(starter_job(), "utf-8")
    return folder
