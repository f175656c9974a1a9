"""A large difference of clocks by pieces of a record, against resampling by Fourier lines."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import resample

from antecurve.judge.channel_alignment import aligned_channels
from antecurve.judge.clock_drift import coarse_difference

RATE_HZ = 48_000.0
PLAYED = np.random.default_rng(6).standard_normal(360_000)


@pytest.mark.parametrize("added", [-360, 180])
def test_noise_by_clocks_far_apart_is_laid_over_what_was_played(added: int) -> None:
    """1,000 and 500 ppm over 7.5 s: the delay over a whole record was blurred to nothing."""
    record = resample(PLAYED, PLAYED.size + added)
    record = record[: PLAYED.size] if added > 0 else np.pad(record, (0, -added))
    growth = added / PLAYED.size
    # Whole samples over pieces of a sixth of a second.
    assert coarse_difference(PLAYED, record, RATE_HZ) == pytest.approx(growth, abs=1e-5)
    channels = aligned_channels(
        PLAYED,
        record,
        rate_hz=RATE_HZ,
        flattening=lambda f: np.ones(f.size, dtype=complex),
        sweep=False,
        name="record",
    )
    assert channels.alignment.clock_ratio == pytest.approx(growth, abs=2e-8)


def test_noise_of_another_source_has_no_clock() -> None:
    other = np.random.default_rng(7).standard_normal(PLAYED.size)
    assert coarse_difference(PLAYED, other, RATE_HZ) == 0.0
