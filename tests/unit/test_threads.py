"""Linear algebra on one thread."""

from __future__ import annotations

import os
import subprocess
import sys

CODE = """
from antecurve.threads import single_threaded_linear_algebra
from threadpoolctl import threadpool_info

def threads():
    return {p["filepath"]: p["num_threads"] for p in threadpool_info() if p["user_api"] == "blas"}

with single_threaded_linear_algebra():
    inside = threads()
    import scipy.optimize, scipy.stats
    assert threads() == inside, "a library loaded later escapes the limit"
    assert set(inside.values()) == {1}, inside
"""


def test_no_library_escapes_the_limit() -> None:
    """In a process of its own, where scipy has not been loaded before."""
    free = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    subprocess.run([sys.executable, "-c", CODE], check=True, env=free)
