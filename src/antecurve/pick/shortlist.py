"""Alternatives to the pick, none beaten by another in every respect."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from antecurve.job import Job
from antecurve.pick.branch import Space
from antecurve.pick.builds import spread_percentile
from antecurve.pick.limits import limit_values
from antecurve.pick.model import NEPER_DB
from antecurve.pick.objective import FLOOR
from antecurve.pick.result import ShortlistEntry

__all__ = ["Contender", "contender", "front", "shortlist"]

Floats = NDArray[np.float64]

_MOST_RANKED = 36
_LONGEST = 8
_SAME_DB = 2e-8
_NOTICEABLE = 0.02
_MUCH_WORSE = 20.0


class Contender:
    """A combination that may come on the shortlist.

    Attributes
    ----------
    space : Space
        The network.
    indices : numpy.ndarray of int, shape (elements,)
        The candidates.
    centred_db : float
        Nominal centred error [dB].
    parts : int
        Number of physical parts.
    output_ohm : float
        Magnitude of the output impedance at 1 kHz [ohm].
    """

    __slots__ = ("centred_db", "indices", "output_ohm", "parts", "space")

    def __init__(
        self, space: Space, indices: NDArray[np.int64], centred_db: float, output_ohm: float
    ) -> None:
        self.space = space
        self.indices = indices
        self.centred_db = centred_db
        self.output_ohm = output_ohm
        self.parts = sum(len(p.uses(int(i))) for p, i in zip(space.places, indices, strict=True))

    def tie_key(self) -> tuple[float, int, float]:
        """Sort key: error to its resolution, then fewer parts, then lower impedance.

        Returns
        -------
        tuple
            Error to its resolution, number of parts, output impedance.
        """
        return (round(self.centred_db / _SAME_DB), self.parts, self.output_ohm)


def contender(space: Space, indices: NDArray[np.int64], errors: Floats) -> list[Contender]:
    """Return combinations of one network as contenders.

    Parameters
    ----------
    space : Space
        The network.
    indices : numpy.ndarray of int, shape (combinations, elements)
        The candidates.
    errors : numpy.ndarray of float, shape (combinations,)
        Centred errors [Np].

    Returns
    -------
    list of Contender
        In the same order.
    """
    if not len(indices):
        return []
    found = limit_values(space.model.topology, space.model.job, space.values(indices))
    return [
        Contender(space, i, float(e) * NEPER_DB, float(r))
        for i, e, r in zip(indices, errors, found.output_ohm, strict=True)
    ]


def front(points: Floats) -> NDArray[np.int64]:
    """Return which points are beaten by no other.

    Parameters
    ----------
    points : numpy.ndarray of float, shape (points, criteria)
        Smaller is better in each.

    Returns
    -------
    numpy.ndarray of int
        Indices of the points that no other equals or betters in all criteria (of equal points
        the first).
    """
    kept: list[int] = []
    # In this order a point can be beaten only by one that comes before it.
    for index in np.lexsort(points.T[::-1]):
        if not np.any(np.all(points[kept] <= points[index], axis=1)):
            kept.append(int(index))
    return np.array(sorted(kept), dtype=np.int64)


def shortlist(
    best: Contender, contenders: list[Contender], job: Job, *, builds: int = 4000
) -> tuple[ShortlistEntry, ...]:
    """Return the pick and what else is worth a thought.

    Parameters
    ----------
    best : Contender
        The pick; it is always the first entry.
    contenders : list of Contender
        Alternatives that meet the job's limits.
    job : Job
        Curve, loading, band and spread.
    builds : int, optional
        Number of builds for the percentile.

    Returns
    -------
    tuple of ShortlistEntry
        No entry is beaten by another in centred error, 95th percentile over builds (an estimate
        from that many), number of parts and output resistance at once.  Entries keep the job's
        error limit, or where it has none 20 times the pick's error; of entries with as many
        parts whose error and output resistance agree to 2 % there is one.
    """
    limit = job.target.error_limit_db
    if limit is None:
        limit = _MUCH_WORSE * max(best.centred_db, FLOOR * NEPER_DB)
    chosen = _preselected(best, [c for c in contenders if c.centred_db <= limit])
    pickeds = [c.space.picked(c.indices) for c in chosen]
    spreads = [spread_percentile(p, job, builds=builds) for p in pickeds]
    points = np.array(
        [[c.centred_db, s, c.parts, c.output_ohm] for c, s in zip(chosen, spreads, strict=True)]
    )
    entries = [
        ShortlistEntry(pickeds[i], chosen[i].centred_db, spreads[i], chosen[i].parts,
                       chosen[i].output_ohm)
        for i in front(points)
    ]  # fmt: skip
    first = next((e for e in entries if e.picked == pickeds[0]), None)
    if first is None:
        first = ShortlistEntry(pickeds[0], best.centred_db, spreads[0], best.parts, best.output_ohm)
    others = _spread_out(first, [e for e in entries if e.picked != pickeds[0]])
    return (
        replace(first, trade="the pick"),
        *(replace(e, trade=_trade(e, first)) for e in others),
    )


def _preselected(best: Contender, contenders: list[Contender]) -> list[Contender]:
    """The pick and the front by what needs no builds, thinned to what is worth ranking."""
    unique = {(id(c.space), tuple(int(i) for i in c.indices)): c for c in contenders}
    ordered = sorted(unique.values(), key=Contender.tie_key)
    if not ordered:
        return [best]
    points = np.array([[c.centred_db, c.parts, c.output_ohm] for c in ordered])
    kept = [ordered[i] for i in front(points)]
    # The nearest runners-up may have the smaller spread.
    kept += [c for c in ordered[:12] if c not in kept]
    same = (id(best.space), tuple(int(i) for i in best.indices))
    kept = [c for c in kept if (id(c.space), tuple(int(i) for i in c.indices)) != same]
    step = max(1.0, len(kept) / (_MOST_RANKED - 1))
    thinned = [kept[int(i * step)] for i in range(min(len(kept), _MOST_RANKED - 1))]
    return [best, *thinned]


def _spread_out(first: ShortlistEntry, entries: list[ShortlistEntry]) -> list[ShortlistEntry]:
    """A few entries that cover the range: the best of each count of parts, then the rest evenly."""
    distinct = [first]
    for entry in sorted(entries, key=lambda e: e.spread_p95_db):
        if not any(_alike(entry, other) for other in distinct):
            distinct.append(entry)
    entries = sorted(
        distinct[1:], key=lambda e: (e.parts, e.spread_p95_db, e.output_resistance_ohm)
    )
    taken: list[ShortlistEntry] = []
    for criterion in ("spread_p95_db", "output_resistance_ohm", "parts", "centred_db"):
        if entries:
            taken.append(min(entries, key=lambda e, c=criterion: getattr(e, c)))  # type: ignore[misc]
    step = max(1.0, len(entries) / _LONGEST)
    taken += [entries[int(i * step)] for i in range(min(len(entries), _LONGEST))]
    unique = list({id(e): e for e in taken}.values())[: _LONGEST - 1]
    return sorted(unique, key=lambda e: e.centred_db)


def _alike(one: ShortlistEntry, other: ShortlistEntry) -> bool:
    """Whether the difference is too small to choose by."""
    return one.parts == other.parts and all(
        abs(a - b) <= _NOTICEABLE * max(a, b)
        for a, b in (
            (one.centred_db, other.centred_db),
            (one.output_resistance_ohm, other.output_resistance_ohm),
        )
    )


def _trade(entry: ShortlistEntry, pick: ShortlistEntry) -> str:
    """What a line gains and gives up against the pick."""
    gains: list[str] = []
    costs: list[str] = []
    parts = entry.parts - pick.parts
    if parts:
        word = "part" if abs(parts) == 1 else "parts"
        (costs if parts > 0 else gains).append(
            f"{abs(parts)} {word} {'more' if parts > 0 else 'fewer'}"
        )
    for name, now, then, unit in (
        ("spread over builds", entry.spread_p95_db, pick.spread_p95_db, "dB"),
        ("output resistance", entry.output_resistance_ohm, pick.output_resistance_ohm, "ohm"),
        ("nominal error", entry.centred_db, pick.centred_db, "dB"),
    ):
        if abs(now - then) > _NOTICEABLE * then:
            shown = f"{name} {now:.3g} {unit} against {then:.3g} {unit}"
            (gains if now < then else costs).append(shown)
    if entry.picked.topology.form != pick.picked.topology.form:
        gains.insert(0, f"form {entry.picked.topology.form}")
    better = ", ".join(gains) or "much like the pick"
    return f"{better}; for it {', '.join(costs)}" if costs else better
