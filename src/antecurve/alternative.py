"""An alternative of a design's shortlist made the pick."""

from __future__ import annotations

from dataclasses import replace

from antecurve.errors import InputError
from antecurve.pick.shortlist import with_first
from antecurve.pipeline import Design

__all__ = ["with_alternative"]


def with_alternative(design: Design, *, number: int) -> Design:
    """Make an alternative of the shortlist the pick.

    Parameters
    ----------
    design : Design
        A design with its shortlist.
    number : int
        Line of the shortlist, from 0, the pick itself.

    Returns
    -------
    Design
        The same job with that network; nothing is proved of it.

    Raises
    ------
    InputError
        When there is no such line, or the design is a stereo pair, picked together.
    """
    if not 0 <= number < len(design.shortlist):
        last = len(design.shortlist) - 1
        rule = f"there is no such line in the shortlist; choose 0 to {last}"
        raise InputError("alternative", number, rule)
    if design.second is not None:
        raise InputError("alternative", number, "the networks of a pair are picked together")
    chosen = design.shortlist[number]
    claim = (
        f"an alternative was chosen by hand: design error ±{chosen.centred_db:.4f} dB, "
        f"±{design.shortlist[0].centred_db:.4f} dB with the pick of the search"
    )
    return replace(
        design,
        picked=chosen.picked,
        shortlist=with_first(design.shortlist, number=number),
        search=replace(design.search, objective_db=chosen.centred_db, proved=False, claim=claim),
    )
