"""Alternatives to the pick, none beaten by another in every respect."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from antecurve.parts.builds import error_histogram
from antecurve.parts.corners import corner_error_db
from antecurve.parts.distributions import BLOCK
from antecurve.parts.position import PickedNetwork
from antecurve.pick.branch_and_bound import Space
from antecurve.pick.limits import output_ohms
from antecurve.pick.model import NEPER_DB
from antecurve.pick.objective import FLOOR, resolution
from antecurve.pick.result import ShortlistEntry
from antecurve.quantities import format_quantity

__all__ = [
    "SCREENING_BUILDS",
    "Contender",
    "contender",
    "front",
    "shortlist",
    "tie_limit",
    "with_first",
]

Floats = NDArray[np.float64]

SCREENING_BUILDS = BLOCK
"""Builds by which many combinations are compared: one block, known to some 2 % of itself."""
_OTHER_SEED = 1_000_003  # a prime, so that seeds that users count up by one stay apart
_MOST_RANKED = 36  # simulated by the screening builds: some 0.2 s in all
_LONGEST = 8  # rows that fit a screen
_SAME_DB = 2e-8  # centred errors this close are a tie: twice the rounding of a decibel
_NOTICEABLE = 0.02  # differences that a choice is not made by
_MUCH_WORSE = 20.0  # without a limit, alternatives up to this many times the pick's error


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

    __slots__ = ("_measured", "centred_db", "indices", "output_ohm", "parts", "space")

    def __init__(
        self,
        space: Space,
        indices: NDArray[np.int64],
        centred_db: float,
        parts: int,
        output_ohm: float,
    ) -> None:
        self.space = space
        self.indices = indices
        self.centred_db = centred_db
        self.parts = parts
        self.output_ohm = output_ohm
        self._measured: dict[tuple[object, ...], float] = {}

    @property
    def picked(self) -> PickedNetwork:
        """The combination as a network with parts."""
        return self.space.picked(self.indices)

    @property
    def combination(self) -> tuple[int, bytes]:
        """What tells the combination from others."""
        return (id(self.space), self.indices.tobytes())

    def p95_db(self, builds: int | None = None) -> float:
        """Compute the 95th percentile of the centred error over builds.

        Parameters
        ----------
        builds : int or None, optional
            How many of the job's builds; all by default.

        Returns
        -------
        float
            See `percentile_db`.
        """
        return self.percentile_db(0.95, builds=builds)

    def percentile_db(
        self, fraction: float, *, builds: int | None = None, fresh: bool = True
    ) -> float:
        """Compute a percentile of the centred error over builds.

        Parameters
        ----------
        fraction : float
            Fraction of the builds that it is not below, above 0, at most 1.
        builds : int or None, optional
            How many of the job's builds; all by default.
        fresh : bool, optional
            Whether to draw the builds that the job states; else others, which only serve to
            compare combinations.

        Returns
        -------
        float
            The percentile [dB]; simulated once, then remembered.
        """
        return self._of_builds(("percentile", fraction), builds, fresh)

    def share_within(
        self, limit_db: float, *, builds: int | None = None, fresh: bool = True
    ) -> float:
        """Compute the share of the builds that keep a limit; parameters as in `percentile_db`.

        Parameters
        ----------
        limit_db : float
            Largest centred error [dB].
        builds, fresh : optional
            See `percentile_db`.

        Returns
        -------
        float
            From 0 to 1.
        """
        return self._of_builds(("share", limit_db), builds, fresh)

    def _of_builds(self, wanted: tuple[str, float], builds: int | None, fresh: bool) -> float:
        job = self.space.model.job
        count = job.spread.builds if builds is None else min(builds, job.spread.builds)
        key = (*wanted, count, fresh)
        if key not in self._measured:
            seed = job.spread.seed + (0 if fresh else _OTHER_SEED)
            histogram = error_histogram(self.picked, job, builds=count, seed=seed)
            for fraction in {0.95, wanted[1] if wanted[0] == "percentile" else 0.95}:
                self._measured["percentile", fraction, count, fresh] = histogram.quantile(fraction)
            limit_db = wanted[1] if wanted[0] == "share" else job.target.error_limit_db
            if limit_db is not None:
                share = histogram.share_within(limit_db)
                self._measured["share", limit_db, count, fresh] = share
        return self._measured[key]

    def worst_corner_db(self) -> float:
        """Compute the largest centred error with every part at an end of its tolerance.

        Returns
        -------
        float
            The error [dB]; worked out once, then remembered.
        """
        if ("worst",) not in self._measured:
            self._measured["worst",] = corner_error_db(self.picked, self.space.model.job.conditions)
        return self._measured["worst",]

    def tie_key(self) -> tuple[float, int, float]:
        """Sort key: error to its resolution, then fewer parts, then lower impedance.

        Returns
        -------
        tuple
            Error to its resolution, number of parts, output impedance.
        """
        return (round(self.centred_db / _SAME_DB), self.parts, self.output_ohm)


def contender(space: Space, indices: NDArray[np.int64], errors: Floats) -> list[Contender]:
    """Make contenders of the combinations of one network.

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
    output_ohm = output_ohms(space.model.topology, space.model.job, space.values(indices))
    columns = zip(space.candidates, indices.T, strict=True)
    parts = np.sum([p.legs * (1 + (p.second[i] >= 0)) for p, i in columns], axis=0)
    centred_db = errors * NEPER_DB
    return [
        Contender(space, i, *figures)
        for i, *figures in zip(
            indices, centred_db.tolist(), parts.tolist(), output_ohm.tolist(), strict=True
        )
    ]


def front(points: Floats) -> NDArray[np.int64]:
    """Mark the points that no other dominates (the Pareto front).

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
    order = np.lexsort(points.T[::-1])
    ranked = points[order]
    beaten = np.zeros(len(order), dtype=bool)
    for rank, index in enumerate(order):
        if not beaten[rank]:
            kept.append(int(index))
            beaten |= np.all(ranked[rank] <= ranked, axis=1)
    return np.array(sorted(kept), dtype=np.int64)


def shortlist(best: Contender, contenders: list[Contender]) -> tuple[ShortlistEntry, ...]:
    """Choose a few networks to consider beside the pick.

    Parameters
    ----------
    best : Contender
        The pick; it is always the first entry.
    contenders : list of Contender
        Alternatives that meet the job's limits.

    Returns
    -------
    tuple of ShortlistEntry
        No entry is beaten by another in centred error, 95th percentile over the job's builds,
        number of parts and output resistance at once.  Entries keep the job's error limit, or
        where it has none 20 times the pick's error; of entries with as many parts whose error and
        output resistance agree to 2 % there is one.

    Notes
    -----
    Alternatives are chosen by the first builds of the job; those chosen are simulated with all
    of them, and the front is taken once more.
    """
    limit = best.space.model.job.target.error_limit_db
    if limit is None:
        limit = _MUCH_WORSE * max(best.centred_db, FLOOR * NEPER_DB)
    chosen = _preselected(best, [c for c in contenders if c.centred_db <= limit])
    for builds in (SCREENING_BUILDS, None):
        chosen = _unbeaten(best, chosen, builds)
        if builds is not None:
            chosen = _spread_out(chosen, builds)
    entries = [
        ShortlistEntry(c.picked, c.centred_db, c.p95_db(), c.parts, c.output_ohm) for c in chosen
    ]
    return with_first(entries, number=0)


def with_first(entries: Sequence[ShortlistEntry], *, number: int) -> tuple[ShortlistEntry, ...]:
    """Put one line first, as the pick, and say of the others what they trade against it.

    Parameters
    ----------
    entries : sequence of ShortlistEntry
        Lines of a shortlist.
    number : int
        Which is the pick.

    Returns
    -------
    tuple of ShortlistEntry
        The pick, then the others in their order.
    """
    first = replace(entries[number], trade="the pick")
    others = (e for k, e in enumerate(entries) if k != number)
    return (first, *(replace(e, trade=_trade(e, first)) for e in others))


def _unbeaten(best: Contender, chosen: list[Contender], builds: int | None) -> list[Contender]:
    """The pick, then those that no other equals or betters in every respect."""
    points = np.array([[c.centred_db, c.p95_db(builds), c.parts, c.output_ohm] for c in chosen])
    return [best, *(chosen[i] for i in front(points) if chosen[i] is not best)]


def _preselected(best: Contender, contenders: list[Contender]) -> list[Contender]:
    """The pick and the front by what needs no builds, thinned to what is simulated."""
    unique = {c.combination: c for c in contenders}
    ordered = sorted(unique.values(), key=Contender.tie_key)
    if not ordered:
        return [best]
    points = np.array([[c.centred_db, c.parts, c.output_ohm] for c in ordered])
    kept = [ordered[i] for i in front(points)]
    # The nearest runners-up may have the smaller spread.
    kept += [c for c in ordered[:12] if c not in kept]
    kept = [c for c in kept if c.combination != best.combination]
    step = max(1.0, len(kept) / (_MOST_RANKED - 1))
    thinned = [kept[int(i * step)] for i in range(min(len(kept), _MOST_RANKED - 1))]
    return [best, *thinned]


def _spread_out(chosen: list[Contender], builds: int) -> list[Contender]:
    """The pick and a few that cover the range: the best in each respect, then others evenly."""
    distinct = [chosen[0]]
    for contender in sorted(chosen[1:], key=lambda c: c.p95_db(builds)):
        if not any(_alike(contender, other) for other in distinct):
            distinct.append(contender)
    others = sorted(distinct[1:], key=lambda c: (c.parts, c.p95_db(builds), c.output_ohm))
    criteria: tuple[Callable[[Contender], float], ...] = (
        lambda c: c.p95_db(builds),
        lambda c: c.output_ohm,
        lambda c: c.parts,
        lambda c: c.centred_db,
    )
    taken = [min(others, key=criterion) for criterion in criteria if others]
    step = max(1.0, len(others) / _LONGEST)
    taken += [others[int(i * step)] for i in range(min(len(others), _LONGEST))]
    unique = list({id(c): c for c in taken}.values())[: _LONGEST - 1]
    return [chosen[0], *sorted(unique, key=lambda c: c.centred_db)]


def _alike(one: Contender, other: Contender) -> bool:
    """Whether the difference is too small to choose by."""
    return one.parts == other.parts and all(
        abs(a - b) <= _NOTICEABLE * max(a, b)
        for a, b in ((one.centred_db, other.centred_db), (one.output_ohm, other.output_ohm))
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
    for name, now, then, shown in (
        ("spread over builds", entry.spread_p95_db, pick.spread_p95_db, "{:.3f} dB".format),
        ("output resistance", entry.output_resistance_ohm, pick.output_resistance_ohm, _ohm),
        ("design error", entry.centred_db, pick.centred_db, "{:.3f} dB".format),
    ):
        if abs(now - then) > _NOTICEABLE * then and shown(now) != shown(then):
            difference = f"{name} {shown(now)} (pick {shown(then)})"
            (gains if now < then else costs).append(difference)
    if entry.picked.topology.form != pick.picked.topology.form:
        gains.insert(0, f"form {entry.picked.topology.form}")
    better = f"Better: {', '.join(gains)}." if gains else "Much like the pick."
    return f"{better} Worse: {', '.join(costs)}." if costs else better


def _ohm(resistance: float) -> str:
    return format_quantity(resistance, "ohm", digits=3)


def tie_limit(best: Contender) -> float:
    """Set an error limit that keeps the best combination and its ties.

    Parameters
    ----------
    best : Contender
        The best combination.

    Returns
    -------
    float
        The limit [Np].
    """
    error = best.centred_db / NEPER_DB
    return error + 2.0 * resolution(error)
