"""Numbers that no analysis can use are refused by its own error, whichever analysis it is."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from bench_networks import BAND, DISC, LOADING, bench_network

import antecurve
from antecurve.analysis.level import smallest_input_impedance
from antecurve.errors import InputError

PICKED = bench_network()
COMMON: Any = {"curve": DISC, "loading": LOADING}
GRADES: Any = {
    "resistor_grades": [antecurve.Grade(0.01, 1.0)],
    "capacitor_grades": [],
    "limit_db": 1.0,
}
IN_A_BAND: dict[str, Callable[[Any], object]] = {
    "error": lambda band: antecurve.error_range(
        PICKED.network, DISC, band_hz=band, loading=LOADING
    ),
    "spread": lambda band: antecurve.spread(PICKED, **COMMON, band_hz=band, builds=10),
    "sensitivities": lambda band: antecurve.sensitivities(PICKED, loading=LOADING, band_hz=band),
    "worst case": lambda band: antecurve.worst_case(PICKED, **COMMON, band_hz=band),
    "plan": lambda band: antecurve.plan_tolerances(PICKED, **COMMON, **GRADES, band_hz=band),
    "drift": lambda band: antecurve.drift(PICKED, **COMMON, band_hz=band),
    "losses": lambda band: antecurve.loss_effect(PICKED, loading=LOADING, band_hz=band),
    "loading": lambda band: antecurve.loading_table(PICKED.network, **COMMON, band_hz=band),
    "strays": lambda band: antecurve.stray_table(PICKED.network, **COMMON, band_hz=band),
    "noise": lambda band: antecurve.noise_report(
        PICKED.network, **COMMON, band_hz=band, signal_v=5e-3
    ),
    "impedance": lambda band: smallest_input_impedance(
        PICKED.network, loading=LOADING, band_hz=band
    ),
    "target": lambda band: antecurve.Target(band_hz=band),
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
    plain = {"band_hz": BAND, **COMMON}
    with pytest.raises(InputError, match="frequency"):
        antecurve.generator_setting(
            PICKED.network, loading=LOADING, wanted_v=5e-3, frequency_hz=value
        )
    with pytest.raises(InputError, match="growth"):
        antecurve.generator_advice(PICKED.network, **plain, source_ohm=[600.0], growth_db=value)
    with pytest.raises(InputError, match="error limit"):
        antecurve.level_plan(PICKED.network, **plain, source_level_v=0.5, error_limit_db=value)
    with pytest.raises(InputError, match="probe resistance"):
        antecurve.Receiver("probe", value, 15e-12)
    with pytest.raises(InputError, match=r"spread\.limit"):
        antecurve.spread(PICKED, **plain, builds=10, limit_db=value)
