"""Dead zones in records of few periods and samples, by the stored study.

The records are simulated by partial fractions (`unfit_units`); the package shares nothing with it.
"""

from __future__ import annotations

from pause_study import PERIODS, SAMPLES, SEEDS, Row, stored_rows

ADVISED = 10_000  # samples of a record of 200 Hz


def _rows() -> list[Row]:
    rows = stored_rows()
    assert len({(r.periods, r.samples, r.seed) for r in rows}) == len(rows)
    assert len(rows) == len(PERIODS) * len(SAMPLES) * SEEDS
    return rows


def test_no_dead_zone_passes_without_a_word() -> None:
    """None of 80: at a rate of 4 % one run in 26 has none."""
    assert all(r.zone in ("said", "open") for r in _rows())


def test_no_linear_unit_is_said_to_have_one() -> None:
    """None of 80, and all pass."""
    assert all(r.linear in ("pass", "open") for r in _rows())


def test_dead_zones_are_said_where_records_tell() -> None:
    """Of what a pass excludes, the same record with a dead zone shows it: 58 of 58 but one."""
    clear = [r for r in _rows() if r.linear == "pass"]
    assert sum(r.zone != "said" for r in clear) <= 1
    full = [r for r in _rows() if r.samples >= ADVISED]
    assert all(r.zone == "said" for r in full)
    assert all(r.linear == "pass" for r in full if r.periods != 2.5)  # its edges lie alike


def test_captures_that_a_pass_names_tell() -> None:
    """All 22 show the zone, and all but one exclude it."""
    again = [r for r in _rows() if r.zone_again]
    assert len(again) >= 20
    assert all(r.zone_again == "said" for r in again)
    assert sum(r.linear_again != "pass" for r in again) <= 1
