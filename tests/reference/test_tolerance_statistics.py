"""Published intervals and uncertainty examples (tests/data/tolerance_statistics.csv).

The table says for each row where it is printed and whether it was written from memory.
"""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np
import pytest
from bench_networks import network_of, position

from antecurve.analysis.intervals import clopper_pearson
from antecurve.parts.distributions import draw_block, part_source, standard_deviations
from antecurve.parts.log_histogram import LogHistogram
from antecurve.parts.scatter import part_table, position_box, position_values

with (Path(__file__).parent.parent / "data" / "tolerance_statistics.csv").open() as _file:
    ROWS = {row["id"]: row for row in csv.DictReader(_file)}
NEWCOMBE = [key for key in ROWS if re.fullmatch(r"G-CI \d+/\d+", key)]
YIELDS = [key for key in ROWS if re.fullmatch(r"G-YLD \d+/\d+", key)]
BLOCKS = 128  # 2**20 builds, more than the 1e6 of JCGM 101:2008, 7.2.2


def _counts(key: str) -> tuple[int, int]:
    successes, trials = key.split()[1].split("/")
    return int(successes), int(trials)


def _pair(text: str) -> tuple[float, float]:
    """The two numbers behind the name of the Clopper-Pearson interval."""
    match = re.search(r"(?:Clopper-Pearson|CP) \(([0-9.]+), ([0-9.]+)\)", text)
    assert match
    return float(match[1]), float(match[2])


def test_the_tables_hold_what_is_checked() -> None:
    assert len(NEWCOMBE) == 4 and len(YIELDS) == 7


@pytest.mark.parametrize("key", NEWCOMBE)
def test_intervals_of_newcombe(key: str) -> None:
    # R. G. Newcombe, Statist. Med. 17 (1998) 857-872, Table I: four printed decimals.
    low, high = _pair(ROWS[key]["published"])
    successes, trials = _counts(key)
    interval = clopper_pearson(successes, trials=trials)
    assert interval.low == pytest.approx(low, abs=0.5e-4)
    assert interval.high == pytest.approx(high, abs=0.5e-4)


@pytest.mark.parametrize("key", YIELDS)
def test_intervals_of_yields(key: str) -> None:
    # Recomputed with scipy's binomtest, eight printed decimals.
    low, high = _pair(ROWS[key]["recomputed"])
    successes, trials = _counts(key)
    interval = clopper_pearson(successes, trials=trials)
    assert interval.low == pytest.approx(low, abs=0.5e-8)
    assert interval.high == pytest.approx(high, abs=0.5e-8)


def test_no_failure_in_a_hundred() -> None:
    # "Rule of three", exact form 1 - 0.05**(1/n), one-sided 95 %: six printed decimals.
    exact = float(ROWS["G-rule3"]["recomputed"].split("=")[1])
    assert clopper_pearson(0, trials=100, confidence=0.90).high == pytest.approx(exact, abs=0.5e-6)


def _sums(deviations: tuple[float, ...]) -> np.ndarray:
    """Sums of rectangular quantities, each a resistor in one series chain, mean taken off."""
    values = [1000.0 * np.sqrt(3.0) * d for d in deviations]
    chains = [position("R1", ("in", "out"), *values, joined="series", tolerance=1e-3)]
    table = part_table(network_of(*chains, position("R2", ("out", "0"), 1.0)))
    source = part_source(table, distribution="uniform")
    np.testing.assert_allclose(
        (standard_deviations(source) * table.nominal)[: len(values)], deviations, rtol=1e-12
    )
    blocks = [position_values(table, draw_block(source, seed=1, block=b))[0] for b in range(BLOCKS)]
    return np.concatenate(blocks) - sum(values)


def test_sum_of_four_rectangular_quantities() -> None:
    # JCGM 101:2008, 9.2.3, Table 3: u = 2.00, 95 % interval [-3.88, 3.88] (analytic).
    sums = _sums((1.0, 1.0, 1.0, 1.0))
    assert sums.std() == pytest.approx(2.00, abs=0.005)
    low, high = np.quantile(sums, [0.025, 0.975])
    # Half a printed digit, and three standard deviations of a quantile of 2**20 draws, 0.006.
    assert low == pytest.approx(-3.88, abs=0.011)
    assert high == pytest.approx(3.88, abs=0.011)


def test_sum_with_one_dominant_rectangular_quantity() -> None:
    # JCGM 101:2008, 9.2.4, Table 4 (from memory): u = 10.1, 95 % interval [-17.0, 17.0]; the
    # exact u is sqrt(103) = 10.149.
    sums = _sums((1.0, 1.0, 1.0, 10.0))
    assert sums.std() == pytest.approx(10.149, abs=0.02)
    low, high = np.quantile(sums, [0.025, 0.975])
    assert low == pytest.approx(-17.0, abs=0.07)
    assert high == pytest.approx(17.0, abs=0.07)


def _corner_frequencies(distribution: str) -> np.ndarray:
    """Corner of R 1 %, C 5 % re nominal."""
    picked = network_of(
        position("R1", ("in", "out"), 1e3, tolerance=0.01),
        position("C1", ("out", "0"), 1e-7, tolerance=0.05),
    )
    table = part_table(picked)
    source = part_source(table, distribution=distribution)
    blocks = [draw_block(source, seed=1, block=b) for b in range(BLOCKS)]
    return np.concatenate([1e-4 / position_values(table, b).prod(axis=0) for b in blocks])


def test_corner_frequency_of_uniform_parts() -> None:
    # Rows G-RC-1: derived, 4e6 draws elsewhere; quantiles agree within 3 sigma of both, 1e-4.
    corners = _corner_frequencies("uniform")
    median, low, high = np.quantile(corners, [0.5, 0.025, 0.975])
    assert low == pytest.approx(0.95223, abs=1.5e-4)
    assert high == pytest.approx(1.05239, abs=1.5e-4)
    assert median == pytest.approx(1.00005, abs=2.5e-4)
    picked = network_of(
        position("R1", ("in", "out"), 1e3, tolerance=0.01),
        position("C1", ("out", "0"), 1e-7, tolerance=0.05),
    )
    ends = [1e-4 / side.prod() for side in position_box(part_table(picked))]
    assert ends[1] == pytest.approx(0.94295, abs=0.5e-5)
    assert ends[0] == pytest.approx(1.06326, abs=0.5e-5)


def test_corner_frequency_of_normal_parts() -> None:
    # Rows G-RC-2: u = 1.7010 %, 95 % interval 0.96773 to 1.03440, normal without a cut.  Cut at
    # 3 sigma the standard deviation is 0.98658 times that, and the interval 1 % narrower.
    corners = _corner_frequencies("normal")
    assert corners.std() == pytest.approx(0.98658 * 0.017010, rel=2e-3)
    low, high = np.quantile(corners, [0.025, 0.975])
    assert low == pytest.approx(0.96773, abs=5e-4)
    assert high == pytest.approx(1.03440, abs=5e-4)


def _tally(values: np.ndarray) -> LogHistogram:
    tally = LogHistogram(high=1e5)
    for part in np.array_split(values, 7):
        tally.add(part)
    return tally


def test_sum_of_four_normal_quantities() -> None:
    # JCGM 101:2008, 9.2.2, Table 2: 95 % interval [-3.92, 3.92], about 0, so that 95 % of the
    # magnitudes lie below 3.92.  Half a printed digit, and three standard deviations of the
    # quantile of 2**20 draws, 0.0075.
    assert "[-3.92, 3.92]" in ROWS["G-S1-9.2.2"]["published"]
    draws = np.random.default_rng(1).standard_normal((4, 2**20)).sum(axis=0)
    assert _tally(np.abs(draws)).quantile(0.95) == pytest.approx(3.92, abs=0.0125)


@pytest.mark.parametrize(
    ("first", "sigma"),
    # Standard deviation of the length from 2**20 draws, over 12 seeds [1e-6].
    [("0", 0.22), ("0.01", 0.3), ("0.05", 1.3)],
)
def test_a_comparison_loss(first: str, sigma: float) -> None:
    # JCGM 101:2008, 9.4.2, Table 7: Y = X1**2 + X2**2, u = 0.005 each; shortest 95 % intervals
    # in 1e-6.  The first two begin at 0; of the third the length is compared, since its place is
    # poorly determined by draws.
    published = ROWS[f"G-S1-9.4 x1={first}"]["published"]
    match = re.search(r"shortest \[([0-9]+), ([0-9]+)\]", published)
    assert match
    low, high = float(match[1]), float(match[2])
    one, other = 0.005 * np.random.default_rng(2).standard_normal((2, 2**20))
    tally = _tally(1e6 * ((float(first) + one) ** 2 + other**2))
    if low == 0.0:
        shortest = tally.quantile(0.95)
    else:
        starts = np.linspace(0.001, 0.049, 97)
        shortest = min(tally.quantile(a + 0.95) - tally.quantile(a) for a in starts)
    # A printed unit at either end, the standard deviation of the published draws and of these.
    assert shortest == pytest.approx(high - low, abs=1.0 + 3 * 2**0.5 * sigma)
