"""The forms of a job side by side: the best of each, what is proved of it, or why there is none."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from antecurve.pick.branch_and_bound import Space
from antecurve.pick.model import NEPER_DB
from antecurve.pick.objective import FLOOR, resolution
from antecurve.pick.result import FormOutcome
from antecurve.pick.search_passes import Search
from antecurve.pick.shortlist import Contender

__all__ = ["compared"]


def compared(
    search: Search,
    best: Contender,
    finalists: Sequence[Contender] = (),
    *,
    proved: bool,
    objective_db: Callable[[Contender], float] = lambda c: c.centred_db,
) -> tuple[FormOutcome, ...]:
    """Compare the networks of a job.

    Parameters
    ----------
    search : Search
        A search that is done.
    best : Contender
        The pick.
    finalists : sequence of Contender, optional
        Where the parts scatter: combinations compared, of each network at least one where there
        is one.
    proved : bool
        Whether `best` is proved to have the smallest objective.
    objective_db : callable, optional
        What the job picks by [dB]; the centred error by default.

    Returns
    -------
    tuple of FormOutcome
        Networks first, the smallest first of what the job picks by, then the forms that can't make
        the curve.  Forms that are one network are one line with all their names.  Of networks
        other than the pick's it is the best that was met, which is proved where the search looked
        for the best of each.
    """
    outcomes: list[FormOutcome] = []
    for number, space in enumerate(search.spaces):
        names = ", ".join(space.forms)
        chosen = _best_of(search, space, best, finalists, objective_db)
        if chosen is None:
            outcomes.append(FormOutcome(names, reason="the search found no combination"))
            continue
        value_db = objective_db(chosen)
        bound = max(search.lower, search.lower_of.get(number, 0.0))
        error = value_db / NEPER_DB
        outcomes.append(
            FormOutcome(
                names, chosen.centred_db, chosen.p95_db(), chosen.parts, chosen.output_ohm,
                objective_db=value_db,
                lower_bound_db=min(bound * NEPER_DB, value_db),
                proved=(chosen is best and proved)
                or error <= max(bound + 2.0 * resolution(error), FLOOR),
            )
        )  # fmt: skip
    outcomes.sort(key=lambda outcome: (outcome.objective_db is None, outcome.objective_db or 0.0))
    refused = (FormOutcome(form, reason=text) for form, text in search.refused.items())
    return (*outcomes, *refused)


def _best_of(
    search: Search,
    space: Space,
    best: Contender,
    finalists: Sequence[Contender],
    objective_db: Callable[[Contender], float],
) -> Contender | None:
    """The pick where it is of this network, else the best of the network that was met."""
    if best.space.model is space.model:
        return best
    if not finalists:
        return search.best(space)
    own = (c for c in finalists if c.space.model is space.model)
    return min(own, key=objective_db, default=None)
