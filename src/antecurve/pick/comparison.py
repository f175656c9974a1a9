"""The forms of a job side by side: the best of each that the search met, or why there is none."""

from __future__ import annotations

from collections.abc import Sequence

from antecurve.pick.builds import spread_percentile
from antecurve.pick.proof import Search
from antecurve.pick.result import FormOutcome
from antecurve.pick.shortlist import Contender

__all__ = ["compared"]

_LOOKED_AT = 24


def compared(
    search: Search, best: Contender, ranked: Sequence[Contender] = ()
) -> tuple[FormOutcome, ...]:
    """Return one line per network of a job.

    Parameters
    ----------
    search : Search
        A search that is done.
    best : Contender
        The pick.
    ranked : sequence of Contender, optional
        Combinations found good by percentile over builds.

    Returns
    -------
    tuple of FormOutcome
        Networks first, the smallest first of what the job picks by (error, or 95th percentile
        over builds), then the forms that can't make the curve.  Forms that are one network are
        one line with all their names.  Only the pick is proved; of the
        other networks it is the best met on the way, by percentile the best of
        those ranked and of the 24 with the smallest errors.
    """
    by_build = search.job.pick.pick_by == "build"
    found: list[FormOutcome] = []
    for space in search.spaces:
        names = ", ".join(space.forms)
        if best.space.model is space.model:
            chosen = [best]
        else:
            own = [c for c in search.pool if c.space.model is space.model]
            chosen = sorted(own, key=Contender.tie_key)[: _LOOKED_AT if by_build else 1]
            chosen += [c for c in ranked if c.space.model is space.model]
        outcomes = [_outcome(names, contender, search) for contender in chosen]
        if not outcomes:
            outcomes = [FormOutcome(names, reason="no combination of the parts was met")]
        found.append(min(outcomes, key=lambda f: _key(f, by_build)))
    found.sort(key=lambda f: _key(f, by_build))
    refused = (FormOutcome(form, reason=text) for form, text in search.refused.items())
    return (*found, *refused)


def _key(outcome: FormOutcome, by_build: bool) -> tuple[bool, float]:
    """What outcomes are sorted by: networks first, then what the job picks by."""
    figure = outcome.spread_p95_db if by_build else outcome.centred_db
    return figure is None, figure or 0.0


def _outcome(names: str, chosen: Contender, search: Search) -> FormOutcome:
    """What one combination comes to."""
    return FormOutcome(
        names,
        chosen.centred_db,
        spread_percentile(chosen.space.picked(chosen.indices), search.job),
        chosen.parts,
        chosen.output_ohm,
    )
