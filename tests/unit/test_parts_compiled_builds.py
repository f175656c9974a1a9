"""Compiled loops over builds say what the plain way says; without their extra they run slowly."""

from __future__ import annotations

import numpy as np
import pytest

from antecurve.analysis.spread import spread
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.job import default_job
from antecurve.networks.balanced import balanced_network
from antecurve.networks.build_program import BuildProgram, build_program
from antecurve.networks.topology import Topology
from antecurve.parts import builds as builds_module
from antecurve.parts import compiled_builds as loops_module
from antecurve.parts.builds import Builds, builds_of
from antecurve.parts.compiled_builds import CompiledBuilds
from antecurve.parts.distributions import draw_block
from antecurve.parts.position import Part, PickedNetwork, Position
from antecurve.pipeline import Design
from antecurve.synthesis.exact import exact_network, form_names

BUILDS = 128  # one strip


def _drawn(design: Design) -> Builds:
    job = design.job
    return builds_of(
        design.picked, curve=job.curve, loading=job.loading, band_hz=job.target.band_hz, seed=3
    )


def _parts(drawn: Builds, channel: int = 0) -> np.ndarray:
    drawn_parts = draw_block(drawn.source, seed=3, block=0, channel=channel)
    return np.ascontiguousarray(drawn_parts[:, :BUILDS])


def _run(program: BuildProgram, parts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What the steps mean, on whole arrays."""
    rows = np.repeat(program.constants[:, None], parts.shape[1], axis=1)
    rows[: len(parts)] = parts
    for does, to, one, other in program.steps:
        value = rows[one] * rows[other] if does < 3 else 1.0 / rows[one]
        rows[to] = value if does in (0, 3) else rows[to] + (-value if does == 2 else value)
    return rows[list(program.numerator)], rows[list(program.denominator)]


@pytest.mark.parametrize("form", form_names())
@pytest.mark.parametrize("balanced", [False, True])
def test_steps_make_the_coefficients_of_every_form(form: str, balanced: bool) -> None:
    job = default_job()
    poles = (50e3, 200e3) if form.startswith("output-capacitor") else (50e3,)
    curve = with_limits(named_curve("disc"), ultrasonic_poles_hz=poles)
    exact = exact_network(form, curve, loading=job.loading, gain=1e-3, shunt_resistance=300.0)
    network = balanced_network(exact.network) if balanced else exact.network
    picked = _picked(network.topology, network.values)
    drawn = builds_of(picked, curve=curve, loading=job.loading, band_hz=(20.0, 20e3), seed=3)
    parts = _parts(drawn)
    table = drawn.source.table
    program = build_program(
        picked.topology, loading=job.loading, positions=table.positions, adds=table.adds
    )
    expected = drawn.block(0)
    for made, coefficients in zip(
        _run(program, parts), (expected.numerator, expected.denominator), strict=True
    ):
        np.testing.assert_allclose(made, coefficients[:BUILDS].T, rtol=1e-12)


def _picked(topology: Topology, values: np.ndarray) -> PickedNetwork:
    """Every second position two joined parts, in series and in parallel by turns."""
    positions = []
    for number, (element, value) in enumerate(zip(topology.elements, values, strict=True)):
        whole = (Part(float(value), 0.01),)
        two = (Part(float(value) / 2.0, 0.01), Part(float(value) / 3.0, 0.02))
        joined = ("single", "series", "single", "parallel")[number % 4]
        positions.append(Position(element, whole if joined == "single" else two, joined))
    return PickedNetwork(topology, tuple(positions))


@pytest.mark.seldom
def test_loops_say_what_the_plain_way_says(default_design: Design) -> None:
    drawn = _drawn(default_design)
    parts, others = _parts(drawn), _parts(drawn, 1)
    loops = CompiledBuilds(drawn.source.table, drawn.evaluator)
    centred, level = loops.measured(parts)
    plain = next(iter(drawn.measured(BUILDS)))
    _assert_alike(centred, plain.centred_db)
    np.testing.assert_allclose(level, plain.level_db, rtol=1e-10)
    level, largest = loops.mismatch(parts, others)
    apart = next(iter(drawn.mismatches(BUILDS)))
    np.testing.assert_allclose(level, apart.level_db, atol=1e-10)
    _assert_alike(largest, apart.largest_db)


def _assert_alike(these: np.ndarray, others: np.ndarray) -> None:
    """13 frequencies a decade tell 40 a decade to 3e-5; of two peaks alike the lower may count."""
    apart = np.abs(these / others - 1.0)
    assert apart.max() < 1.0 / 700.0
    assert np.quantile(apart, 0.9) < 3e-5


@pytest.mark.seldom
def test_loops_give_the_same_result(
    default_design: Design, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("numba", reason="the extra fast is not there")
    job = default_design.job
    options = {"builds": 20_000, "pairs": 9_000, "limit_db": 0.1, "workers": 2}
    plain = spread(default_design.picked, job.conditions, **options)
    monkeypatch.setattr(builds_module, "WORTH_COMPILING", 1)
    used: list[CompiledBuilds | None] = []
    ready = loops_module.compiled_builds
    monkeypatch.setattr(
        builds_module, "compiled_builds", lambda *given: used.append(ready(*given)) or used[-1]
    )
    fast = spread(default_design.picked, job.conditions, **options)
    assert fast.mismatch.pairs == 9_000
    assert len(used) == 2 and None not in used
    for one, other in ((plain, fast), (plain.mismatch, fast.mismatch)):
        assert _rounded(one) == _rounded(other)


def _rounded(result) -> str:  # type: ignore[no-untyped-def]
    """A result to five digits: three are printed."""

    def to_five(value: object) -> object:
        if isinstance(value, dict):
            return {k: to_five(v) for k, v in value.items()}
        if isinstance(value, list):
            return [to_five(v) for v in value]
        return f"{value:.4g}" if isinstance(value, float) else value

    return repr(to_five(result.to_dict()))
