"""The deviation by the harmonics alone, of units that no shape of the model comes near.

The unit is a polynomial of its own behind `playback_units`' network, the square wave in periodic
steady state by partial fractions; nothing of this is computed by the package.
"""

import numpy as np
import pytest
from playback_units import (
    CURVE,
    Unit,
    by_tolerance,
    square_capture,
)

from antecurve.errors import InputError
from antecurve.judge.asymmetry import EvenOrders, even_orders
from antecurve.judge.capture import ObservationSettings
from antecurve.judge.deviation import Deviation
from antecurve.judge.measured_levels import measured_deviation
from antecurve.judge.passed_over import with_harmonics_off
from antecurve.judge.problem import Bench, FitProblem
from antecurve.judge.signal_path import CaptureChain, Generator
from antecurve.judge.unit_model import unit_model

# A pair of poles at 450 Hz with a Q of 12 and one of zeros at 60 Hz: no playback unit has them.
RESONANCE = 2 * np.pi * 450.0
ZEROS = 2 * np.pi * 60.0
ODD = (
    np.array([1 / ZEROS**2, 0.8 / ZEROS, 1.0]),
    np.array([1 / RESONANCE**2, 1 / (12.0 * RESONANCE), 1.0]),
)


def deviation_db(frequency: np.ndarray) -> np.ndarray:
    """The unit's deviation, 0 dB at 1 kHz."""
    s = 2j * np.pi * np.append(frequency, 1000.0)
    odd = 20 * np.log10(np.abs(np.polyval(ODD[0], s) / np.polyval(ODD[1], s)))
    return np.asarray(Unit().deviation_db(frequency) + odd[:-1] - odd[-1])


@pytest.mark.parametrize("seed", range(3))
def test_harmonics_tell_the_level_of_any_unit(seed: int) -> None:
    """Within what is stated at every harmonic, and by far less than the unit is off."""
    rng = np.random.default_rng([41, seed])
    estimate = by_tolerance()
    capture = square_capture(Unit(), rng, samples=10_000, periods=4.3, extra=ODD)
    settings = ObservationSettings(100e3, CURVE, estimate, ())
    bench = Bench(estimate, Generator(), CaptureChain())
    problem = FitProblem((capture.observation(settings),), unit_model(CURVE), bench)
    at = 200.0 * np.array([1.0, 3.0, 5.0, 9.0, 21.0, 51.0])
    unknown = Deviation(at, 0.0 * at, 99.0 + 0.0 * at, 0.0 * at, 0.0 * at)
    measured = measured_deviation(problem, unknown, curve=CURVE, published=True)
    assert measured is not None
    off = np.abs(measured.deviation_db - deviation_db(at))
    # Those at the ends of the band may lie beside the record's own first and last harmonic.
    inner = slice(1, -1)
    assert np.all(off[inner] <= measured.expanded_uncertainty_db[inner])
    assert np.all(measured.expanded_uncertainty_db[inner] < 4.0)
    assert np.ptp(measured.deviation_db[inner]) > 5.0  # ten times the usual limit


def test_even_harmonics_are_no_more_than_the_record_has() -> None:
    """A fit that misses by far may have a duty of its own, which the record lacks."""
    orders = np.array([2.0, 4.0])
    known = {
        "orders": orders,
        "error": np.array([1.0 + 0j, 0.2]),
        "by_duty": np.array([0.3 + 0j, 1.0]),
        "by_square": np.array([0.1 + 0j, 0.1]),
        "covariance": 1e-8 * np.eye(4),
    }
    sizes = {"step_v": 0.0, "noise_v": 1e-4, "half_swing_v": 1.0}
    assert even_orders(EvenOrders(recorded=1e-4 * orders, **known), **sizes) == 0.0
    assert even_orders(EvenOrders(recorded=known["error"], **known), **sizes) > 0.1


def test_harmonics_that_no_record_has_are_refused() -> None:
    """A fit that runs away is told in a sentence, before its squares overflow."""
    capture = square_capture(Unit(), np.random.default_rng(1), samples=2_000, periods=4.3)
    settings = ObservationSettings(20e3, CURVE, by_tolerance(), ())
    basis = capture.observation(settings).basis
    orders = np.arange(401.0, 403.0)
    for size in (1e9, 1e160):
        with pytest.raises(InputError, match="that no unit's response describes"):
            with_harmonics_off(basis, orders, size + 0j * orders, first=True, name="square")
