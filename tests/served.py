"""``antecurve bench`` as a process, for tests that open it as a browser does."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx2

from loaded_process import LoadedProcess

_LONGEST_S = 3600  # the pages of a whole file of tests


@dataclass
class Address:
    """The first address of a server."""

    address: str

    @property
    def origin(self) -> str:
        return self.address.partition("/?")[0]

    @contextmanager
    def client(self) -> Iterator[httpx2.Client]:
        """A client that has opened the first address."""
        with httpx2.Client(
            base_url=self.origin, headers={"origin": self.origin}, follow_redirects=True, timeout=60
        ) as client:
            assert client.get(self.address).status_code == 200
            yield client


@dataclass
class Served(Address):
    """A server and its first address."""

    process: subprocess.Popen[str]


@contextmanager
def pages_served(folder: Path, *, port: int | None = None) -> Iterator[Address]:
    """A server whose pages are the point, not its start: forked from one that has all loaded."""
    words = ["bench", str(folder), "--no-browser", *(["--port", str(port)] if port else [])]
    program = "from antecurve.cli.main import run; run()"
    process = LoadedProcess(program, *words, longest_s=_LONGEST_S)
    try:
        yield Address(process.stdout.readline().strip())
    finally:
        process.kill()


@contextmanager
def served(folder: Path, *, environment: dict[str, str] | None = None) -> Iterator[Served]:
    command = [sys.executable, "-m", "antecurve", "bench", str(folder), "--no-browser"]
    own = environment or dict(os.environ)
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=own)
    assert process.stdout is not None
    try:
        yield Served(process.stdout.readline().strip(), process)
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def begin_test(client: httpx2.Client, *, network: str, serial: str, capture: Path) -> str:
    """Ask for the test of a unit; the address that tells how far it is."""
    files = [("files", (capture.name, capture.read_bytes()))]
    asked = {"network": network, "limit": "0.5", "serial": serial}
    answer = client.post("/test", data=asked, files=files)
    assert answer.status_code == 200, answer.text
    return str(answer.url)


def verdict_number(client: httpx2.Client, address: str, *, within_s: float = 900.0) -> int:
    """Number of the verdict, once the page has told it."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        answer = client.get(address)
        told = re.search(r"/verdicts/(\d+)", str(answer.url))
        if told:
            return int(told[1])
        time.sleep(0.1)
    raise AssertionError(answer.text)
