"""Values of a network of the user's own that make the curve, near those of the pick."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING

from antecurve.networks.centred_error import reference_gain
from antecurve.networks.topology import ElementKind, Topology

if TYPE_CHECKING:
    from antecurve.pipeline import Design
    from antecurve.synthesis.own_network import OwnSolution

__all__ = ["own_solution"]

_LEAST_OWN_SECONDS = 2.0  # exact values of six positions take one, all starts that fail six
_MOVES = 0.1  # of the largest exponent: a resistor that moves less would hold the others badly


def own_solution(design: Design) -> OwnSolution | None:
    """Solve a network of the user's own for its curve, at the level of the pick.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    OwnSolution or None
        Values that make the curve, exactly or as close as they come within the job's budget, 2 s
        at least, and what the curve leaves free; of that a resistor is as picked: one across the
        output, else the one that moves most.  ``None`` for a built-in form.
    """
    if "own" not in design._kept:
        design._kept["own"] = _solved_at_pick(design)
    solution: OwnSolution | None = design._kept["own"]
    return solution


def _solved_at_pick(design: Design) -> OwnSolution | None:
    job = design.job
    if job.network.elements is None:
        return None
    from antecurve.synthesis.own_network import solve_own_network

    topology = Topology("own", job.network.elements)
    budget = job.pick.budget_seconds
    remaining = None if budget is None else max(_LEAST_OWN_SECONDS, budget - design.search.seconds)
    solve = partial(
        solve_own_network, topology, job.curve, loading=job.loading,
        gain=reference_gain(design.network, loading=job.loading), band_hz=job.target.band_hz,
        most_seconds=remaining,
    )  # fmt: skip
    solution = solve()
    picked = {p.element.ref: p.value for p in design.picked.positions}
    moved: dict[str, float] = {}
    for direction in solution.free_directions if solution.exact else ():
        for ref, exponent in direction.changes:
            moved[ref] = max(moved.get(ref, 0.0), abs(exponent))
    least = _MOVES * max(moved.values(), default=math.inf)
    # A series resistor of a balanced network stands in both legs and is no position by itself.
    choice = [
        (set(e.nodes) == set(topology.output), moved[e.ref], e.ref)
        for e in topology.elements
        if e.kind is ElementKind.RESISTOR and e.ref in picked and moved.get(e.ref, 0.0) > least
    ]
    if not choice:
        return solution
    held = max(choice)[-1]
    at_pick = solve(held_resistance=picked[held], held_ref=held)
    return at_pick if at_pick.exact else solution
