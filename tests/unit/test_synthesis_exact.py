"""Exact networks: names, refusals with their conditions, and that the remedies work."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import curve_from_turnover, with_limits
from antecurve.curves.model import Curve, level_db, response
from antecurve.errors import InputError, UnattainableError
from antecurve.networks.compiled import transfer
from antecurve.networks.topology import Loading
from antecurve.synthesis.exact import (
    ExactNetwork,
    exact_network,
    exact_network_or_none,
    form_description,
    form_names,
)
from antecurve.synthesis.nearest_feasible import nearest_split

LOADING = Loading(50.0, 47e3, 150e-12)
OPEN = Loading(50.0, 47e3, 0.0)
DISC = named_curve("disc")
CURVE = with_limits(DISC, ultrasonic_poles_hz=[50e3])
TWO_POLES = with_limits(DISC, ultrasonic_poles_hz=[50e3, 200e3])
AMENDED = with_limits(named_curve("disc-amended"), ultrasonic_poles_hz=[50e3], low_end_bound_hz=2.0)
RISING = Curve("own", (3180e-6, 2.9e-6), (3e-6,))
FREQUENCY = np.geomspace(1, 1e6, 61)


def _make(form: str, curve: Curve, loading: Loading = LOADING, gain: float = 0.01) -> ExactNetwork:
    return exact_network(form, curve, loading=loading, gain=gain, shunt_resistance=500.0)


def _curve_for(form: str) -> Curve:
    if form.startswith("output-"):
        return TWO_POLES
    return AMENDED if form.startswith("rc-") else CURVE


@pytest.mark.parametrize("form", form_names())
def test_form_makes_its_curve(form: str) -> None:
    exact = _make(form, _curve_for(form))
    wanted = np.abs(response(_curve_for(form), FREQUENCY))
    if exact.load_pole_s:
        wanted = wanted / np.hypot(1, 2 * math.pi * FREQUENCY * exact.load_pole_s)
        wanted = wanted * np.hypot(1, 2e3 * math.pi * exact.load_pole_s)
    error = 20 * np.log10(np.abs(transfer(exact.network, FREQUENCY, loading=LOADING)) / wanted)
    # A few units in the last place of a double.
    assert error + 40.0 == pytest.approx(0.0, abs=1e-12)
    assert exact.shunt_resistance == 500.0
    assert exact.network.values[-1] == 500.0
    assert exact.network.topology.elements[-1].nodes == ("out", "0")
    assert form_description(form)


def test_the_load_pole_of_the_default_job_is_where_the_design_says() -> None:
    # Order of magnitude: a load of 150 pF at 500 ohm is 2.1 MHz by itself.
    pole = _make("foster-1", CURVE).load_pole_s
    assert pole is not None
    assert 1 / (2 * math.pi * pole) == pytest.approx(2.835e6, rel=1e-3)
    assert _make("output-capacitor-foster-1", TWO_POLES).load_pole_s is None


def test_a_curve_without_ultrasonic_pole_implies_one() -> None:
    # T4 = g0 (Rp + Rs)/Rp T1 T3/T2, CL = 0.
    exact = _make("cauer-1", DISC, OPEN)
    rp = 500.0 * 47e3 / 47.5e3
    expected = exact.gain_constant * (rp + 50.0) / rp * 3180e-6 * 75e-6 / 318e-6
    assert exact.implied_poles_s == pytest.approx((expected,), rel=1e-12)
    assert len(exact.network.values) == 5


def test_a_curve_without_bass_shelf_has_a_series_capacitor() -> None:
    curve = curve_from_turnover(turnover_hz=400.0, cut_db=12.0)
    exact = _make("cauer-2", with_limits(curve, ultrasonic_poles_hz=[50e3]))
    first = exact.network.topology.elements[0]
    assert first.ref == "C1"
    assert first.nodes[0] == "in"
    low = abs(transfer(exact.network, [1.0, 2.0], loading=LOADING))
    assert low[1] / low[0] == pytest.approx(2.0, rel=1e-4)


# Each line: form, curve, loading, gain, what the message must say.
REFUSED = [
    ("foster-1", CURVE, OPEN, 0.2, "must be at most Rp/(Rp + Rs): 4.762 <= 0.9082 does not hold"),
    (
        "cauer-2",
        CURVE,
        LOADING,
        0.2,
        "must be above 0, g N/D < 1. With tau = Rp CL = 0.07421 µs: 4.872 < 1 does not hold",
    ),
    ("foster-2", CURVE, Loading(50.0, 47e3, 100e-9), 0.01, "the load's capacitance"),
    ("cascade-long-first", CURVE, OPEN, 0.2, "1/(1 + Rs (1/R2 + 1/R4 + 1/RL)): "),
    ("output-capacitor-foster-1", TWO_POLES, Loading(50.0, 47e3, 20e-9), 0.01, "greater than the"),
    ("output-capacitor-cauer-1", TWO_POLES, LOADING, 0.05, "too close together"),
    ("rc-shunt-foster-1", AMENDED, LOADING, 0.1, "Rp CL >= Tq.../Tz... of the roots Tq"),
    pytest.param(
        "rc-shunt-foster-1",
        AMENDED,
        Loading(50.0, 47e3, 1e-6),
        0.01,
        "(1 - T'/T)...) > 0. Here the branch",
        marks=pytest.mark.seldom,  # its remedy is searched for seconds
    ),
    ("rc-shunt-foster-2", AMENDED, OPEN, 0.1, "at most Z/(Z + Rs) with Z = Rp Tz.../Tq... = "),
    ("cauer-1", RISING, Loading(600.0, 47e3, 0.0), 0.6, "(1 + Rs/Rp) < 1. With w = 2 pi 1 kHz"),
    ("foster-2", RISING, Loading(600.0, 47e3, 150e-12), 0.6, "(w^2 b)^2 + (w b/tau - w tau q)^2 <"),
    ("cascade-long-first", RISING, Loading(600.0, 47e3, 0.0), 0.6, "1/R4 + 1/RL)) < 1. With w"),
    ("cascade-short-first", CURVE, LOADING, 0.3, "g0 T1 T3/(T2 T4), must be below 1: "),
]


@pytest.mark.parametrize(("form", "curve", "loading", "gain", "words"), REFUSED)
def test_a_refusal_states_the_inequality_and_each_remedy_works(
    form: str, curve: Curve, loading: Loading, gain: float, words: str
) -> None:
    with pytest.raises(UnattainableError) as refused:
        _make(form, curve, loading, gain)
    assert words in refused.value.condition
    assert "T5 = -" not in refused.value.condition
    tried = 0
    level = re.search(r"(-?[\d.]+) dB at 1 kHz or (?:less|more) works", refused.value.remedy)
    if level:
        tried += 1
        _make(form, curve, loading, 10 ** (float(level.group(1)) / 20))
    pole = re.search(r"highest pole of at (?:least|most) ([\d.]+) (k?M?)Hz", refused.value.remedy)
    if pole:
        tried += 1
        hertz = float(pole.group(1)) * {"": 1, "k": 1e3, "M": 1e6}[pole.group(2)]
        poles = (*curve.ultrasonic_poles_s[:-1], 1 / (2 * math.pi * hertz))
        _make(form, replace(curve, ultrasonic_poles_s=poles), loading, gain)
    shunt = re.search(
        r"across the output of at (?:least|most) ([\d.]+) (k?)Ω works", refused.value.remedy
    )
    if shunt:
        tried += 1
        ohm = float(shunt.group(1)) * (1e3 if shunt.group(2) else 1)
        exact_network(form, curve, loading=loading, gain=gain, shunt_resistance=ohm)
    assert tried


def test_a_load_pole_beyond_every_bound_is_refused_for_that() -> None:
    # With q = g N(-1/tau)/D(-1/tau) below 0, T5 = tau (1 - q sqrt(1 + (w T5)^2)) has a solution
    # only where -w tau q < 1: as T5 grows the right side grows by -w tau q T5.
    curve = Curve("own", (), (0.0005623413251903491,), zeros_at_origin=1)
    tau = 1e-6 * 1 / (1 / 1000.0 + 1 / 3162.2776601683795)
    constant = 0.1 * math.hypot(1, 2e3 * math.pi * curve.poles_s[0]) / (2e3 * math.pi)
    q = constant * (-1 / tau) / (1 - curve.poles_s[0] / tau)
    reach = -2e3 * math.pi * tau * q
    assert q < 0 and reach > 1
    with pytest.raises(UnattainableError, match=rf"{reach:.4g} < 1 does not hold"):
        exact_network(
            "foster-1",
            curve,
            loading=Loading(0.0, 1000.0, 1e-6),
            gain=0.1,
            shunt_resistance=3162.2776601683795,
        )


def test_the_level_in_a_refusal_is_the_nearest() -> None:
    with pytest.raises(UnattainableError) as refused:
        _make("foster-1", CURVE, OPEN, 0.2)
    level = float(re.search(r"(-[\d.]+) dB at 1 kHz or less", refused.value.remedy).group(1))  # type: ignore[union-attr]
    with pytest.raises(UnattainableError):
        _make("foster-1", CURVE, OPEN, 10 ** ((level + 0.011) / 20))


def test_another_form_is_named_where_the_shape_is_wrong() -> None:
    with pytest.raises(UnattainableError, match=r"must alternate.*rc-shunt-foster-1 makes it"):
        _make("foster-1", AMENDED)
    with pytest.raises(UnattainableError, match=r"one fewer than.*output-capacitor-foster-1 makes"):
        _make("cauer-1", TWO_POLES)
    with pytest.raises(UnattainableError, match=r"R_inf > 0, but here R_inf is 0"):
        _make("cauer-2-whole", DISC)
    with pytest.raises(UnattainableError, match=r"rises towards DC without end.*low_end_bound"):
        _make("rc-shunt-cauer-1", named_curve("disc-amended"))
    with pytest.raises(UnattainableError, match="has 1 zero and 3 poles"):
        _make("foster-1", Curve("own", (75e-6,), (318e-6, 3e-6, 1e-6)))
    with pytest.raises(UnattainableError, match="need two zeros"):
        _make("cascade-short-first", named_curve("cd-emphasis"))
    with pytest.raises(UnattainableError, match="must pass direct current"):
        curve = curve_from_turnover(turnover_hz=500.0, cut_db=12.0)
        _make("cauer-1-inside", with_limits(curve, ultrasonic_poles_hz=[50e3]))
    twice = Curve("own", (3180e-6, 3180e-6), (318e-6, 3e-6))
    with pytest.raises(UnattainableError, match=r"must differ, but 3180 µs is there 2 times"):
        _make("foster-1", twice)
    with pytest.raises(UnattainableError, match=r"must differ, but both are 3180 µs"):
        _make("cascade-long-first", twice)
    with pytest.raises(UnattainableError, match="Tq > Tz"):
        _make("rc-shunt-foster-1", named_curve("cd-emphasis"), OPEN, 0.1)


def test_a_double_pole_is_refused_and_split() -> None:
    double = with_limits(DISC, ultrasonic_poles_hz=[50e3, 50e3])
    with pytest.raises(UnattainableError, match="simple") as refused:
        _make("foster-1", double)
    assert "output-capacitor-foster-1" in refused.value.remedy
    split = nearest_split(double, loading=LOADING, gain=0.01, shunt_resistance=500.0)
    assert split is not None
    low, high = split.frequencies_hz
    assert math.sqrt(low * high) == pytest.approx(50e3, rel=1e-12)
    _make(split.form, split.curve)
    closer = with_limits(DISC, ultrasonic_poles_hz=[low * 1.001, high / 1.001])
    with pytest.raises(UnattainableError):
        _make(split.form, closer)
    cost = level_db(split.curve, [20e3, 100e3]) - level_db(double, [20e3, 100e3])
    assert split.cost_db == pytest.approx(cost.tolist(), abs=1e-12)
    assert f"{cost[0]:+.3f} dB at 20 kHz and {cost[1]:+.3f} dB at 100 kHz" in refused.value.remedy
    # A lower level brings the poles closer together.
    lower = nearest_split(double, loading=LOADING, gain=0.001, shunt_resistance=500.0)
    assert lower is not None
    assert low < lower.frequencies_hz[0] < 50e3
    assert nearest_split(CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0) is None


def test_no_network_is_no_exception_for_a_search() -> None:
    arguments = {"loading": OPEN, "shunt_resistance": 500.0}
    assert exact_network_or_none("foster-1", CURVE, gain=0.2, **arguments) is None  # type: ignore[arg-type]
    assert exact_network_or_none("foster-1", CURVE, gain=0.01, **arguments) is not None  # type: ignore[arg-type]


def test_the_section_ratio_shares_the_impedance_of_a_cascade() -> None:
    exact = exact_network(
        "cascade-long-first",
        CURVE,
        loading=LOADING,
        gain=0.01,
        shunt_resistance=1000.0,
        section_ratio=10.0,
    )
    assert exact.network.values[-2:].tolist() == pytest.approx([100.0, 1000.0])
    error = np.abs(transfer(exact.network, [20.0, 1000.0], loading=LOADING))
    wanted = np.abs(response(CURVE, [20.0, 1000.0])) * 0.01
    assert error == pytest.approx(wanted, rel=1e-6)  # the load's pole counts for less


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"form": "pi"}, "network.forms"),
        ({"gain": 0.0}, "target.level"),
        ({"gain": 1.0}, "target.level"),
        ({"gain": math.nan}, "gain"),
        ({"shunt_resistance": 0.0}, "shunt_resistance"),
        ({"shunt_resistance": math.inf}, "shunt_resistance"),
        ({"section_ratio": -1.0}, "section_ratio"),
    ],
)
def test_numbers_out_of_range_are_refused(change: dict[str, object], field: str) -> None:
    arguments: dict[str, object] = {
        "form": "foster-1",
        "curve": CURVE,
        "loading": LOADING,
        "gain": 0.01,
        "shunt_resistance": 500.0,
    }
    with pytest.raises(InputError) as refused:
        exact_network(**(arguments | change))  # type: ignore[arg-type]
    assert refused.value.field == field


@pytest.mark.parametrize("form", ["cascade-long-first", "cascade-short-first"])
@pytest.mark.parametrize("poles_hz", [[], [50e3]])
def test_a_cascade_followed_from_one_close_by_is_the_one_found_everywhere(
    form: str, poles_hz: list[float]
) -> None:
    curve = with_limits(named_curve("disc"), ultrasonic_poles_hz=poles_hz)

    def made(shunt: float, near: ExactNetwork | None = None) -> ExactNetwork | None:
        return exact_network_or_none(
            form, curve, loading=LOADING, gain=0.01, shunt_resistance=shunt, near=near
        )

    shunts = np.geomspace(300.0, 6000.0, 8).tolist()
    near = None
    for shunt in [*shunts, shunts[0]]:  # the last from far away
        everywhere = made(shunt)
        assert everywhere is not None
        followed = made(shunt, near)
        assert followed is not None
        near = followed
        # Either solver ends at rounding: a few hundred times the last place of a double.
        np.testing.assert_allclose(followed.network.values, everywhere.network.values, rtol=1e-12)
