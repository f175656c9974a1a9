"""``antecurve bench`` as a process: one line, Ctrl-C, and a kill in the middle of verdicts."""

from __future__ import annotations

import os
import signal
import socket
import sqlite3
import threading
import time
from pathlib import Path

import httpx2
import pytest

from antecurve.files.design_folder import write_design
from antecurve.log.bench_log import open_log
from antecurve.log.listing import list_verdicts, verdict_text
from antecurve.pipeline import Design
from served import Served, begin_test, served, verdict_number

VERDICTS = int(os.environ.get("ANTECURVE_VERDICTS", "4"))
"""Verdicts that are asked for before the kill; 200 is the long form."""


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


def test_what_a_page_was_told_is_in_the_log_after_a_kill(bench: Path) -> None:
    """SIGKILL in the middle of verdicts: each one that a page was sent to is whole."""
    told: list[int] = []

    def look(server: Served, address: str) -> None:
        try:
            with server.client() as client:
                told.append(verdict_number(client, address))
        except (httpx2.HTTPError, AssertionError):
            return  # the server is gone

    with served(bench) as server:
        with server.client() as client:
            units = [f"U{k}" for k in range(VERDICTS)]
            addresses = [begin_test(client, network="Disc", serial=unit) for unit in units]
        lookers = [threading.Thread(target=look, args=(server, a)) for a in addresses]
        for looker in lookers:
            looker.start()
        while len(told) < VERDICTS // 2 and server.process.poll() is None:
            time.sleep(0.02)
        server.process.kill()
        for looker in lookers:
            looker.join()
    assert len(told) >= VERDICTS // 2
    log = open_log(bench)
    logged = {v.number: v for v in list_verdicts(log).verdicts}
    assert set(told) <= set(logged)
    for number in told:
        report = bench / str(logged[number].reports[0].path)
        assert report.read_bytes().rstrip().endswith(b"</html>")
        assert b"antecurve-verdict-1" in verdict_text(log, number)
    with sqlite3.connect(log.path) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    # The bench comes up again, and its processes of before have ended with their server.
    with served(bench) as server, server.client() as client:
        assert f"/verdicts/{told[0]}" in client.get("/log").text
