"""Uncertainty of the correction table against the library `uncertainties`."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bench_networks import DISC, LOADING, bench_network
from uncertainties import ufloat
from uncertainties.umath import log10

from antecurve.analysis.correction import TABLE_FREQUENCIES_HZ, ValueUncertainty, correction
from antecurve.curves.model import level_db
from antecurve.errors import InputError
from antecurve.networks.conditions import Conditions

PICKED = bench_network()
NONE = np.zeros(6)


def _product(a, b):  # type: ignore[no-untyped-def]
    return a[0] * b[0] - a[1] * b[1], a[0] * b[1] + a[1] * b[0]


def _inverse(a):  # type: ignore[no-untyped-def]
    size = a[0] * a[0] + a[1] * a[1]
    return a[0] / size, -a[1] / size


def _level(values, frequency):  # type: ignore[no-untyped-def]
    """20 log10 abs H of two parallel RC pairs and R3 in series into R4, real arithmetic only."""
    r1, c1, r2, c2, r3, r4 = values
    w = 2 * math.pi * frequency
    pairs = [_inverse((1 / r, w * c)) for r, c in ((r1, c1), (r2, c2))]
    series = LOADING.source_resistance + pairs[0][0] + pairs[1][0] + r3, pairs[0][1] + pairs[1][1]
    shunt = _inverse((1 / r4 + 1 / LOADING.load_resistance, w * LOADING.load_capacitance))
    divider = _product(shunt, _inverse((series[0] + shunt[0], series[1] + shunt[1])))
    return 10 * log10(divider[0] * divider[0] + divider[1] * divider[1])


def test_own_uncertainties_propagate_to_first_order() -> None:
    own = np.array([0.01, 0.02, 0.005, 0.015, 0.01, 0.002])
    uncertainty = ValueUncertainty(own, np.zeros((0, 6)))
    found = correction(
        PICKED.network, Conditions(curve=DISC, loading=LOADING), uncertainty=uncertainty
    )
    values = [ufloat(v, v * u) for v, u in zip(PICKED.network.values, own, strict=True)]
    reference = _level(values, 1000.0)
    for k, frequency in enumerate(TABLE_FREQUENCIES_HZ):
        difference = _level(values, frequency) - reference
        # The library differentiates analytically: only rounding is between the two.
        assert found.expanded_uncertainty_db[k] == pytest.approx(2 * difference.s, abs=1e-12)
        published = float(level_db(DISC, frequency, published=True))
        assert found.correction_db[k] == pytest.approx(difference.n - published, abs=1e-9)


def test_a_common_cause_propagates_as_one_or_independently_whichever_is_worse() -> None:
    common = np.array([[0.0, 0.003, 0.0, 0.003, 0.0, 0.0], [0.001, 0.0, 0.001, 0.0, 0.001, 0.001]])
    uncertainty = ValueUncertainty(NONE, common)
    found = correction(
        PICKED.network, Conditions(curve=DISC, loading=LOADING), uncertainty=uncertainty
    )
    kept = []
    for kind, standard in (("C", 0.003), ("R", 0.001)):
        meter = ufloat(1.0, standard)
        measured = [ref.startswith(kind) for ref in PICKED.topology.refs]
        nominal = list(zip(PICKED.network.values, measured, strict=True))
        together = [v * meter if m else v for v, m in nominal]
        apart = [v * ufloat(1.0, standard) if m else v for v, m in nominal]
        kept.append(
            [
                [(_level(v, f) - _level(v, 1000.0)).s for f in TABLE_FREQUENCIES_HZ]
                for v in (together, apart)
            ]
        )
    by_cause = np.max(kept, axis=1)
    expected = 2 * np.hypot(*by_cause)
    np.testing.assert_allclose(found.expanded_uncertainty_db, expected, atol=1e-12)
    # Both ways are met: neither alone would do.
    for way in (0, 1):
        assert np.any(by_cause[:, :] > np.array(kept)[:, way] * 1.01)
    away = np.abs(np.log(np.array(TABLE_FREQUENCIES_HZ) / 1000.0)) > 0.3
    assert found.expanded_uncertainty_db[away].min() > 1e-3


def test_at_1_khz_there_is_nothing_to_subtract() -> None:
    uncertainty = ValueUncertainty(np.full(6, 0.01), np.zeros((0, 6)))
    found = correction(
        PICKED.network,
        Conditions(curve=DISC, loading=LOADING),
        uncertainty=uncertainty,
        frequency_hz=1000.0,
    )
    assert found.correction_db[0] == 0.0 and found.expanded_uncertainty_db[0] == 0.0


def test_bad_input_is_refused() -> None:
    with pytest.raises(InputError, match="uncertainty"):
        correction(
            PICKED.network,
            Conditions(curve=DISC, loading=LOADING),
            uncertainty=ValueUncertainty(np.full(6, -0.01), np.zeros((0, 6))),
        )
    with pytest.raises(InputError, match="frequency"):
        correction(
            PICKED.network,
            Conditions(curve=DISC, loading=LOADING),
            uncertainty=ValueUncertainty(NONE, np.zeros((0, 6))),
            frequency_hz=[0.0],
        )
