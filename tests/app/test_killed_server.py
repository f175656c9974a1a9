"""A server killed in the middle of verdicts: every one that it had shown is in the log.

Half of them are shown before the kill.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.cookiejar import CookieJar
from pathlib import Path
from urllib.parse import urlencode, urlsplit
from urllib.request import HTTPCookieProcessor, OpenerDirector, Request, build_opener

from antecurve.files.verdict_record import file_digest
from antecurve.log.bench_log import open_log
from antecurve.log.listing import logged_verdict, verdict_text
from long_form import few

COUNT = few(3, of=200)
LONGEST_S = 60.0 + 10.0 * COUNT  # on a machine that does much else


class Visitor:
    """A browser of its own, as far as forms go."""

    def __init__(self, address: str) -> None:
        self.origin = "{0.scheme}://{0.netloc}".format(urlsplit(address))
        self._opener: OpenerDirector = build_opener(HTTPCookieProcessor(CookieJar()))
        self.get(address)

    def get(self, address: str) -> str:
        """Where an address leads to."""
        with self._opener.open(address) as answer:
            return str(answer.url)

    def post(self, path: str, **fields: str) -> str:
        """Where a form leads to."""
        request = Request(self.origin + path, urlencode(fields).encode(), {"Origin": self.origin})
        with self._opener.open(request) as answer:
            return str(answer.url)


@contextmanager
def serving(bench: Path) -> Iterator[tuple[subprocess.Popen[str], Visitor]]:
    """A server, and a browser that has opened the address that it prints."""
    command = [sys.executable, "-m", "antecurve", "bench", str(bench), "--no-browser"]
    with subprocess.Popen(
        command, env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        stdout=subprocess.PIPE, text=True,
    ) as server:  # fmt: skip
        try:
            assert server.stdout is not None
            yield server, Visitor(server.stdout.readline().strip())
        finally:
            server.kill()


def write_sweep(path: Path) -> None:
    """The unit plays the network back flat, but for a hundredth of a dB here and there."""
    rows = [f"{20.0 * 10 ** (k / 20):.3f},{0.01 * (k % 3)}" for k in range(61)]
    path.parent.mkdir()
    path.write_text("\n".join(["frequency_hz,level_db", *rows, ""]), "utf-8")


def test_a_kill_loses_no_verdict_that_was_shown(network: Path, tmp_path: Path) -> None:
    bench = tmp_path / "bench"
    write_sweep(bench / "captures" / "sweep.csv")
    shown: dict[int, str] = {}
    with serving(bench) as (server, visitor):
        waiting = {
            visitor.post("/test", network=network.name, limit="0.5", serial=f"U-{k}",
                         captures="sweep"): f"U-{k}"
            for k in range(COUNT)
        }  # fmt: skip
        end = time.monotonic() + LONGEST_S
        while len(shown) < COUNT // 2:
            assert time.monotonic() < end
            for address in list(waiting):
                path = urlsplit(visitor.get(address)).path
                if path.startswith("/verdicts/"):
                    shown[int(path.rpartition("/")[2])] = waiting.pop(address)
            time.sleep(0.05)
        server.send_signal(signal.SIGKILL)
        server.wait()
    log = open_log(bench)  # which checks that it is whole
    for number, serial in shown.items():
        verdict = logged_verdict(log, number)
        assert verdict.serial == serial
        for file in (*verdict.captures, *verdict.reports):
            assert file.path is not None
            assert file_digest(bench / file.path).sha256 == file.sha256
        (saved,) = (bench / "units" / serial).glob("*/verdict.json")
        assert saved.read_bytes() == verdict_text(log, number)
