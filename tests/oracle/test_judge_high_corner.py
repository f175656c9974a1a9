"""A high corner that a sweep with phases doesn't show is bounded below alone."""

from __future__ import annotations

import math

import numpy as np
from playback_units import CONDITIONS, LOADING, TOPOLOGY, VALUES, Unit, by_tolerance

from antecurve.judge.sweep import SweepCapture
from antecurve.judge.verdicts import judge_unit
from antecurve.networks.compiled import transfer
from antecurve.networks.topology import Network


def test_no_corner_is_told_of_a_unit_without_one() -> None:
    """Its phases are exact; parts of 1 % and 2.5 % leave some degrees of lag open."""
    frequency = np.geomspace(20.0, 20e3, 31)
    top, bottom = Unit(high_corner_hz=0.0).polynomials()
    s = 2j * np.pi * frequency
    response = transfer(Network(TOPOLOGY, VALUES), frequency, loading=LOADING)
    response = response * np.polyval(top, s) / np.polyval(bottom, s)
    level, phase = 20.0 * np.log10(np.abs(response)), np.degrees(np.angle(response))
    capture = SweepCapture(frequency, level, phase)
    verdict = judge_unit(capture, by_tolerance(), conditions=CONDITIONS)
    corner = next(f for f in verdict.fitted if f.name == "high_corner_hz")
    assert corner.low > 20e3 and math.isinf(corner.high)
