"""Results hold copies of their arrays that nobody can write to."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from antecurve.analysis.correction import Correction
from antecurve.analysis.delay import DelayTable
from antecurve.analysis.losses import LossEffect
from antecurve.analysis.response import ResponseTable
from antecurve.analysis.spread import PercentileCurves
from antecurve.arrays import read_only
from antecurve.curves.fit import CurveFit
from antecurve.curves.tabulate import CurveTable


def test_an_array_is_copied_and_read_only() -> None:
    given = np.array([1.0, 2.0])
    held = read_only(given)
    given[0] = 7.0
    assert held.tolist() == [1.0, 2.0]
    with pytest.raises(ValueError, match="read-only"):
        held[0] = 3.0
    assert read_only([1, 2]).dtype == float


@pytest.mark.parametrize(
    "kind",
    [Correction, CurveFit, CurveTable, DelayTable, LossEffect, PercentileCurves, ResponseTable],
)
def test_results_see_to_it_themselves(kind: type) -> None:
    names = [f.name for f in fields(kind) if "NDArray" in f.type or f.type == "Floats"]
    given = {f.name: np.ones(3) if f.name in names else None for f in fields(kind)}
    made = kind(**given)
    for name in names:
        assert not getattr(made, name).flags.writeable
        assert not np.shares_memory(getattr(made, name), given[name])
