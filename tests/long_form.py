"""The long form of the suite, ``ANTECURVE_LONG_FORM=1``: every case of every sweep.

Else a test marked ``sweep(count)`` runs `count` of its cases, and of the tests marked ``seldom``
one in five runs.  Which, ``--shuffle SEED`` draws: CI does so by another seed each time.  Files and
tests asked for by name run all their cases.
"""

from __future__ import annotations

import os
import random
from collections import defaultdict

import pytest

LONG_FORM = bool(os.environ.get("ANTECURVE_LONG_FORM"))
ONE_IN = 5


def few(count: int, *, of: int) -> int:
    """How many of a loop's cases: all in the long form."""
    return of if LONG_FORM else count


def kept(items: list[pytest.Item], seed: int | None) -> set[pytest.Item]:
    """Choose what runs: without a seed cases spread evenly over their sweep."""
    rng = None if seed is None else random.Random(seed)

    def some_of(cases: list[pytest.Item], count: int) -> list[pytest.Item]:
        count = min(count, len(cases))
        if rng is not None:
            return rng.sample(cases, count)
        return [cases[number * len(cases) // count] for number in range(count)]

    sweeps: dict[str, list[pytest.Item]] = defaultdict(list)
    seldom: dict[str, list[pytest.Item]] = defaultdict(list)
    chosen: set[pytest.Item] = set()
    for item in items:
        test = item.nodeid.split("[")[0]
        if item.get_closest_marker("sweep"):
            sweeps[test].append(item)
        elif item.get_closest_marker("seldom"):
            seldom[test].append(item)
        else:
            chosen.add(item)
    firsts = [cases[0] for cases in seldom.values()]
    for first in some_of(firsts, -(-len(firsts) // ONE_IN)) if firsts else ():
        chosen.update(seldom[first.nodeid.split("[")[0]])
    for cases in sweeps.values():
        mark = cases[0].get_closest_marker("sweep")
        assert mark is not None
        chosen.update(some_of(cases, mark.args[0]))
    return chosen
