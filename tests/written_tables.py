"""Tables that tests of the reading of captures write, and what they hold."""

from __future__ import annotations

from pathlib import Path

import numpy as np

COUNT, STEP = 200, 4e-6
TIME = STEP * np.arange(COUNT) - 1e-4
ONE = np.round(np.sign(np.sin(2 * np.pi * 5e3 * TIME + 0.1)) * 1.25 + 0.01, 4)
TWO = np.round(0.2 * np.cos(2 * np.pi * 5e3 * TIME), 4)
HERTZ = np.array([20.0, 50.0, 100.0, 1000.0, 5000.0, 10e3, 20e3])
LEVEL = np.array([-0.3, -0.1, 0.0, 0.0, 0.05, 0.1, -0.2])
PHASE = np.array([12.0, 5.0, 2.0, 0.0, -3.0, -6.0, -12.0])


def table(*columns: np.ndarray, sep: str = ",", comma: bool = False, digits: int = 9) -> str:
    """Rows of numbers."""
    rows = [sep.join(f"{x:.{digits}g}" for x in row) for row in zip(*columns, strict=True)]
    text = "\n".join(rows) + "\n"
    return text.replace(".", ",") if comma else text


def written(folder: Path, content: str | bytes, name: str = "capture.csv") -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path
