"""Linear algebra on one thread, and memory that stays at hand."""

from __future__ import annotations

import os
import platform
import subprocess
import sys

import pytest

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


PAGES = """
import resource
import numpy as np
from antecurve.threads import keep_freed_memory

def faults():
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt

def filled():
    before = faults()
    for _ in range(100):
        first, second, third = (np.ones(65536) for _ in range(3))
        del first, second, third
    return faults() - before

keep_freed_memory()
filled()
assert filled() < 1000, "each of 300 arrays has 128 pages, which are made anew"
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="of glibc's allocator alone")
def test_freed_memory_is_kept() -> None:
    """In a process of its own, where no large array has been freed before."""
    subprocess.run([sys.executable, "-c", PAGES], check=True)
