"""The forms of a job side by side: the best of each that the search met, or why there is none."""

from __future__ import annotations

from collections.abc import Sequence

from antecurve.pick.result import FormOutcome
from antecurve.pick.search_passes import Search
from antecurve.pick.shortlist import Contender

__all__ = ["compared"]


def compared(
    search: Search, best: Contender, finalists: Sequence[Contender] = ()
) -> tuple[FormOutcome, ...]:
    """Compare the networks of a job.

    Parameters
    ----------
    search : Search
        A search that is done.
    best : Contender
        The pick.
    finalists : sequence of Contender, optional
        Of a pick by build: combinations simulated with all builds, of each network at least one
        where there is one.

    Returns
    -------
    tuple of FormOutcome
        Networks first, the smallest first of what the job picks by (error, or 95th percentile
        over builds), then the forms that can't make the curve.  Forms that are one network are
        one line with all their names.  Of networks other than the pick's it is the best that was
        met on the way.
    """
    outcomes: list[FormOutcome] = []
    for space in search.spaces:
        names = ", ".join(space.forms)
        own = [c for c in finalists or search.pool if c.space.model is space.model]
        chosen = best
        if best.space.model is not space.model:
            if not own:
                reason = "no combination of the parts was met"
                outcomes.append(FormOutcome(names, reason=reason))
                continue
            chosen = min(own, key=Contender.p95_db if finalists else Contender.tie_key)
        outcomes.append(
            FormOutcome(names, chosen.centred_db, chosen.p95_db(), chosen.parts, chosen.output_ohm)
        )
    outcomes.sort(key=lambda outcome: _key(outcome, by_build=bool(finalists)))
    refused = (FormOutcome(form, reason=text) for form, text in search.refused.items())
    return (*outcomes, *refused)


def _key(outcome: FormOutcome, *, by_build: bool) -> tuple[bool, float]:
    """What outcomes are sorted by: networks first, then what the job picks by."""
    figure = outcome.spread_p95_db if by_build else outcome.centred_db
    return figure is None, figure or 0.0
