"""Hostile inputs of about 1 MiB: a sentence or a result, below 1 GiB, within two minutes.

Each command runs as a process of its own; run with ``-s`` to see time and memory of each.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from antecurve.pipeline import Design

MIB = 2**20
MOST_MIB = 1024
LONGEST_S = 120
PROGRAM = "from antecurve.cli.main import run; run()"


def _rows(header: str, row: Callable[[int], str]) -> str:
    lines, size, number = [header], len(header), 0
    while size < MIB:
        lines.append(row(number))
        size += len(lines[-1]) + 1
        number += 1
    return "\n".join(lines) + "\n"


def _tables(header: str, row: Callable[[int], str]) -> Iterator[tuple[str, bytes]]:
    """Hostile tables that begin as a proper one of this header would."""
    first = row(0)
    columns = header.count(",") + 1
    yield "many rows", _rows(header, row).encode()
    yield "one long line", (header + "\n" + first + "9" * MIB).encode()
    yield "one long header", ("x" * MIB + "\n" + first).encode()
    yield "many columns", (",".join([header] * (MIB // 30)) + "\n" + first).encode()
    yield "many cells in a row", (header + "\n" + "1," * (MIB // 2)).encode()
    yield "many short rows", (header + "\n" + "1\n" * (MIB // 2)).encode()
    yield "empty lines", (header + "\n" * MIB + first).encode()
    yield "comments", (header + "\n" + "# x\n" * (MIB // 4) + first).encode()
    yield "quoted line breaks", (header + "\n" + '"a\nb\n"' * (MIB // 6)).encode()
    yield "an open quote", (header + "\n" + '"' + "1,2\n" * (MIB // 4)).encode()
    yield "quotes only", (header + "\n" + '"' * MIB).encode()
    yield "huge numbers", _rows(header, lambda i: ",".join(["1e999999"] * columns)).encode()
    yield "long numbers", _rows(header, lambda i: ",".join(["1" * 5000] * columns)).encode()
    yield "zero bytes", (header + "\n").encode() + b"\0" * MIB
    yield "UTF-16", _rows(header, row).encode("utf-16")
    yield "a byte-order mark", b"\xef\xbb\xbf" + _rows(header, row).encode()
    yield "semicolons", _rows(header, row).replace(",", ";").encode()
    yield "controls", (header + "\n" + "\x1b[2J\r\x0b\x0c\x85" * (MIB // 8)).encode()


def _jobs(size: int) -> Iterator[tuple[str, bytes]]:
    disc = '[curve]\nname = "disc"\n'
    yield "deep arrays", (disc + "x = " + "[" * (size // 2) + "]" * (size // 2)).encode()
    yield "deep tables", ("[" + "a." * (size // 2) + "a]\n").encode()
    yield "deep inline tables", ("x = " + "{a=" * (size // 4) + "1" + "}" * (size // 4)).encode()
    yield "many keys", (disc + "".join(f"k{i} = 1\n" for i in range(size // 12))).encode()
    yield "a long title", (f'title = "{"x" * size}"\n' + disc).encode()
    yield "a long value", (disc + f'[source]\nresistance = "{"9" * size}"\n').encode()
    yield "a long number", (disc + "[spread]\nbuilds = " + "9" * size).encode()
    yield "a huge exponent", (disc + '[source]\nresistance = "1e999999"\n').encode()
    times = ", ".join(f'"{i + 1} us"' for i in range(size // 12))
    yield "many time constants", f"[curve]\nzeros = [{times}]\npoles = [{times}]\n".encode()
    elements = ", ".join(f'"R{i} in n{i}"' for i in range(size // 20))
    yield "many elements", (disc + f"[network]\nelements = [{elements}]\n").encode()
    forms = ", ".join(['"foster-1"'] * (size // 12))
    yield "many forms", (disc + f"[network]\nforms = [{forms}]\n").encode()
    yield "zero bytes", disc.encode() + b"\0" * size
    yield "UTF-16", (disc + "#" * size).encode("utf-16")
    yield "comments", (disc + "#\n" * (size // 2)).encode()


def _designs(whole: dict[str, object]) -> Iterator[tuple[str, bytes]]:
    yield "deep arrays", b"[" * MIB
    yield "deep objects", b'{"a":' * (MIB // 5)
    yield "a long number", b'{"format": ' + b"9" * MIB + b"}"
    yield "a long text", json.dumps({**whole, "format": "x" * MIB}).encode()
    yield "many keys", json.dumps({f"k{i}": i for i in range(MIB // 16)}).encode()
    content = json.loads(json.dumps(whole))
    content["network"]["elements"] *= MIB // len(json.dumps(content["network"]["elements"]))
    yield "many elements", json.dumps(content).encode()
    content = json.loads(json.dumps(whole))
    content["shortlist"] *= MIB // len(json.dumps(content["shortlist"]))
    yield "a long shortlist", json.dumps(content).encode()
    content = json.loads(json.dumps(whole))
    content["job"]["title"] = "<b>" * (MIB // 3)
    yield "a long title", json.dumps(content).encode()
    content = json.loads(json.dumps(whole))
    content["job"]["spread"]["builds"] = 10**400
    yield "a number beyond floats", json.dumps(content).encode()
    yield "zero bytes", b"\0" * MIB
    yield "UTF-16", (json.dumps(whole) + " " * MIB).encode("utf-16")
    yield "spaces", (json.dumps(whole) + " " * MIB).encode()


TABLES: dict[str, tuple[str, Callable[[int], str], tuple[str, ...]]] = {
    "square wave": (
        "time_s,volts",
        lambda i: f"{i * 1e-6:.6g},{(1 if i % 5000 < 2500 else -1) * 0.5}",
        ("judge", "FILE", "--design", "DESIGN"),
    ),
    "sweep": (
        "frequency_hz,level_db",
        lambda i: f"{20 + i * 0.3:.6g},{-0.01 * (i % 7)}",
        ("judge", "FILE", "--design", "DESIGN"),
    ),
    "reference": (
        "frequency_hz,level_db",
        lambda i: f"{20 + i * 0.3:.6g},{-0.01 * (i % 7)}",
        ("calibrate", "DESIGN", "--sweep", "FILE"),
    ),
    "measured": ("ref,value", lambda i: f"R{i},1{i}", ("check", "DESIGN", "--measured", "FILE")),
    "fitted": ("ref,value", lambda i: f"R{i},1{i}", ("trim", "DESIGN", "--measured", "FILE")),
    "curve table": (
        "frequency_hz,level_db",
        lambda i: f"{20 + i * 0.3:.6g},{-0.01 * (i % 7)}",
        ("curves", "--fit", "FILE"),
    ),
    "drawer": (
        "kind,value,measured,tolerance,quantity,description",
        lambda i: f"capacitor,{1 + i}p,,1 %,1,text",
        ("design", "DRAWERJOB"),
    ),
}


@pytest.fixture(scope="module")
def whole(default_design: Design) -> dict[str, object]:
    content: dict[str, object] = json.loads(json.dumps(default_design.to_dict()))
    return content


def _run(folder: Path, arguments: tuple[str, ...]) -> tuple[int, str, float, float]:
    """Exit code, what is said, time [s] and memory [MiB] of a command."""
    begun = time.monotonic()
    said = folder / "said.txt"
    with said.open("wb") as out:
        child = subprocess.Popen(
            [sys.executable, "-c", PROGRAM, *arguments],
            stdout=subprocess.DEVNULL,
            stderr=out,
            cwd=folder,
            env={**os.environ, "NO_COLOR": "1"},
        )
        try:
            while child.returncode is None:
                done, status, usage = os.wait4(child.pid, os.WNOHANG)
                if done:
                    child.returncode = os.waitstatus_to_exitcode(status)
                elif time.monotonic() - begun > LONGEST_S:
                    pytest.fail(f"still running after {LONGEST_S} s")
                else:
                    time.sleep(0.02)
        finally:
            if child.returncode is None:
                child.kill()
                child.wait()
    text = said.read_text(errors="replace")
    return child.returncode, text, time.monotonic() - begun, usage.ru_maxrss / 1024


def _check(tmp_path: Path, what: str, arguments: tuple[str, ...]) -> None:
    before = {p.name for p in tmp_path.iterdir()} | {"said.txt"}
    code, said, seconds, mib = _run(tmp_path, arguments)
    print(f"\n{what:45s} exit {code} {seconds:6.1f} s {mib:6.0f} MiB  {said[:110]!r}")
    assert code in (0, 1, 2)
    assert "Traceback" not in said
    if code == 2:
        assert said.count("\n") == 1
        assert len(said) < 2000
    assert mib < MOST_MIB
    assert {p.name for p in tmp_path.iterdir()} == before


@pytest.mark.parametrize("kind", TABLES)
def test_tables(tmp_path: Path, whole: dict[str, object], kind: str) -> None:
    header, row, arguments = TABLES[kind]
    (tmp_path / "design.json").write_text(json.dumps(whole))
    (tmp_path / "job.toml").write_text(
        '[curve]\nname = "disc"\n[capacitors]\ndrawer = "hostile.csv"\n'
        "[pick]\nbudget_seconds = 1\n[spread]\nbuilds = 100\n"
    )
    names = {"FILE": "hostile.csv", "DESIGN": "design.json", "DRAWERJOB": "job.toml"}
    for what, content in _tables(header, row):
        (tmp_path / "hostile.csv").write_bytes(content)
        _check(tmp_path, f"{kind}: {what}", tuple(names.get(a, a) for a in arguments))


@pytest.mark.parametrize("size", [60_000, MIB])
def test_jobs(tmp_path: Path, size: int) -> None:
    for what, content in _jobs(size):
        (tmp_path / "hostile.toml").write_bytes(content)
        _check(tmp_path, f"job: {what}", ("design", "hostile.toml"))


@pytest.mark.parametrize("command", ["check", "spread", "loading", "scope", "sheet", "parts"])
def test_designs(tmp_path: Path, whole: dict[str, object], command: str) -> None:
    for what, content in _designs(whole):
        (tmp_path / "hostile.json").write_bytes(content)
        _check(tmp_path, f"{command}: {what}", (command, "hostile.json"))
