"""A unit judged from its captures, its curve stated the wrong way round."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from playback_units import Unit

from antecurve.errors import InputError
from antecurve.files.design_file import read_design
from antecurve.files.unit_curve_texts import UnitCurveTexts
from antecurve.files.unit_judging import UnitJudging
from antecurve.judge.sweep import SweepCapture
from antecurve.judge.unit_figures import FigureRequest
from antecurve.judge.verdicts import JudgeRequest
from antecurve.networks.compiled import loaded_coefficients

PINNED = Path(__file__).parents[1] / "golden" / "pinned" / "plain" / "design.json"
HERTZ = np.geomspace(20.0, 20e3, 31)


def test_zeros_stated_as_poles_are_told_by_the_unit() -> None:
    """A disc's playback has a zero of 318 us and poles of 3180 and 75 us; its recording not."""
    design = read_design(PINNED)
    network = loaded_coefficients(
        design.network.topology, design.network.values, loading=design.job.loading
    )
    unit = Unit(low_corner_hz=1.0, high_corner_hz=1e6)
    level = 20 * np.log10(np.abs(network.response(HERTZ))) + unit.level_db(HERTZ)
    sweep = SweepCapture(HERTZ, level + 0.01 * np.random.default_rng(1).standard_normal(31))

    made = UnitCurveTexts(zeros="318us", poles="3180us,75us").set_unit(design)
    judging = UnitJudging(made, None, JudgeRequest(), FigureRequest(0.005))
    remedy = r"exchanged: .* within 0\.\d dB\. .*: --unit-zeros 3180us,75us --unit-poles 318us"
    with pytest.raises(InputError, match=remedy):
        judging.verdict((), (sweep,), lambda stage: None)
