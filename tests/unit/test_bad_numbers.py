"""Numbers that no analysis can use are refused by its own error, whichever analysis it is."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from bench_networks import BAND, DISC, LOADING, bench_network

import antecurve
from antecurve.analysis.bench_sheet import Receiver
from antecurve.analysis.drift import drift
from antecurve.analysis.generator import generator_setting, level_plan
from antecurve.analysis.impedance_advice import generator_advice
from antecurve.analysis.level import smallest_input_impedance
from antecurve.analysis.losses import loss_effect
from antecurve.analysis.noise import noise_report
from antecurve.analysis.planning import plan_tolerances
from antecurve.analysis.sensitivity import sensitivities
from antecurve.analysis.strays import stray_table
from antecurve.analysis.worst_case import worst_case
from antecurve.errors import InputError
from antecurve.job import Grade, Target
from antecurve.networks.centred_error import error_range
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Loading
from antecurve.parts.log_histogram import LogHistogram

PICKED = bench_network()
COMMON: Any = {"curve": DISC, "loading": LOADING}
GRADES: Any = {
    "resistor_grades": [Grade(0.01, 1.0)],
    "capacitor_grades": [],
    "limit_db": 1.0,
}
IN_A_BAND: dict[str, Callable[[Any], object]] = {
    "error": lambda band: error_range(
        PICKED.network, Conditions(curve=DISC, loading=LOADING, band_hz=band)
    ),
    "spread": lambda band: antecurve.spread(PICKED, Conditions(**COMMON, band_hz=band), builds=10),
    "sensitivities": lambda band: sensitivities(
        PICKED, Conditions(curve=DISC, loading=LOADING, band_hz=band)
    ),
    "worst case": lambda band: worst_case(PICKED, Conditions(**COMMON, band_hz=band)),
    "plan": lambda band: plan_tolerances(PICKED, Conditions(**COMMON, band_hz=band), **GRADES),
    "drift": lambda band: drift(PICKED, Conditions(**COMMON, band_hz=band)),
    "losses": lambda band: loss_effect(
        PICKED, Conditions(curve=DISC, loading=LOADING, band_hz=band)
    ),
    "loading": lambda band: antecurve.loading_table(
        PICKED.network, Conditions(**COMMON, band_hz=band)
    ),
    "strays": lambda band: stray_table(PICKED.network, Conditions(**COMMON, band_hz=band)),
    "noise": lambda band: noise_report(
        PICKED.network, Conditions(**COMMON, band_hz=band), signal_v=5e-3
    ),
    "impedance": lambda band: smallest_input_impedance(
        PICKED.network, loading=LOADING, band_hz=band
    ),
    "target": lambda band: Target(band_hz=band),
    "request": lambda band: antecurve.JudgeRequest(band_hz=band),
}


@pytest.mark.parametrize(
    "band", [(0.0, 20e3), (-1.0, 20e3), (20e3, 20.0), (20.0, 20.0), (20.0, math.inf)]
)
@pytest.mark.parametrize("name", IN_A_BAND)
def test_bands_are_refused(name: str, band: tuple[float, float]) -> None:
    with pytest.raises(InputError):
        IN_A_BAND[name](band)


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_numbers_are_refused(value: float) -> None:
    plain = Conditions(band_hz=BAND, **COMMON)
    with pytest.raises(InputError, match="frequency"):
        generator_setting(
            PICKED.network,
            Conditions(curve=DISC, loading=LOADING),
            wanted_v=5e-3,
            frequency_hz=value,
        )
    with pytest.raises(InputError, match="growth"):
        generator_advice(PICKED.network, plain, source_ohm=[600.0], growth_db=value)
    with pytest.raises(InputError, match=r"error.limit"):
        level_plan(PICKED.network, plain, error_limit_db=value)
    with pytest.raises(InputError, match="resistance"):
        Receiver("probe", value, 15e-12)
    with pytest.raises(InputError, match="limit"):
        antecurve.spread(PICKED, plain, builds=10, limit_db=value)


BEYOND: dict[str, tuple[Callable[[], object], str]] = {
    "time constant": (lambda: antecurve.Curve("own", (1e150,), ()), r"zeros_s.*1 ps to 1 ks"),
    "tiny time constant": (lambda: antecurve.Curve("own", (), (1e-300,)), "poles_s.*1 ps to 1 ks"),
    "13 time constants": (lambda: antecurve.Curve("own", (1e-3,) * 13, ()), "12 at most"),
    "zeros at the origin": (
        lambda: antecurve.Curve("own", (1e-3,), (), zeros_at_origin=3),
        "from 0 to 2",
    ),
    "source": (lambda: _job(loading=Loading(2e9, 1e3, 0.0)), "source.resistance.*1 GΩ"),
    "load": (lambda: _job(loading=Loading(0.0, 1e13, 0.0)), "load.resistance.*1 TΩ"),
    "load's capacitance": (
        lambda: _job(loading=Loading(0.0, 1e3, 0.1)),
        "load.capacitance.*from 0 to 1 mF",
    ),
    "any load": (lambda: Loading(1e200, 1e-200, 0.0), "source_resistance"),
    "source level": (lambda: _job(source_level_v=1e300), "source.level.*1 pV to 1 MV"),
    "target level": (lambda: Target(level_v=1e-300), "target.level.*1 pV to 1 MV"),
    "level tolerance": (
        lambda: Target(level_tolerance_db=1e308),
        "level_tolerance_db.*from 0 to 120 dB",
    ),
    "wide band": (lambda: Target(band_hz=(1e-12, 1e12)), "target.band.*1 mHz to 1 GHz"),
    "narrow band": (lambda: Target(band_hz=(1e3, 1e3 + 1e-7)), "1 % or more above"),
    "range": (
        lambda: _job(resistors=replace(antecurve.default_job().resistors, value_range=(1, 1e30))),
        "resistors.range.*1 mΩ to 1 TΩ",
    ),
    "title": (lambda: _job(title="bench\x1b[2J"), r"title.*U\+001B"),
}


def _job(**changes: Any) -> antecurve.Job:
    return replace(antecurve.default_job(), **changes)


@pytest.mark.parametrize("name", BEYOND)
def test_quantities_beyond_any_bench_are_refused(name: str) -> None:
    make, words = BEYOND[name]
    with pytest.raises(InputError, match=words):
        make()


def test_errors_of_many_decibels_are_finite() -> None:
    """Single precision would lose one beside a power ratio of 1e-9; double precision does not."""
    steep = antecurve.Curve("own", (1.0, 2.0, 3.0, 4.0), (1e-6,))
    plain = Conditions(curve=steep, band_hz=BAND, loading=LOADING)
    builds = antecurve.spread(PICKED, plain, builds=200)
    nominal = error_range(PICKED.network, plain).centred_db
    assert nominal > 60.0
    assert builds.centred_db.p50 == pytest.approx(nominal, rel=0.02)  # parts of 1 to 2.5 %
    with pytest.raises(InputError, match="no finite number"):
        LogHistogram().add(np.array([1.0, math.nan]))
