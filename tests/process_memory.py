"""Memory of processes, as Linux tells it."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path


def _number(path: Path, name: str) -> float:
    """A line of a file of /proc, which counts in KiB [MiB]."""
    line = next(line for line in path.read_text().splitlines() if line.startswith(f"{name}:"))
    return int(line.split()[1]) / 1024


def peak_mib(process: int) -> float:
    """Most that a process ever held in memory."""
    return _number(Path(f"/proc/{process}/status"), "VmHWM")


def family(process: int) -> list[int]:
    """A process and all that it started, and they in turn."""
    children: list[str] = []
    for thread in Path(f"/proc/{process}/task").glob("*/children"):
        with suppress(OSError):  # it has just ended
            children += thread.read_text().split()
    return [process, *(each for child in children for each in family(int(child)))]


def family_mib(process: int) -> float:
    """Memory of a process and all that it started; what they share counts once."""
    held = 0.0
    for each in family(process):
        with suppress(OSError):
            held += _number(Path(f"/proc/{each}/smaps_rollup"), "Pss")
    return held
