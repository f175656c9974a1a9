"""Bounds of element values by interval arithmetic, against networks that make the curve."""

from __future__ import annotations

import numpy as np
import pytest
from mpmath import iv

from antecurve.algebra.interval import Interval
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.curves.model import zero_pole_gain
from antecurve.job import Job, NetworkRequest, Target
from antecurve.networks.topology import ElementKind, Loading, Topology
from antecurve.switched.exact_tables import curve_with_pole, pole_range
from antecurve.switched.value_ranges import ValueRanges, flat_ranges, ranges_of_curve
from antecurve.synthesis.arms import ARMS, CANONICAL
from antecurve.synthesis.exact import exact_network_or_none

SHUNTS = (20.0, 1500.0)
DISC = named_curve("disc")
CURVES = {  # IEC 60098 with a free pole and with one given; NAB 1949 has a zero at the origin
    "disc": DISC,
    "disc, 50 kHz": with_limits(DISC, ultrasonic_poles_hz=(50e3,)),
    "no shelf": named_curve("disc-nab-1949"),
    "tape": named_curve("tape-19-nab"),
}


def test_intervals_enclose_what_mpmath_does() -> None:
    rng = np.random.default_rng(5)
    low = rng.uniform(-2.0, 2.0, (2, 200))
    high = low + rng.uniform(0.0, 1.0, (2, 200))
    one, other = Interval(low[0], high[0]), Interval(low[1], high[1])
    ours = {"+": one + other, "-": one - other, "*": one * other, "/": one / other}
    for k in range(200):
        a, b = (iv.mpf([low[i, k], high[i, k]]) for i in (0, 1))
        theirs = {"+": a + b, "-": a - b, "*": a * b}
        if not low[1, k] <= 0.0 <= high[1, k]:
            theirs["/"] = a / b
        for sign, exact in theirs.items():
            made = (ours[sign].low[k], ours[sign].high[k])
            # Both widen outward: they differ by a few units in the last place of the ends.
            assert made[0] <= float(exact.b)
            assert made[1] >= float(exact.a)
            assert made == pytest.approx((float(exact.a), float(exact.b)), rel=1e-14, abs=1e-15)


def test_what_is_zero_everywhere_counts_as_zero() -> None:
    # An expression that is 0 for all that is free is 0 in each step: one step without is a proof.
    assert not Interval([-1.0, 0.0], [1.0, 2.0])
    assert Interval([1.0, -3.0], [2.0, -1.0])
    assert Interval([-1.0, 1.0], [1.0, 2.0])


CASES = [(name, arm.name, 150e-12) for name in CURVES for arm in CANONICAL]
CASES += [("disc, 50 kHz", arm.name, 0.0) for arm in ARMS]


@pytest.mark.sweep(10)
@pytest.mark.parametrize(("name", "form", "load_capacitance"), CASES)
def test_no_exact_network_lies_outside(name: str, form: str, load_capacitance: float) -> None:
    curve = CURVES[name]
    job = Job(
        curve, target=Target(level_tolerance_db=2.0), loading=Loading(50.0, 47e3, load_capacitance),
        network=NetworkRequest(output_resistance_max=600),
    )  # fmt: skip
    free = zero_pole_gain(curve).relative_degree == -1
    poles = pole_range(30e3) if free else None
    rng = np.random.default_rng(7)
    bounds: dict[Topology, ValueRanges | None] = {}
    inside = 0
    for _ in range(20):
        level = job.gain * 10.0 ** (rng.uniform(-2.0, 2.0) / 20.0)
        shunt = float(np.exp(rng.uniform(*np.log(SHUNTS))))
        pole = float(np.exp(rng.uniform(*np.log(poles)))) if poles else 0.0
        exact = exact_network_or_none(
            form, curve_with_pole(curve, pole), loading=job.loading, gain=level,
            shunt_resistance=shunt,
        )  # fmt: skip
        if exact is None:
            continue
        topology = exact.network.topology
        if topology not in bounds:
            bounds[topology] = ranges_of_curve(
                form, curve, topology, job=job, shunts=SHUNTS, poles=poles
            )
        ranges = bounds[topology]
        if ranges is None:
            continue
        inside += 1
        values = dict(zip(topology.refs, exact.network.values.tolist(), strict=True))
        enclosed = dict(zip(topology.refs, ranges.values, strict=True))
        resistors = [e.ref for e in topology.elements if e.kind is ElementKind.RESISTOR]
        for ref, value in values.items():
            scaled = (
                enclosed[ref] * ranges.scale if ref in resistors else enclosed[ref] / ranges.scale
            )
            assert np.any((scaled.low <= value) & (value <= scaled.high)), ref
            for c, capacitance in values.items():
                if ref in resistors and c not in resistors:
                    product = enclosed[ref] * enclosed[c]
                    assert np.any(
                        (product.low <= value * capacitance) & (value * capacitance <= product.high)
                    )
    assert inside > 3


def test_bounds_are_tight_where_a_product_is_one_time_constant() -> None:
    # Foster's first form: R1 C1 = 3180 us and R2 C2 = 75 us, whatever is free (design by hand).
    job = Job(DISC, target=Target(level_tolerance_db=2.0), loading=Loading(50.0, 47e3, 0.0))
    exact = exact_network_or_none(
        "foster-1", curve_with_pole(DISC, 3e-6), loading=job.loading, gain=job.gain,
        shunt_resistance=300.0,
    )  # fmt: skip
    assert exact is not None
    ranges = ranges_of_curve(
        "foster-1", DISC, exact.network.topology, job=job, shunts=SHUNTS, poles=pole_range(30e3)
    )
    assert ranges is not None
    values = dict(zip(exact.network.topology.refs, ranges.values, strict=True))
    for pair, time in (("11", 3180e-6), ("22", 75e-6)):
        low, high = (values[f"R{pair[0]}"] * values[f"C{pair[1]}"]).hull
        assert low <= time <= high
        # A step of the pole is 1.5 % wide and enters both values, times its weight in c2.
        assert high / low < 1.01


def test_a_flat_position_is_a_divider() -> None:
    job = Job(named_curve("disc"), loading=Loading(50.0, 47e3, 0.0))
    ranges = flat_ranges(job, (10.0, 1e6))
    series, across = ranges.values
    # 10 kohm in series: R4 = 1/((1/g - 1)/(R + Rs) - 1/RL), the divider rule.
    conductance = (1.0 / job.gain - 1.0) / 10050.0 - 1.0 / 47e3
    here = (series.low <= 10e3) & (series.high >= 10e3)
    assert np.any(here & (across.low <= 1.0 / conductance) & (1.0 / conductance <= across.high))
