"""Two networks for a stereo pair, picked together from parts of which each can be used once."""

from __future__ import annotations

from collections import Counter

import numpy as np

from antecurve.errors import NoCombinationError
from antecurve.pick.finish import report, with_exact
from antecurve.pick.model import NEPER_DB
from antecurve.pick.proof import Search, tie_limit
from antecurve.pick.result import PickResult
from antecurve.pick.shortlist import Contender, shortlist

__all__ = ["pick_pair"]

_STEP = 1.5
_MOST_LISTED = 20_000
_MOST_STEPS = 30


def pick_pair(search: Search, best: Contender, complete: bool) -> PickResult:
    """Return two networks of one form whose worse one is as good as can be.

    Parameters
    ----------
    search : Search
        A search that has found the best single network.
    best : Contender
        The best single network.
    complete : bool
        Whether that is proved.

    Returns
    -------
    PickResult
        The pair; `search.objective_db` is the larger of the two errors.

    Raises
    ------
    NoCombinationError
        When the parts on hand don't make two networks.

    Notes
    -----
    All combinations with a centred error within a window are listed, smallest first.  The first one
    that goes with some earlier one (no part used more often than there is of it) is the worse one
    of the best pair; among its partners the one whose level differs least over the band is taken.
    The window grows until there is one.
    """
    window, whole = tie_limit(best), complete
    listed = [c for c in search.pool if c.centred_db / NEPER_DB <= window]
    pair: tuple[Contender, Contender] | None = None
    for _ in range(_MOST_STEPS):
        found = search.run(window, keep_all=True)
        whole = found.complete
        listed = found.contenders or listed
        pair = _first_pair(listed)
        if pair is not None or not whole or len(listed) > _MOST_LISTED:
            break
        search.lower = window
        window *= _STEP
    if pair is None:
        pair = _first_pair(sorted(search.pool, key=Contender.tie_key))
        whole = False
    if pair is None:
        raise NoCombinationError(
            "pick.sets",
            "the parts on hand make one network but no second one beside it; add parts or "
            "allow a series beside the drawer",
        )
    better, worse = pair
    if whole:
        search.lower = worse.centred_db / NEPER_DB
    claim = "no two networks from these parts have a smaller worse error" if whole else ""
    done = report(search, worse.centred_db, whole, claim)
    entries = shortlist(better, search.pool, search.job)
    return PickResult(
        with_exact(better), done, entries, with_exact(worse), _mismatch_db(better, worse)
    )


def _uses(contender: Contender) -> Counter[tuple[str, int]]:
    used: Counter[tuple[str, int]] = Counter()
    for place, index in zip(contender.space.places, contender.indices, strict=True):
        for part in place.uses(int(index)):
            used[(place.kind.value, part)] += 1
    return used


def _first_pair(ordered: list[Contender]) -> tuple[Contender, Contender] | None:
    """The pair whose later member comes first, and its best-matched partner."""
    uses: list[Counter[tuple[str, int]]] = []
    for number, worse in enumerate(ordered):
        own = _uses(worse)
        uses.append(own)
        quantity = {p.kind.value: p.quantity for p in worse.space.places}
        partners = [
            other
            for other, used in zip(ordered[: number + 1], uses, strict=True)
            if other.space.model.topology == worse.space.model.topology
            and all(own[k] + used[k] <= quantity[k[0]][k[1]] for k in own if k in used)
        ]
        if partners:
            return min(partners, key=lambda other, w=worse: _mismatch_db(other, w)), worse  # type: ignore[misc]
    return None


def _mismatch_db(one: Contender, other: Contender) -> float:
    """Largest difference of levels over the band, each re 1 kHz [dB]."""
    rows = [c.space.model.rows(c.space.values(c.indices[None]))[0] for c in (one, other)]
    shapes = [r[:-1] - r[-1] for r in rows]
    return float(np.abs(shapes[0] - shapes[1]).max()) * NEPER_DB
