"""The model of a unit, the harmonics of the generator, what is known of the network."""

from __future__ import annotations

import math

import numpy as np
import pytest
from playback_units import CURVE, LOADING, TOPOLOGY, by_tolerance, picked_network
from scipy import stats
from scipy.integrate import quad
from scipy.optimize import approx_fprime

from antecurve.analysis.as_built import as_built, measured_network
from antecurve.analysis.meter import MeterAccuracy
from antecurve.curves.construct import curve_from_turnover
from antecurve.curves.model import inverse_response
from antecurve.errors import InputError
from antecurve.judge.network_estimate import (
    estimate_by_tolerance,
    exact_estimate,
    network_log_response,
    network_slopes,
    sources_at,
)
from antecurve.judge.signal_path import (
    CaptureChain,
    Generator,
    chain_log_response,
    square_harmonics,
)
from antecurve.judge.unit_model import UnitModel, unit_model
from antecurve.judge.unit_parameters import HighEnd, LowEnd, Shape
from antecurve.judge.unit_steps import from_steps, step_bounds, step_slopes, to_steps
from antecurve.networks.compiled import transfer
from antecurve.networks.conditions import Conditions, LoadingTolerance
from antecurve.parts.position import PickedNetwork

FREQUENCY = np.array([20.0, 200.0, 3000.0, 40e3])


def coordinates(model: UnitModel, **given: float) -> np.ndarray:
    """A unit by values of its constants, coefficients of the ends that are not given at 0."""
    units = np.where([p.low or p.high for p in model.parameters], 0.0, model.start)
    for name, value in given.items():
        index = model.index(name)
        assert index is not None
        units[index] = value
    return units


@pytest.mark.parametrize("level_only", [False, True])
@pytest.mark.parametrize("resonant", [False, True])
def test_derivatives(level_only: bool, resonant: bool) -> None:
    """Exact derivatives against scipy.optimize.approx_fprime, forward differences."""
    model = unit_model(CURVE, undo_ultrasonic=True, level_only=level_only)
    units = model.start + 0.1
    if resonant:
        units[model.index("high_corner_hz")] = -0.5
        units[model.index("high_end_2")] = 1.0
    linear = model.linearised(units, FREQUENCY)
    assert np.allclose(linear.value, model.log_response(units, FREQUENCY))
    assert np.allclose(linear.value.real, model.level(units, FREQUENCY), atol=1e-12)
    for row, f in enumerate(FREQUENCY):
        for part in ("real", "imag"):

            def value(x: np.ndarray, f: float = f, part: str = part) -> float:
                return float(getattr(model.log_response(x, np.array([f]))[0], part))

            slope = approx_fprime(units, value, 1e-7)
            assert np.allclose(slope, getattr(linear.derivative[row], part), atol=3e-6)


@pytest.mark.parametrize("level_only", [False, True])
def test_steps_of_a_fit(level_only: bool) -> None:
    """There and back, and derivatives against scipy.optimize.approx_fprime."""
    model = unit_model(CURVE, level_only=level_only)
    units = model.start + 0.1
    # 1/(1 + b s + c s^2) with a Q of 2: A = b^2 - 2 c and B = c^2.
    b, c = 1.5, 9.0
    units[model.index("high_corner_hz")], units[model.index("high_end_2")] = b**2 - 2 * c, c**2
    stepped = to_steps(model, units)
    assert stepped[model.index("high_end_2")] == pytest.approx(c)
    assert stepped[model.index("high_corner_hz")] == pytest.approx(b**2 - 0.01 * c)
    assert from_steps(model, stepped) == pytest.approx(units)
    low, high = step_bounds(model)
    assert np.all((low <= stepped) & (stepped <= high))
    f = np.array([50e3])
    jacobian = model.linearised(units, f).derivative.real
    turned = step_slopes(model, stepped, jacobian)[0]
    slope = approx_fprime(
        stepped, lambda x: float(model.log_response(from_steps(model, x), f)[0].real), 1e-7
    )
    assert turned == pytest.approx(slope, abs=3e-6)


def test_shapes_leave_their_coefficients_free() -> None:
    model = unit_model(CURVE)
    names = np.array([p.name for p in model.parameters])
    constants = {"bass_shelf_s", "turnover_s", "treble_s", "low_corner_hz", "high_corner_hz"}
    assert set(names[model.free(Shape())]) == constants
    third = model.free(Shape(LowEnd.THIRD_ORDER, HighEnd.ZERO))
    assert set(names[third]) == constants | {"low_end_2", "low_end_3", "playback_zero_hz"}
    assert model.free(Shape(LowEnd.THIRD_ORDER, HighEnd.ZERO_AND_PAIR)).all()


def test_priors_are_densities() -> None:
    """exp(-r^2/2) over its width integrates to 1: scipy.integrate.quad."""
    model = unit_model(CURVE)
    for index, parameter in enumerate(model.parameters):

        def density(x: float, index: int = index) -> float:
            units = model.start
            units[index] = x
            return math.exp(-0.5 * model.priors(units)[0][index] ** 2)

        low = -np.inf if parameter.logarithmic else 0.0
        total = (
            quad(density, low, np.inf, limit=200)[0]
            if parameter.logarithmic
            else sum(
                quad(density, *ends, limit=200)[0]
                for ends in ((0.0, parameter.spread), (parameter.spread, np.inf))
            )
        )
        assert total == pytest.approx(math.exp(parameter.log_prior_width), rel=1e-6)
        step = 1e-6 * parameter.spread
        units = model.start
        units[index] += 0.7 * parameter.spread
        slope = (model.priors(units + step)[0] - model.priors(units - step)[0])[index] / (2 * step)
        assert model.priors(units)[1][index] == pytest.approx(slope, rel=1e-6)


def test_nominal_unit_without_corners_is_ideal_playback() -> None:
    model = unit_model(CURVE)
    expected = np.log(np.abs(inverse_response(CURVE, FREQUENCY)))
    units = coordinates(model)
    assert np.allclose(model.log_response(units, FREQUENCY).real, expected, atol=1e-12)


def test_levels_alone_agree_with_the_full_model() -> None:
    """The same unit by coefficients of magnitudes and by those of polynomials: one level."""
    full, level = (unit_model(CURVE, level_only=flag) for flag in (False, True))
    a, b, c = 9.0, 50.0, 60.0
    top = {"high_corner_hz": 2.0, "high_end_2": 1.5, "playback_zero_hz": 3.0}
    units = coordinates(full, low_corner_hz=a, low_end_2=b, low_end_3=c, **top)
    squares = {
        "low_corner_hz": a**2 - 2 * b,
        "low_end_2": b**2 - 2 * a * c,
        "low_end_3": c**2,
    }
    others = coordinates(level, **squares, **top)
    expected = full.level(units, FREQUENCY)
    assert np.allclose(expected, level.level(others, FREQUENCY), atol=1e-12)
    assert np.allclose(expected, level.log_response(others, FREQUENCY).real, atol=1e-12)
    assert full.low_corner_hz(units) == pytest.approx(level.low_corner_hz(others))
    assert full.high_corner_hz(units) == pytest.approx(level.high_corner_hz(others))


def test_curve_without_shelf_gets_one() -> None:
    """A playback integrator has a shelf somewhere: nominal none."""
    model = unit_model(curve_from_turnover(turnover_hz=500.0, cut_db=12.0))
    names = [p.name for p in model.parameters]
    assert names[:3] == ["bass_shelf_s", "turnover_s", "treble_s"]
    shelf = model.parameters[0]
    assert shelf.nominal is None and shelf.value(0.0) == math.inf
    assert shelf.coordinate(shelf.value(3.0)) == pytest.approx(3.0)


def test_low_corner_is_3_db_down() -> None:
    """20 log10 is 3.0103 dB down there, of one to three corners and of a resonance of Q 2."""
    model = unit_model(CURVE)
    three = np.poly([-2.0, -5.0, -9.0])[1:]
    for a, b, c in ((10.0, 0.0, 0.0), (12.0, 36.0, 0.0), (3.0, 36.0, 0.0), tuple(three)):
        units = coordinates(model, low_corner_hz=a, low_end_2=b, low_end_3=c)
        corner = float(model.low_corner_hz(units))
        s = 1j * corner
        response = abs(1.0 / (1.0 + a / s + b / s**2 + c / s**3))
        assert response == pytest.approx(math.sqrt(0.5))
    resonant = coordinates(model, low_corner_hz=6.0 / 2.0, low_end_2=36.0)
    assert model.end_in_words(resonant, "low_corner_hz") == "second order, Q 2"
    undamped = coordinates(model, low_corner_hz=0.0, low_end_2=36.0)
    assert model.end_in_words(undamped, "low_corner_hz") == "second order, Q above 50"


def test_high_corner_is_3_db_down() -> None:
    """Of 1/(1 + b s + c s^2), written by A = b^2 - 2 c and B = c^2."""
    model = unit_model(CURVE)
    resonant = 1e6 / (2 * math.pi * 60e3)
    for b, c in ((1.5, 0.0), (3.0, 2.0), (resonant / 1.9, resonant**2)):
        units = coordinates(model, high_corner_hz=b**2 - 2 * c, high_end_2=c**2)
        s = 2j * math.pi * float(model.high_corner_hz(units)) * 1e-6
        assert abs(1.0 / (1.0 + b * s + c * s**2)) == pytest.approx(math.sqrt(0.5), rel=1e-3)
    lifted = coordinates(model, high_corner_hz=b**2 - 2 * c, high_end_2=c**2, playback_zero_hz=4.0)
    words = model.end_in_words(lifted, "high_corner_hz")
    assert words == "second order, Q 1.9, with a playback zero at 79.6 kHz"


def test_square_harmonics_by_sampling() -> None:
    """Fourier transform of a sampled square wave through a sliding mean, 2**18 points a period."""
    count, duty, rise = 2**18, 0.47, 0.004
    wave = np.where((np.arange(count) + 0.5) / count < duty, 1.0, -1.0)
    width = round(rise / 0.8 * count)
    window = np.fft.fft(np.roll(np.where(np.arange(count) < width, 1 / width, 0), -(width // 2)))
    half_sample = np.exp(-2j * np.pi * np.arange(1, 8) * 0.5 / count)
    spectrum = 2 * (np.fft.fft(wave) * window)[1:8] / count * half_sample
    orders = np.arange(1.0, 8.0)
    harmonics = square_harmonics(orders, frequency_hz=1.0, duty=duty, rise_time_s=rise)
    assert np.allclose(harmonics.value, spectrum, atol=1e-4)
    step = 1e-7
    moved = square_harmonics(orders, frequency_hz=1.0, duty=duty + step, rise_time_s=rise)
    assert np.allclose((moved.value - harmonics.value) / step, harmonics.by_duty, atol=1e-4)
    moved = square_harmonics(orders, frequency_hz=1.0, duty=duty, rise_time_s=rise + step)
    assert np.allclose((moved.value - harmonics.value) / step, harmonics.by_rise_time, atol=1e-4)


def test_chain_and_generator_limits() -> None:
    log_response = chain_log_response(CaptureChain((7.0,), (50e3,)), np.array([7.0, 50e3]))
    assert log_response.real == pytest.approx(-0.5 * math.log(2.0), abs=1e-3)
    for bad in (-1.0, math.nan):
        with pytest.raises(InputError):
            Generator(rise_time_s=bad)
        with pytest.raises(InputError):
            CaptureChain((bad,))
        with pytest.raises(InputError):
            LoadingTolerance(load_resistance=bad)


def test_knowledge_by_tolerance() -> None:
    """u = t/sqrt(3) for a part within +-t (JCGM 100:2008, 4.3.7); joined parts apart."""
    known = by_tolerance()
    assert known.sources == 8 and known.uniform.all()
    spread = np.linalg.norm(known.errors, axis=1)
    assert spread[0] == pytest.approx(0.01 / math.sqrt(3))
    assert spread[1] == pytest.approx(0.025 / math.sqrt(3) * math.hypot(0.8, 0.2))
    assert np.all(spread[6:] == 0)
    normal = estimate_by_tolerance(picked_network(), loading=LOADING, distribution="normal")
    cut = stats.truncnorm(-3, 3, scale=1 / 3)  # the tolerance is 3 sigma, none lies beyond
    assert np.linalg.norm(normal.errors[0]) == pytest.approx(0.01 * cut.std())
    probability = np.array([[1e-9] * 8, [0.1] * 8, [0.7] * 8])
    expected = cut.ppf(probability) / cut.std()
    assert np.allclose(sources_at(normal, probability), expected, rtol=1e-9)
    drawn = sources_at(known, np.array([[0.0 + 1e-12] * 8, [0.5] * 8]))
    assert np.allclose(drawn[0], -math.sqrt(3)) and np.allclose(drawn[1], 0)
    with pytest.raises(InputError):
        estimate_by_tolerance(picked_network(), loading=LOADING, distribution="flat")


def _all_measured() -> PickedNetwork:
    values = dict(zip(TOPOLOGY.refs, picked_network().network.values, strict=True))
    return measured_network(picked_network(), values, meter=MeterAccuracy(0.003, 0.006))


def test_measured_parts_share_their_meter() -> None:
    known = estimate_by_tolerance(
        _all_measured(), loading=LOADING, loading_tolerance=LoadingTolerance(load_resistance=0.05)
    )
    resistors, capacitors = [0, 2, 4, 5], [1, 3]
    covariance = known.errors @ known.errors.T
    for rows, accuracy in ((resistors, 0.003), (capacitors, 0.006)):
        count, own = len(rows), accuracy**2 / 3.0
        expected = own * (np.eye(count) + (1.0 - 1.0 / count))
        np.testing.assert_allclose(covariance[np.ix_(rows, rows)], expected, rtol=1e-12)
    assert np.all(covariance[np.ix_(resistors, capacitors)] == 0.0)
    assert covariance[7, 7] == pytest.approx(0.05**2 / 3.0)
    assert known.uniform.all()


def test_one_measured_part_has_the_uncertainty_of_its_reading() -> None:
    picked = measured_network(picked_network(), {"C2": 2.4e-9}, meter=MeterAccuracy(0.003, 0.006))
    known = estimate_by_tolerance(picked, loading=LOADING)
    assert np.linalg.norm(known.errors[3]) == pytest.approx(0.006 / math.sqrt(3.0))


def test_no_correlation_of_the_readings_gives_more() -> None:
    """JCGM 100:2008, 5.2.2, for every correlation from 0 to 1 and any sensitivities."""
    known = estimate_by_tolerance(_all_measured(), loading=LOADING)
    covariance = (known.errors @ known.errors.T)[:6, :6]
    rng = np.random.default_rng(3)
    for accuracy, rows in ((0.003, [0, 2, 4, 5]), (0.006, [1, 3])):
        block = covariance[np.ix_(rows, rows)]
        for correlation in np.linspace(0.0, 1.0, 11):
            one = np.full((len(rows), len(rows)), correlation)
            np.fill_diagonal(one, 1.0)
            # Nothing below 0 but rounding.
            assert np.linalg.eigvalsh(block - accuracy**2 / 3.0 * one).min() > -1e-12 * accuracy**2
            slopes = rng.normal(size=(100, len(rows)))
            there = np.einsum("ij,jk,ik->i", slopes, accuracy**2 / 3.0 * one, slopes)
            assert np.all(np.einsum("ij,jk,ik->i", slopes, block, slopes) >= there - 1e-18)


def test_the_network_counts_as_in_its_correction_table() -> None:
    """The fit's covariance is above that of any correlation, that of the table included."""
    built = as_built(
        picked_network(),
        Conditions(curve=CURVE, loading=LOADING, band_hz=(20.0, 20e3)),
        measured=dict(zip(TOPOLOGY.refs, picked_network().network.values, strict=True)),
        meter=MeterAccuracy(0.003, 0.006),
    )
    table = built.correction
    known = estimate_by_tolerance(built.picked, loading=LOADING)
    slopes = network_slopes(known, np.zeros(known.sources), np.append(table.frequency_hz, 1000.0))
    level = 20.0 / math.log(10.0) * slopes[1:].real
    fitted = 2.0 * np.linalg.norm(level[:, :-1] - level[:, -1:], axis=0)
    away = table.frequency_hz != 1000.0
    ratio = fitted[away] / table.expanded_uncertainty_db[away]
    # Twice the standard deviation of one reading holds 1.155 of its limit, the table 0.95 of it;
    # of many it holds 2 to the table's 1.96.
    assert ratio.min() > 1.0
    assert ratio.max() < 2.5


def test_network_response_and_slopes() -> None:
    known = by_tolerance()
    zero = np.zeros(known.sources)
    expected = np.log(transfer(known.network, FREQUENCY, loading=LOADING))
    slopes = network_slopes(known, zero, FREQUENCY)
    assert np.allclose(slopes[0], expected)
    step = np.zeros(known.sources)
    step[2] = 1e-4
    forward = (network_log_response(known, step, FREQUENCY) - expected) / 1e-4
    assert np.allclose(slopes[3], forward, atol=1e-5)
    exact = exact_estimate(known.network, loading=LOADING)
    assert exact.sources == 0
    assert network_slopes(exact, np.zeros(0), FREQUENCY).shape == (1, 4)
