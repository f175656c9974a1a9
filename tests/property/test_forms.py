"""Every form over random curves, levels, sources and loads, re-solved by numeric nodal analysis."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from nodal import solve_cards

from antecurve.curves.model import Curve, response, zero_pole_gain
from antecurve.networks.balanced import balanced_network
from antecurve.networks.compiled import transfer
from antecurve.networks.topology import Loading, Network
from antecurve.synthesis.exact import exact_network_or_none, form_names
from antecurve.synthesis.sections import named_form, realise
from antecurve.synthesis.sections.section import Requirements
from antecurve.synthesis.violation import Violation
from long_form import few

FREQUENCY = np.geomspace(1.0, 1e6, 25)
# Double precision through a nodal solve of up to 7 nodes whose admittances span 12 decades:
# 1e-9 dB is 1e-10 relative.
TOLERANCE_DB = 1e-9
# The oracle takes the difference of two nodes that float near half the EMF: with levels down to
# 1e-6 of it, six digits are lost.
BALANCED_DB = 1e-5
HALF_SECTIONS = [n for n in form_names() if not n.startswith(("rc-", "output-", "cascade-"))]


@dataclass(frozen=True)
class Case:
    curve: Curve
    loading: Loading
    gain: float
    impedance: float


def _interlaced(draw: st.DrawFn, count: int) -> list[float]:
    """Time constants [s], longest first, each at least 15 % above the next."""
    longest = draw(st.floats(-4.0, -1.8))
    steps = [draw(st.floats(0.06, 1.2)) for _ in range(count - 1)]
    return [10 ** (longest - sum(steps[:k])) for k in range(count)]


def _surroundings(draw: st.DrawFn, curve: Curve) -> Case:
    source = draw(st.sampled_from([0.0, 25.0, 50.0, 600.0]))
    load = 10 ** draw(st.floats(3.5, 6.0))
    capacitance = draw(st.sampled_from([0.0, 47e-12, 150e-12, 470e-12]))
    low, high = abs(response(curve, [1.0, 1e6]))
    # Levels within reach: the response stays below 1 everywhere.
    gain = draw(st.floats(0.001, 0.9)) / max(low, high, 1.0)
    return Case(curve, Loading(source, load, capacitance), gain, 10 ** draw(st.floats(1.5, 4.5)))


@st.composite
def interlaced_cases(draw: st.DrawFn) -> Case:
    order = draw(st.integers(1, 3))
    at_origin = draw(st.booleans()) if order > 1 else False
    pole = draw(st.booleans())
    times = _interlaced(draw, 2 * order - at_origin)
    zeros, poles = times[at_origin::2], times[1 - at_origin :: 2]
    if not pole:
        poles = poles[:-1]
    curve = Curve("own", tuple(zeros), tuple(poles), zeros_at_origin=int(at_origin))
    return _surroundings(draw, curve)


@st.composite
def shunt_cases(draw: st.DrawFn) -> Case:
    """Curves that begin with a pole: a bounded rise towards DC, then an interlaced curve."""
    order = draw(st.integers(0, 2))
    times = _interlaced(draw, 2 + 2 * order)
    curve = Curve("own", (times[1], *times[2::2]), (times[0], *times[3::2]))
    return _surroundings(draw, curve)


@st.composite
def two_pole_cases(draw: st.DrawFn) -> Case:
    order = draw(st.integers(1, 3))
    times = _interlaced(draw, 2 * order)
    second = times[-1] / draw(st.floats(1.5, 20.0))
    curve = Curve("own", tuple(times[::2]), (*times[1::2], second))
    return _surroundings(draw, curve)


def _level_db(network: Network, loading: Loading) -> np.ndarray:
    elements = zip(network.topology.elements, network.values, strict=True)
    cards = [(e.ref, *e.nodes, float(v)) for e, v in elements]
    plus, minus = network.topology.output
    cards += [
        ("RSOURCE", "drive", "in", loading.source_resistance),
        ("RLOAD", plus, minus, loading.load_resistance),
        ("CLOAD", plus, minus, loading.load_capacitance),
    ]
    output = solve_cards(cards, FREQUENCY, output=(plus, minus))
    return 20.0 * np.log10(np.abs(output))


def _check(case: Case, forms: list[str], *, balanced: bool = False) -> int:
    """Re-solve each form that makes the case; return how many did."""
    made = 0
    for form in forms:
        exact = exact_network_or_none(
            form,
            case.curve,
            loading=case.loading,
            gain=case.gain,
            shunt_resistance=case.impedance,
            closely=True,
        )
        if exact is None:
            continue
        made += 1
        network = balanced_network(exact.network) if balanced else exact.network
        wanted = np.abs(response(case.curve, FREQUENCY))
        extra = [*exact.implied_poles_s, *([exact.load_pole_s] if exact.load_pole_s else [])]
        for pole in extra:
            wanted = wanted / np.hypot(1, 2 * math.pi * FREQUENCY * pole)
            wanted = wanted * np.hypot(1, 2e3 * math.pi * pole)
        error = _level_db(network, case.loading) - 20 * np.log10(case.gain * wanted)
        assert np.abs(error).max() < (BALANCED_DB if balanced else TOLERANCE_DB), form
        if case.loading.load_capacitance == 0:
            assert exact.load_pole_s is None
        if len(case.curve.poles_s) >= len(case.curve.zeros_s) + case.curve.zeros_at_origin:
            assert not exact.implied_poles_s
    return made


@settings(max_examples=few(20, of=60), deadline=None)
@given(interlaced_cases())
def test_half_sections_and_cascades_make_interlaced_curves(case: Case) -> None:
    forms = [*HALF_SECTIONS, "cascade-long-first", "cascade-short-first"]
    assume(_check(case, forms) > 0)


@settings(max_examples=few(13, of=40), deadline=None)
@given(shunt_cases())
def test_rc_shunts_make_curves_that_begin_with_a_pole(case: Case) -> None:
    assume(_check(case, [n for n in form_names() if n.startswith("rc-")]) > 0)


@settings(max_examples=few(13, of=40), deadline=None)
@given(two_pole_cases())
def test_output_capacitors_make_two_ultrasonic_poles(case: Case) -> None:
    assume(_check(case, [n for n in form_names() if n.startswith("output-")]) > 0)


@settings(max_examples=few(5, of=15), deadline=None)
@given(interlaced_cases())
def test_balanced_networks_have_the_same_differential_response(case: Case) -> None:
    assume(_check(case, ["foster-1", "cauer-2", "cascade-long-first"], balanced=True) > 0)


@settings(max_examples=few(10, of=30), deadline=None)
@given(interlaced_cases(), st.floats(0.1, 10.0))
def test_impedance_scaling_scales_every_element(case: Case, factor: float) -> None:
    """With the loading scaled as well, resistors scale and capacitors scale the other way."""
    load = case.loading
    scaled = Loading(
        load.source_resistance * factor,
        load.load_resistance * factor,
        load.load_capacitance / factor,
    )
    one = exact_network_or_none(
        "foster-2", case.curve, loading=load, gain=case.gain, shunt_resistance=case.impedance
    )
    other = exact_network_or_none(
        "foster-2",
        case.curve,
        loading=scaled,
        gain=case.gain,
        shunt_resistance=case.impedance * factor,
    )
    assume(one is not None and other is not None)
    assert one is not None and other is not None
    for element, a, b in zip(
        one.network.topology.elements, one.network.values, other.network.values, strict=True
    ):
        ratio = factor if element.ref.startswith("R") else 1.0 / factor
        # Elements that are a small difference of large ones keep fewer digits.
        assert math.isclose(b, a * ratio, rel_tol=1e-7)


@st.composite
def any_cases(draw: st.DrawFn) -> Case:
    """Curves in no order, levels and loadings far out of the way."""
    zeros = draw(st.lists(st.floats(-7.0, -1.0), max_size=3))
    poles = draw(st.lists(st.floats(-7.0, -1.0), min_size=0 if zeros else 1, max_size=4))
    if zeros and draw(st.booleans()):
        poles = [*poles[:3], zeros[0]]  # one that cancels a zero
    curve = Curve(
        "own",
        tuple(10**t for t in zeros),
        tuple(10**t for t in poles),
        zeros_at_origin=draw(st.integers(0, 1)),
    )
    loading = Loading(
        draw(st.sampled_from([0.0, 1e-3, 50.0, 1e5])),
        10 ** draw(st.floats(0.0, 7.0)),
        draw(st.sampled_from([0.0, 1e-15, 150e-12, 1e-6])),
    )
    return Case(
        curve, loading, 10 ** draw(st.floats(-6.0, -0.01)), 10 ** draw(st.floats(-1.0, 7.0))
    )


@settings(max_examples=few(20, of=60), deadline=None)
@given(any_cases(), st.sampled_from(form_names()))
@example(  # without source resistance some 11 micro-ohm make the pole of 0.1 us
    Case(Curve("own", (), (0.1, 1e-7), zeros_at_origin=1), Loading(0.0, 1.0, 1e-6), 0.1, 1e5),
    "output-capacitor-foster-1",
)
def test_any_curve_is_made_or_refused(case: Case, form: str) -> None:
    """Nothing but a network that makes the curve or ``None`` comes out, whatever goes in."""
    exact = exact_network_or_none(
        form, case.curve, loading=case.loading, gain=case.gain, shunt_resistance=case.impedance
    )
    if exact is None:
        return
    wanted = np.abs(response(case.curve, FREQUENCY))
    for pole in (*exact.implied_poles_s, *([exact.load_pole_s] if exact.load_pole_s else [])):
        wanted = wanted / np.hypot(1, 2 * math.pi * FREQUENCY * pole)
        wanted = wanted * np.hypot(1, 2e3 * math.pi * pole)
    made = np.abs(transfer(exact.network, FREQUENCY, loading=case.loading))
    assert 20 * np.log10(made / (case.gain * wanted)) == pytest.approx(0.0, abs=TOLERANCE_DB)


_NUMBER = r"(-?[\d.]+(?:e[-+]\d+)?)(?: ([a-zµΩ]*?)(s|Ω|F|Hz|1/F))?"
_PREFIXES = dict(zip("afpnµmkMGT", range(-18, 13, 3), strict=False)) | {"k": 3, "M": 6, "G": 9}
_CLAIM = re.compile(rf"(?<![\w.]){_NUMBER} (<=|>=|<|>) {_NUMBER} does not hold")


def _number(digits: str, prefix: str | None) -> float:
    return float(digits) * 10.0 ** (_PREFIXES[prefix] if prefix else 0)


@settings(max_examples=few(25, of=75), deadline=None)
@given(any_cases(), st.sampled_from(form_names()))
def test_a_refusal_states_an_inequality_that_indeed_does_not_hold(case: Case, form: str) -> None:
    outcome = realise(
        named_form(form),
        Requirements(zero_pole_gain(case.curve), case.loading, case.gain, case.impedance),
    )
    if not isinstance(outcome, Violation):
        return
    claims = _CLAIM.findall(outcome.condition)
    # Either the numbers on both sides of a sign, or a condition on the curve's shape or on one
    # number: what must be so, and what is.
    assert claims or re.search(r"\b(must|needs?)\b.*( but |; )", outcome.condition), (
        outcome.condition
    )
    for smaller, prefix, _, sign, right, other, _ in claims:
        low, high = _number(smaller, prefix), _number(right, other)
        holds = {"<=": low <= high, ">=": low >= high, "<": low < high, ">": low > high}[sign]
        # Four printed digits: sides that look the same may be on either side.
        assert not holds or math.isclose(low, high, rel_tol=1e-3), outcome.condition


@st.composite
def built_cases(draw: st.DrawFn) -> tuple[Case, str]:
    """A network made at random, and the curve, level and loading that it comes to.

    The polynomials are multiplied out here, and the poles are numpy's roots of them.
    """
    branches = draw(st.integers(1, 2))
    in_shunt = draw(st.integers(0, 2))
    capacitor = draw(st.booleans())
    times = [draw(st.floats(-5.5, -1.5)) for _ in range(branches + in_shunt)]
    assume(min(np.diff(sorted(times)), default=1.0) > 0.05)
    series = [(10**t, 10 ** draw(st.floats(2.0, 5.0))) for t in times[:branches]]
    shunt = [(10**t, 10 ** draw(st.floats(2.0, 4.0))) for t in times[branches:]]
    load = Loading(
        10 ** draw(st.floats(0.5, 3.0)),
        10 ** draw(st.floats(4.0, 6.0)),
        150e-12 if draw(st.booleans()) else 0.0,
    )
    across = 10 ** draw(st.floats(2.0, 4.0))
    infinity = 10 ** draw(st.floats(1.0, 4.0))
    one = np.poly1d([1.0])
    kept = [np.poly1d([t, 1.0]) for t, _ in series]
    taken = [np.poly1d([t, 1.0]) for t, _ in shunt]
    below = math.prod(kept, start=one)
    above = below * (load.source_resistance + infinity)
    for k, (_, resistance) in enumerate(series):
        above += resistance * math.prod(kept[:k] + kept[k + 1 :], start=one)
    total = 10 ** draw(st.floats(-9.5, -6.5)) if capacitor else 0.0
    admittance = math.prod(taken, start=one) * np.poly1d(
        [total + load.load_capacitance, 1 / across + 1 / load.load_resistance]
    )
    for k, (time, resistance) in enumerate(shunt):
        others = math.prod(taken[:k] + taken[k + 1 :], start=one)
        admittance += np.poly1d([time / resistance, 0.0]) * others
    numerator = below * math.prod(taken, start=one)
    denominator = numerator + above * admittance
    poles = sorted((float(-1.0 / r.real) for r in denominator.roots), reverse=True)
    zeros = [10**t for t in times]
    # Corners that nearly cancel leave a curve that says little about its network.
    assume(all(abs(z / p - 1.0) > 0.02 for z in zeros for p in poles))
    s = 2e3j * math.pi
    gain = float(abs(numerator(s) / denominator(s)))
    assume(gain > 1e-5)
    loaded = load.load_capacitance > 0 and not capacitor
    # The load's capacitance adds one pole, which is not the curve's.
    curve = Curve("own", tuple(zeros), tuple(poles[:-1] if loaded else poles))
    section = "rc-shunt-" if in_shunt else "output-capacitor-" if capacitor else ""
    return Case(curve, load, gain, across), f"{section}foster-1"


@settings(max_examples=few(25, of=75), deadline=None)
@given(built_cases())
def test_a_network_that_exists_is_found(built: tuple[Case, str]) -> None:
    case, form = built
    # It, or another one that shares the zeros between the arms in another way.
    assert _check(case, [form]) == 1
