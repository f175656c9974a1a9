"""Tops that an output lacks: those of noise cut by numpy, bent, or with clicks and noise on it."""

from __future__ import annotations

import numpy as np
import pytest

from antecurve.judge.lost_tops import lost_tops

RATE_HZ = 96_000.0
RNG = np.random.default_rng(5)
PLAYED = RNG.standard_normal(200_000)
PEAK = float(np.abs(PLAYED).max())
NOISE = RNG.standard_normal(PLAYED.size)


@pytest.mark.parametrize("share", [0.87, 0.75])
@pytest.mark.parametrize("clicks", [0, 3])
def test_noise_that_is_cut_stops_at_its_limit(share: float, clicks: int) -> None:
    """At 0.92 of its peak one sample of 200,000 is cut, as a click may do."""
    output = np.clip(PLAYED, -share * PEAK, share * PEAK) + 1e-3 * PEAK * NOISE
    output[np.arange(clicks) * 20_000 + 5] = 1.2 * PEAK
    told = lost_tops(output, PLAYED, rate_hz=RATE_HZ)
    assert told is not None
    assert abs(told.level) == pytest.approx(share * PEAK, rel=0.01)


@pytest.mark.parametrize(
    "output",
    [
        PLAYED + 1e-3 * PEAK * NOISE,
        PLAYED + 0.1 * PEAK * NOISE,
        PEAK * np.arctan(0.7 * PLAYED / PEAK) / 0.7 + 1e-3 * PEAK * NOISE,
        np.where(np.arange(PLAYED.size) == np.argmax(PLAYED), 0.0, PLAYED) + 1e-3 * NOISE,
    ],
    ids=["quiet", "noisy", "compressed by 14 %", "one sample off"],
)
def test_what_follows_to_its_end_is_not_cut(output: np.ndarray) -> None:
    assert lost_tops(output, PLAYED, rate_hz=RATE_HZ) is None
