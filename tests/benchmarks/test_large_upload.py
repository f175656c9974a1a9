"""A real upload of 1 GiB: refused in a sentence, without memory and without a file left behind."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from pathlib import Path

import httpx2
import pytest

from process_memory import peak_mib
from served import served

SIZE = 2**30
MIB = 2**20
PART = b'--b\r\nContent-Disposition: form-data; name="files"; filename="a.wav"\r\n\r\n'
# Blocks under way between socket and disk, and what Python allocates for the first request.
MOST_GROWTH_MIB = 32.0


def blocks() -> Iterator[bytes]:
    yield PART
    for _ in range(SIZE // MIB):
        yield bytes(MIB)


@pytest.mark.parametrize("states_its_size", [True, False])
def test_one_gibibyte(tmp_path: Path, states_its_size: bool) -> None:
    folder = tmp_path / "bench"
    with served(folder) as server, server.client() as client:
        assert client.get("/test").status_code == 200
        before = peak_mib(server.process.pid)
        headers = {"content-type": "multipart/form-data; boundary=b"}
        if states_its_size:
            headers["content-length"] = str(len(PART) + SIZE)
        begun = time.perf_counter()
        answer: httpx2.Response = client.post("/test", content=blocks(), headers=headers)
        taken = time.perf_counter() - begun
        after = peak_mib(server.process.pid)
        opened = [p.readlink() for p in Path(f"/proc/{server.process.pid}/fd").iterdir()]
    said = re.sub(r"<[^>]+>", " ", answer.text)
    assert answer.status_code == 413
    assert "That is too much at once; send fewer or smaller files." in said
    assert [p for p in opened if str(p).endswith("(deleted)")] == []
    assert [p.name for p in folder.rglob("*") if p.is_file()] == [".bench-key"]
    print(f"1 GiB refused in {taken:.1f} s; memory at its peak {before:.0f} to {after:.0f} MiB")
    assert after - before < MOST_GROWTH_MIB
