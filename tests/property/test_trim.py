"""The advice on trimming against trying everything, by draws of the test's own.

The two count with different draws.  Differences between percentiles of like networks over 2,000
draws hold to about 1 %, and the search promises the best to 0.5 %: together 2 %.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from bench_networks import BAND, DISC, LOADING

from antecurve.algebra.transfer_function import squared_powers
from antecurve.analysis.meter import MeterAccuracy
from antecurve.analysis.trim import LEAST_GAIN, LEAST_GAIN_DB, TrimProposal, trim
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.curves.model import Curve, response
from antecurve.job import Job, NetworkRequest, Stock, Target
from antecurve.networks.compiled import loaded_coefficients
from antecurve.networks.topology import ElementKind
from antecurve.parts.position import Part, PickedNetwork, Position
from antecurve.parts.series import series_values
from antecurve.synthesis.exact import exact_network, form_names

WITHIN = 0.02
DRAWS = 2000
FREQUENCY = np.geomspace(*BAND, 31)
TWO_POLES = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3, 200e3))
METER = MeterAccuracy(0.002, 0.005)
SHUNT = 500.0  # ohm across the output, as in the starter job

Parts = Sequence[tuple[float, float]]  # value and tolerance


@dataclass(frozen=True)
class Change:
    """A position, its parts afterwards (first what was there), and whether values add."""

    position: int
    parts: Parts
    adds: bool

    @property
    def value(self) -> float:
        values = [value for value, _ in self.parts]
        return sum(values) if self.adds else 1.0 / sum(1.0 / v for v in values)


def build(
    form: str, series: str, rng: np.random.Generator, *, measured: float = 1.0
) -> tuple[PickedNetwork, Job, dict[str, float]]:
    """A network of nearest values of a series, some of its parts measured within tolerance."""
    curve = TWO_POLES if form.startswith("output-capacitor") else DISC
    exact = exact_network(form, curve, loading=LOADING, gain=0.01, shunt_resistance=SHUNT)
    job = Job(
        curve,
        loading=LOADING,
        target=Target(level_tolerance_db=6.0),
        network=NetworkRequest(),
        resistors=Stock(series, 0.01, (10.0, 1e6), 1, ("series", "parallel")),
        capacitors=Stock("E12", 0.025, (100e-12, 470e-9), 1, ("parallel",)),
    )
    positions, values = [], {}
    for element, value in zip(exact.network.topology.elements, exact.network.values, strict=True):
        stock = job.resistors if element.kind is ElementKind.RESISTOR else job.capacitors
        known = series_values(str(stock.series), low=1e-13, high=1e8)
        near = float(known[np.abs(np.log(known / value)).argmin()])
        positions.append(Position(element, (Part(near, stock.tolerance),)))
        if rng.random() < measured:
            values[element.ref] = near * (1.0 + stock.tolerance * rng.uniform(-1.0, 1.0))
    return PickedNetwork(exact.network.topology, tuple(positions)), job, values


def every_change(
    picked: PickedNetwork, job: Job, measured: dict[str, float]
) -> Iterator[list[Change]]:
    """All changes of each position, from the definition; the first leaves it as it is."""
    for index, position in enumerate(picked.positions):
        resistor = position.element.kind is ElementKind.RESISTOR
        stock = job.resistors if resistor else job.capacitors
        low, high = stock.value_range
        known = series_values(str(stock.series), low=low, high=high)
        new = [(float(value), stock.tolerance) for value in known]
        ref = position.element.ref
        meter = METER.resistors if resistor else METER.capacitors
        there = (measured[ref], meter) if ref in measured else (position.value, stock.tolerance)
        changes = [Change(index, [there], True)]
        changes += [Change(index, [(0.0, 0.0), part], True) for part in new]
        if ref in measured:
            for joined in stock.join:
                adds = (joined == "series") == resistor
                changes += [Change(index, [there, part], adds) for part in new]
        yield changes


class Counted:
    """Percentiles of the centred error by the same draws for every set of changes."""

    def __init__(
        self, picked: PickedNetwork, curve: Curve, present: list[Change], seed: int
    ) -> None:
        self.curve_db = 20.0 * np.log10(np.abs(response(curve, FREQUENCY)))
        rng = np.random.default_rng(seed)
        self.topology = picked.topology
        self.draws = rng.uniform(-1.0, 1.0, (len(present), 3, DRAWS))
        self.base = np.stack([self.drawn(change) for change in present])
        self.nominal = np.array([change.value for change in present])

    def drawn(self, change: Change) -> np.ndarray:
        parts = [
            value * (1.0 + tolerance * u)
            for (value, tolerance), u in zip(
                change.parts, self.draws[change.position], strict=False
            )
            if value
        ]
        return sum(parts) if change.adds else 1.0 / sum(1.0 / p for p in parts)

    def errors(self, values: np.ndarray, each: int = 1) -> np.ndarray:
        """Centred errors of networks, shape (networks, elements) to (networks,).

        At every so many of the frequencies alone they are no larger.
        """
        coefficients = loaded_coefficients(self.topology, values, loading=LOADING)
        power = coefficients.magnitude_squared()
        top, bottom = power.numerator, power.denominator
        powers = squared_powers(FREQUENCY[::each], max(top.shape[-1], bottom.shape[-1]))
        ratio = (top @ powers[: top.shape[-1]]) / (bottom @ powers[: bottom.shape[-1]])
        return np.ptp(10.0 * np.log10(ratio) - self.curve_db[::each], axis=-1) / 2.0

    def percentile(self, changes: Sequence[Change], *, limit: float = np.inf) -> float:
        """The 95th percentile, or a lower bound of it that is no less than the limit."""
        values = self.base.copy()
        for change in changes:
            values[change.position] = self.drawn(change)
        bound = float(np.quantile(self.errors(values.T, each=6), 0.95))
        return bound if bound >= limit else float(np.quantile(self.errors(values.T), 0.95))

    def best(self, sets: Iterator[tuple[Change, ...]], now: float) -> float:
        """The smallest percentile of all sets, those looked at whose error could allow it.

        Half of all draws have at least the nominal error, to first order: a 95th percentile
        does not fall below it by a tenth.
        """
        every = list(sets)
        nominal = np.repeat(self.nominal[None], len(every), axis=0)
        for row, changes in zip(nominal, every, strict=True):
            for change in changes:
                row[change.position] = change.value
        error = np.concatenate([self.errors(n) for n in np.array_split(nominal, 64)])
        lowest = now
        for k in np.argsort(error):
            if 0.9 * error[k] > lowest:
                break
            lowest = min(lowest, self.percentile(every[k], limit=lowest))
        return lowest


def as_changes(proposal: TrimProposal, refs: Sequence[str]) -> list[Change]:
    """A proposal in the test's own terms."""
    changes = []
    for change in proposal.changes:
        after = change.position
        adds = after.joined == "single" or (after.joined == "series") == change.ref.startswith("R")
        parts = [(part.value, part.tolerance) for part in after.parts]
        if len(parts) == 1:
            parts.insert(0, (0.0, 0.0))
        changes.append(Change(refs.index(change.ref), parts, adds))
    return changes


def check_best(
    picked: PickedNetwork, job: Job, measured: dict[str, float], *, most: int, seed: int
) -> None:
    ways = list(every_change(picked, job, measured))
    counted = Counted(picked, job.curve, [changes[0] for changes in ways], seed)
    result = trim(picked, job, measured=measured, meter=METER, most_changes=most)
    now = counted.percentile([])
    assert result.before.p95_db == pytest.approx(now, rel=0.05)
    reached = now
    for count in range(1, most + 1):
        sets: Iterator[tuple[Change, ...]] = itertools.chain.from_iterable(
            itertools.product(*(ways[i][1:] for i in indices))
            for indices in itertools.combinations(range(len(ways)), count)
        )
        best = counted.best(sets, reached)
        proposals = [p for p in result.proposals if len(p.changes) == count]
        least = max(LEAST_GAIN * reached, LEAST_GAIN_DB)
        if proposals:
            reached = counted.percentile(as_changes(proposals[0], picked.topology.refs))
            assert proposals[0].p95_db == pytest.approx(reached, rel=0.05)
            assert reached <= best * (1.0 + WITHIN) + 1e-4
        else:
            assert reached - best <= least + WITHIN * reached
        assert result.searches[count - 1].proved


@pytest.mark.sweep(6)
@pytest.mark.parametrize(
    ("form", "series"), list(zip(form_names(), itertools.cycle(("E24", "E48", "E96", "E96"))))
)
def test_the_best_single_change(form: str, series: str) -> None:
    seed = list(form_names()).index(form)
    rng = np.random.default_rng(seed)
    picked, job, measured = build(form, series, rng, measured=0.8)
    check_best(picked, job, measured, most=1, seed=seed + 100)


@pytest.mark.sweep(1)
@pytest.mark.parametrize("form", ["foster-1", "cauer-2", "cascade-long-first"])
def test_the_best_pair_of_changes(form: str) -> None:
    """Of a small stock, so that all pairs can be looked at: about 150,000 of each form."""
    rng = np.random.default_rng(len(form))
    picked, job, measured = build(form, "E12", rng, measured=0.8)
    small = replace(
        job,
        resistors=replace(job.resistors, value_range=(100.0, 470e3)),
        capacitors=replace(job.capacitors, value_range=(100e-12, 10e-9)),
    )
    check_best(picked, small, measured, most=2, seed=len(form))
