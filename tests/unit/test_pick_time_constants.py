"""Bounds of time constants: worked out in blocks, with a look at the clock before each."""

from __future__ import annotations

import math
import time
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.curves.model import level_db, zero_pole_gain
from antecurve.pick import time_constants
from antecurve.pick.root_ranges import TimeIsOverError

_CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=[50e3])
_FREQUENCY = np.geomspace(20.0, 20e3, 25)
_IDEAL = zero_pole_gain(_CURVE)
_ASKED: dict[str, Any] = {
    "target": level_db(_CURVE, _FREQUENCY) * math.log(10.0) / 20.0,
    "omega": 2.0 * math.pi * _FREQUENCY,
    "near": (_IDEAL.zeros_s, _IDEAL.poles_s),
}


def test_boxes_are_narrowed_alike_however_many_there_are() -> None:
    rng = np.random.default_rng(4)
    middle = np.log([*_IDEAL.zeros_s, *_IDEAL.poles_s]) + rng.normal(0.0, 0.05, (2_500, 4))
    low, high = middle - 0.03, middle + 0.03
    asked: dict[str, Any] = {**_ASKED, "zeros": 2, "poles": 2, "limit": 0.01}
    together = time_constants.contracted(low, high, **asked)
    assert 100 < len(together[2]) < 2_500
    for first in range(0, 2_500, 313):
        block = slice(first, first + 313)
        lows, highs, kept = time_constants.contracted(low[block], high[block], **asked)
        of_block = (together[2] >= first) & (together[2] < first + 313)
        np.testing.assert_array_equal(together[2][of_block], kept + first)
        np.testing.assert_array_equal(together[0][of_block], lows)
        np.testing.assert_array_equal(together[1][of_block], highs)


def test_a_hull_ends_within_a_block_of_its_deadline(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tens of thousands of boxes at once take seconds, in which nobody looks at the clock."""
    sizes: list[int] = []
    narrow = time_constants.exclude_and_contract

    def narrowed(rows: np.ndarray, *args: Any, **more: Any) -> Any:
        sizes.append(len(rows))
        return narrow(rows, *args, **more)

    monkeypatch.setattr(time_constants, "exclude_and_contract", narrowed)
    start = time.perf_counter()
    clock = SimpleNamespace(perf_counter=lambda: start + 1e6 * len(sizes))
    monkeypatch.setattr(time_constants, "time", clock)
    with pytest.raises(TimeIsOverError):
        time_constants.time_constant_hull(
            **_ASKED, zeros=3, poles=4, limit=1.9e-3, deadline=start + 8.5e6
        )
    assert len(sizes) == 9
    assert max(sizes) <= 1_000
