"""Two networks for a stereo pair, picked together from parts of which each can be used once."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import NoCombinationError
from antecurve.networks.topology import ElementKind
from antecurve.pick.branch_and_bound import Space
from antecurve.pick.comparison import compared
from antecurve.pick.model import NEPER_DB
from antecurve.pick.outcome import report, with_exact
from antecurve.pick.result import PickResult
from antecurve.pick.search_passes import Search
from antecurve.pick.shortlist import Contender, shortlist, tie_limit

__all__ = ["pick_pair"]

_MOST_LOOKED_AT = 3000  # each is compared with all before it: the time grows with the square
_STEP = 1.6  # growth of a window: of what is listed in vain little is listed twice
_WIDEST = 2.0  # Np: no network that far off is of use


def pick_pair(search: Search, best: Contender, complete: bool) -> PickResult:
    """Pick two networks of one form whose worse one is as good as can be.

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
    The best network out of the parts that the best one leaves makes a pair with it; its error is a
    window (without such a network windows grow until there is a pair).  All combinations within
    the window are listed, smallest error first.  The first one that goes with one before it (no
    part used more often than there is of it) is the worse one of the best pair, and among its
    partners the one is taken whose level differs least over the band.
    """
    beside = _second_network(search, best)
    pair: tuple[Contender, Contender] | None = None
    whole = False
    for window in _windows(best, beside):
        if not complete:
            break
        result = search.run(window, keep_all=True)
        listed = sorted([c for c in (beside,) if c] + result.contenders, key=Contender.tie_key)
        pair = _best_pair(search, listed)
        whole = result.complete and pair is not None
        if pair is not None or not result.complete or len(listed) > _MOST_LOOKED_AT:
            break
    if pair is None and beside is not None:
        pair = (best, beside)
    if pair is None:
        raise NoCombinationError(
            "pick.sets",
            "the parts on hand make one network, but no second one; add parts or allow a series "
            "beside the drawer",
        )
    better, worse = pair
    forms = compared(search, better, proved=complete and better is best)
    if whole:
        search.settle(worse.centred_db / NEPER_DB)
    claim = "no two networks of one form have a smaller error of the worse" if whole else ""
    done = report(search, worse.centred_db, whole, claim)
    if search.job.pick.pick_by != "nominal":
        done = replace(done, claim=f"{done.claim}. A pair is picked by its design errors")
    entries = shortlist(better, search.pool)
    return PickResult(
        with_exact(better, deadline=search.deadline),
        done,
        entries,
        with_exact(worse, deadline=search.deadline),
        _mismatch_db(better, worse),
        forms,
    )


def _windows(best: Contender, beside: Contender | None) -> list[float]:
    """Error limits to list up to: what the pair at hand needs, else more and more [Np]."""
    if beside is not None:
        return [tie_limit(beside)]
    growing = [tie_limit(best)]
    while growing[-1] < _WIDEST:
        growing.append(_STEP * growing[-1])
    return growing


def _second_network(search: Search, best: Contender) -> Contender | None:
    """The best network of the same form from the parts that the best one leaves."""
    used = _uses(best)
    by_kind = {kind: Counter[int]() for kind in ElementKind}
    for (kind, part), count in used.items():
        by_kind[kind][part] += count
    remaining = {id(p): p.without(by_kind[p.kind]) for p in best.space.candidates}
    if not all(len(p.values) for p in remaining.values()):
        return None
    candidates = tuple(remaining[id(p)] for p in best.space.candidates)
    return search.best_of(Space(best.space.model, candidates, best.space.grids.exchanges))


def _uses(contender: Contender) -> Counter[tuple[ElementKind, int]]:
    used: Counter[tuple[ElementKind, int]] = Counter()
    for candidates, index in zip(contender.space.candidates, contender.indices, strict=True):
        for part in candidates.uses(int(index)):
            used[(candidates.kind, part)] += 1
    return used


def _best_pair(search: Search, ordered: list[Contender]) -> tuple[Contender, Contender] | None:
    """The pair whose later member comes first, and its best-matched partner."""
    ordered = ordered[:_MOST_LOOKED_AT]
    slots, quantity = _slots(search, ordered)
    model = np.array([id(c.space.model) for c in ordered])
    for number, own in enumerate(slots):
        before = slots[: number + 1]
        fits = model[: number + 1] == model[number]
        for part in own[own >= 0]:
            fits &= (before == part).sum(axis=1) + (own == part).sum() <= quantity[part]
        if fits.any():
            partners = np.flatnonzero(fits)
            mismatches = [_mismatch_db(ordered[i], ordered[number]) for i in partners]
            return ordered[partners[int(np.argmin(mismatches))]], ordered[number]
    return None


def _slots(search: Search, ordered: list[Contender]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Parts that each contender uses, numbered across kinds, -1 for none; and their quantities."""
    start = {ElementKind.RESISTOR: 0}
    start[ElementKind.CAPACITOR] = len(search.stock[ElementKind.RESISTOR].parts)
    used = [
        [start[kind] + part for (kind, part), count in _uses(c).items() for _ in range(count)]
        for c in ordered
    ]
    width = max((len(u) for u in used), default=0)
    slots = np.array([u + [-1] * (width - len(u)) for u in used], dtype=np.int64)
    quantity = np.concatenate([search.stock[kind].quantity for kind in start])
    return slots.reshape(len(used), width), quantity


def _mismatch_db(one: Contender, other: Contender) -> float:
    """Largest difference of levels over the band, each re 1 kHz [dB]."""
    rows = [c.space.model.rows(c.space.values(c.indices[None]))[0] for c in (one, other)]
    shapes = [r[:-1] - r[-1] for r in rows]
    return float(np.abs(shapes[0] - shapes[1]).max()) * NEPER_DB
