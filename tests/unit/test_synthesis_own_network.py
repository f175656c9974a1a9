"""A network of the user's own: exact where it can be, else least squares, free directions named."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.curves.model import Curve, response
from antecurve.errors import InputError, UnattainableError, WiringError
from antecurve.networks.centred_error import error_range
from antecurve.networks.compiled import transfer
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Element, ElementKind, Loading, Network, Topology
from antecurve.synthesis.exact import exact_network
from antecurve.synthesis.own_network import OwnSolution, solve_own_network

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR
LOADING = Loading(50.0, 47e3, 150e-12)
OPEN = Loading(50.0, 47e3, 0.0)
CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=[50e3])
BAND = (20.0, 20e3)


def _topology(*cards: str) -> Topology:
    elements = []
    for card in cards:
        ref, first, second = card.split()
        elements.append(Element(ref, R if ref.startswith("R") else C, (first, second)))
    return Topology("own", tuple(elements))


FOSTER = _topology("R1 in a", "C1 in a", "R2 a b", "C2 a b", "R3 b out", "R4 out 0")


def _solve(topology: Topology, loading: Loading = LOADING, **changes: object) -> OwnSolution:
    arguments: dict[str, object] = {"loading": loading, "gain": 0.01, "held_resistance": 500.0}
    return solve_own_network(topology, CURVE, **(arguments | changes))  # type: ignore[arg-type]


@pytest.mark.sweep(3)
@pytest.mark.parametrize("form", ["foster-2", "cauer-1", "cauer-2", "cauer-2-whole"])
@pytest.mark.parametrize("loading", [LOADING, OPEN])
def test_values_of_a_built_in_form_are_found_again(form: str, loading: Loading) -> None:
    known = exact_network(form, CURVE, loading=loading, gain=0.01, shunt_resistance=500.0)
    solution = _solve(known.network.topology, loading)
    assert solution.exact
    # Two paths in double precision to a well-determined solution.
    assert solution.network.values == pytest.approx(known.network.values, rel=1e-9)
    assert solution.extra_poles_s == pytest.approx(
        [known.load_pole_s] if known.load_pole_s else [], rel=1e-9
    )
    # Curve and level leave one direction, that of the impedances; a resistor was held for it.
    (scale,) = solution.free_directions
    assert len(scale.changes) == len(solution.network.values)
    assert abs(solution.level_error_db) < 1e-10


def test_pairs_may_come_out_in_either_order() -> None:
    known = exact_network("foster-1", CURVE, loading=OPEN, gain=0.01, shunt_resistance=500.0)
    solution = _solve(FOSTER, OPEN)
    assert sorted(solution.network.values) == pytest.approx(sorted(known.network.values), rel=1e-9)


def test_free_directions_leave_the_response_alone() -> None:
    solution = _solve(FOSTER, OPEN, held_resistance=None)
    assert solution.exact
    (direction,) = solution.free_directions
    assert {ref for ref, _ in direction.changes} == set(FOSTER.refs)
    assert "R4 by" in direction.text
    step = 1e-5
    exponents = dict(direction.changes)
    moved = solution.network.values * np.exp([step * exponents[ref] for ref in FOSTER.refs])
    frequency = np.geomspace(1, 1e6, 31)
    before = transfer(solution.network, frequency, loading=OPEN)
    after = transfer(Network(FOSTER, moved), frequency, loading=OPEN)
    # First order vanishes: what is left is of the order of the step squared.
    assert np.abs(after / before - 1).max() < 1e-8
    # Any one value alone does change it.
    alone = solution.network.values.copy()
    alone[0] *= 1 + step
    changed = transfer(Network(FOSTER, alone), frequency, loading=OPEN)
    assert np.abs(changed / before - 1).max() > 1e-6


def test_a_bridged_network_that_no_form_has_is_solved_exactly() -> None:
    bridged = _topology(
        "R1 in a", "C1 in a", "R2 a out", "C2 a out", "R3 in out", "R4 a 0", "R5 out 0"
    )
    solution = _solve(bridged)
    assert solution.exact
    assert solution.residual_db < 0.001  # the load's pole alone
    frequency = np.geomspace(1, 1e6, 31)
    wanted = 0.01 * np.abs(response(CURVE, frequency))
    for pole in solution.extra_poles_s:
        wanted = wanted / np.hypot(1, 2 * np.pi * frequency * pole)
        wanted = wanted * np.hypot(1, 2e3 * np.pi * pole)
    assert np.abs(transfer(solution.network, frequency, loading=LOADING)) == pytest.approx(
        wanted, rel=1e-9
    )


def test_a_zero_that_is_also_a_pole_counts_for_nothing() -> None:
    bare = _topology("R1 in a", "C1 in a", "R2 a out", "R3 out 0")
    curve = Curve("own", (318e-6, 75e-6), (318e-6, 3.18e-6))
    solution = solve_own_network(bare, curve, loading=OPEN, gain=0.01, held_resistance=500.0)
    assert solution.exact
    with pytest.raises(UnattainableError, match="cancel"):
        solve_own_network(bare, Curve("own", (75e-6,), (75e-6,)), loading=OPEN, gain=0.01)


@pytest.mark.seldom
def test_too_few_elements_are_fitted_and_the_residual_reported() -> None:
    simple = _topology("R1 in a", "C1 in a", "R2 a out", "R3 out 0")
    solution = _solve(simple)
    assert not solution.exact
    assert solution.extra_poles_s == ()
    assert solution.residual_db == pytest.approx(
        error_range(
            solution.network, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND)
        ).centred_db
    )
    assert solution.network.values[3] == pytest.approx(500.0, rel=1e-12)
    # An independent check that the fit is a minimum: a search without slopes, started from it
    # and from values around it, finds no smaller centred error.  The fit looks at 12
    # frequencies a decade, between which the error may be larger by a small part.
    rng = np.random.default_rng(1)
    start = np.log(solution.network.values[:3])
    for size in (0.0, 0.02, 0.1):
        search = minimize(
            lambda x: _centred(Network(simple, np.r_[np.exp(x), 500.0])),
            start + size * rng.normal(size=3),
            method="Nelder-Mead",
            options={"xatol": 1e-7, "fatol": 1e-9, "maxfev": 2000},
        )
        assert search.fun >= solution.residual_db * (1 - 1e-3)


def _centred(network: Network) -> float:
    frequency = np.geomspace(*BAND, 301)
    wanted = 0.01 * np.abs(response(CURVE, frequency))
    error = 20 * np.log10(np.abs(transfer(network, frequency, loading=LOADING)) / wanted)
    return float(np.ptp(error)) / 2


@pytest.mark.seldom
def test_the_same_seed_gives_the_same_values() -> None:
    bridged = _topology("R1 in a", "C1 a out", "R2 in out", "C2 in out", "R3 out 0")
    one, other = _solve(bridged, seed=3), _solve(bridged, seed=3)
    assert one.network.values.tolist() == other.network.values.tolist()


def test_the_resistor_to_hold_can_be_named() -> None:
    solution = _solve(FOSTER, OPEN, held_resistance=1500.0, held_ref="R3")
    assert solution.network.value("R3") == 1500.0
    with pytest.raises(InputError, match="the resistors are R1, R2, R3, R4"):
        _solve(FOSTER, held_ref="R9")


def test_refusals() -> None:
    with pytest.raises(WiringError, match="no element touches the node out"):
        _solve(_topology("R1 in a", "R2 a 0"))
    with pytest.raises(InputError, match=r"target\.level"):
        _solve(FOSTER, gain=1.0)
    with pytest.raises(InputError, match="starts"):
        _solve(FOSTER, starts=0)
    with pytest.raises(InputError, match="held_resistance"):
        _solve(FOSTER, held_resistance=-1.0)
    with pytest.raises(UnattainableError, match="low_end_bound"):
        solve_own_network(FOSTER, named_curve("disc-amended"), loading=LOADING, gain=0.01)


def test_a_time_that_is_over_leaves_one_start_and_says_so() -> None:
    """Of a network that can't make the curve all starts would be tried."""
    far = _topology("R1 in out", "C1 out 0", "R2 out 0")
    hurried = _solve(far, most_seconds=0.0)
    assert not hurried.exact
    assert (hurried.starts, hurried.stopped) == (1, True)
    assert not _solve(far).stopped
