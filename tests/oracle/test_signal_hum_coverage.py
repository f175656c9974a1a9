"""Intervals from two-channel records under hum, by kind of signal, from the stored study."""

from __future__ import annotations

import pytest
from signal_coverage import KINDS, REFUSED, TIME_CONSTANTS, held
from signal_hum_coverage import LEAST_HELD, RECORDS, stored

ROWS = {kind: [r for (of, _), own in stored().items() if of == kind for r in own] for kind in KINDS}


@pytest.mark.parametrize("kind", KINDS)
def test_intervals_hold_under_hum(kind: str) -> None:
    """As many as 95 % of 72 time constants are in 999 of 1,000 studies; the curve at 95 %."""
    refused = sum(row[0] == REFUSED for row in ROWS[kind])
    inside, total = held(ROWS[kind], TIME_CONSTANTS)
    assert total == 3 * (RECORDS - refused)
    assert inside >= LEAST_HELD
    within, points = held(ROWS[kind], ("deviation_db",))
    assert within >= 0.95 * points
    assert refused == 0
