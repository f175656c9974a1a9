"""Harmonics by blocks and by sums of series, against numpy's own sums over all samples."""

from __future__ import annotations

import numpy as np
import pytest

from antecurve.judge.sampled_waves import sampled_waves

ORDERS = np.array([1.0, 2.0, 3.0, 5.0, 8.0, 41.0, 200.0])
FUNDAMENTAL_HZ = 23.017


def times(samples: int, *, jitter: float) -> np.ndarray:
    even = np.linspace(-0.061, 0.07, samples)
    step = even[1] - even[0]
    return even + jitter * step * np.random.default_rng(1).uniform(-1, 1, samples)


def columns(time_s: np.ndarray, wave_hz: np.ndarray) -> np.ndarray:
    """Cosines, then negative sines, in extended precision."""
    angle = 2.0 * np.longdouble(np.pi) * np.longdouble(wave_hz)[:, None] * np.longdouble(time_s)
    return np.concatenate([np.cos(angle), -np.sin(angle)]).astype(float)


@pytest.mark.parametrize("jitter", [0.0, 0.1])
@pytest.mark.parametrize("samples", [64, 1000, 1003])
def test_products_and_sums_are_those_over_all_samples(samples: int, jitter: float) -> None:
    """Phases of some 200 periods are right to 1e-13, sums over 1,000 samples to 1e-10."""
    time = times(samples, jitter=jitter)
    rng = np.random.default_rng(2)
    waves = sampled_waves(time, ORDERS, FUNDAMENTAL_HZ)
    laid_out = columns(time, FUNDAMENTAL_HZ * ORDERS)
    rows, amplitudes = rng.normal(size=(2, samples)), rng.normal(size=2 * ORDERS.size)
    weight = rng.uniform(size=samples)
    assert np.abs(waves.products(rows) - rows @ laid_out.T).max() < 1e-10
    assert np.abs(waves.summed(amplitudes) - amplitudes @ laid_out).max() < 1e-10
    assert np.abs(waves.normal() - laid_out @ laid_out.T).max() < 1e-10
    assert np.abs(waves.normal(weight) - (laid_out * weight) @ laid_out.T).max() < 1e-10
    lines_hz = np.array([50.0, 3 * FUNDAMENTAL_HZ, 3 * FUNDAMENTAL_HZ + 1e-7])
    crossed = waves.crossed(waves.of(time, lines_hz, 1.0))
    assert np.abs(crossed - laid_out @ columns(time, lines_hz).T).max() < 1e-10
