"""The forms of a job side by side: the best of each that the search met, or why there is none."""

from __future__ import annotations

from antecurve.pick.builds import spread_percentile
from antecurve.pick.proof import Search
from antecurve.pick.result import FormOutcome
from antecurve.pick.shortlist import Contender

__all__ = ["compared"]

_BUILDS = 2000


def compared(search: Search, best: Contender) -> tuple[FormOutcome, ...]:
    """Return one line per form of a job.

    Parameters
    ----------
    search : Search
        A search that is done.
    best : Contender
        The pick.

    Returns
    -------
    tuple of FormOutcome
        Forms with a network first, smallest error first, then those that can't make the curve.
        Only the pick is proved; of the other forms it is the best met on the way, which the
        proof shows to be no better than the pick.
    """
    found: list[FormOutcome] = []
    for space in search.spaces:
        own = [c for c in search.pool if c.space.model is space.model]
        if best.space.model is space.model:
            own.append(best)
        chosen = min(own, key=Contender.tie_key, default=None)
        if best.space.model is space.model:
            chosen = best
        for form in space.forms:
            if chosen is None:
                found.append(FormOutcome(form, reason="no combination of the parts was met"))
                continue
            picked = chosen.space.picked(chosen.indices)
            found.append(
                FormOutcome(
                    form,
                    chosen.centred_db,
                    spread_percentile(picked, search.job, builds=_BUILDS),
                    chosen.parts,
                    chosen.output_ohm,
                )
            )
    found.sort(key=lambda f: (f.centred_db is None, f.centred_db or 0.0))
    refused = (FormOutcome(form, reason=text) for form, text in search.refused.items())
    return (*found, *refused)
