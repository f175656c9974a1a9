"""``antecurve bench`` as a process: one line with its address, and Ctrl-C."""

from __future__ import annotations

import signal
import socket
from pathlib import Path

import httpx2
import pytest

from antecurve.files.design_folder import write_design
from antecurve.pipeline import Design
from served import served


@pytest.fixture
def bench(tmp_path: Path, default_design: Design) -> Path:
    folder = tmp_path / "bench"
    write_design(default_design, folder / "networks" / "Disc")
    (folder / "networks" / "Disc" / "job.toml").write_text("[curve]\nname = 'disc'\n")
    return folder


def test_one_line_then_it_serves_this_machine_alone_until_interrupted(bench: Path) -> None:
    with served(bench) as server:
        port = int(server.origin.rpartition(":")[2])
        assert server.origin == f"http://127.0.0.1:{port}"
        assert httpx2.get(server.origin).status_code == 403
        with server.client() as client:
            assert client.get("/").status_code == 200
        with socket.socket() as other, pytest.raises(OSError):
            other.settimeout(2)
            # Another address of the loopback network reaches a server that listens on all.
            other.connect(("127.0.0.2", port))
        server.process.send_signal(signal.SIGINT)
        assert server.process.wait(20) == 0
        assert server.process.stdout is not None and server.process.stdout.read() == ""
