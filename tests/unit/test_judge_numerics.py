"""What the judge computes by a short cut, against the long way."""

from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import median_filter

from antecurve.files.captures import read_capture
from antecurve.judge.harmonics import response_at_orders
from antecurve.judge.oscillation import _running_median


def test_thousands_of_harmonics_follow_a_cubic() -> None:
    """By evaluating every one: corners of first order, and a top with a Q of 1 at 100 kHz."""
    frequency_hz = 23.0 * np.arange(1.0, 16_385.0)

    def log_response(hertz: np.ndarray) -> np.ndarray:
        s = 2j * np.pi * hertz
        top = s / (2 * np.pi * 100e3)
        low = np.log1p(2 * np.pi * 10.0 / s)
        return (
            np.log((1 + s * 318e-6) / (1 + s * 3180e-6) / (1 + s * 75e-6) / (1 + top + top**2))
            - low
        )

    ratio = np.exp(response_at_orders(log_response, frequency_hz) - log_response(frequency_hz))
    # 1e-5 of harmonics that are a hundredth of the wave and less: no record shows a 1e-7 of it.
    assert np.abs(ratio - 1.0).max() < 1e-5


@pytest.mark.parametrize("count", [1, 2, 7, 64, 65])
def test_running_medians_are_those_of_scipy(count: int) -> None:
    """By scipy.ndimage.median_filter, to the last bit."""
    values = np.random.default_rng(count).normal(size=200)
    scipys = median_filter(values, count, mode="nearest")
    np.testing.assert_array_equal(_running_median(values, count), scipys)


def test_plain_tables_are_read_as_quoted_ones(tmp_path: Path) -> None:
    """Python's numbers, of a plain table, and those of pandas, which reads quoted cells."""
    rng = np.random.default_rng(1)
    time_s, volts = (
        np.arange(4000) * 1.7e-6,
        np.sign(np.sin(np.arange(4000) / 95)) + rng.normal(size=4000),
    )
    plain = "\n".join(f"{t:.9e},{v:.6g}" for t, v in zip(time_s, volts, strict=True))
    files = {"plain.csv": plain, "quoted.csv": plain.replace(",", ',"').replace("\n", '"\n') + '"'}
    for name, rows in files.items():
        (tmp_path / name).write_text(f"time_s,volts\n{rows}\n")
    one, other = (read_capture(tmp_path / name) for name in files)
    np.testing.assert_allclose(one.volts, other.volts, rtol=1e-15)
    np.testing.assert_allclose(one.time_s, other.time_s, rtol=1e-15)
