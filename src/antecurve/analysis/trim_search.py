"""The best changes of a build by branch and bound over clusters of alike changes.

Every change of a position is a point: the logarithm of the value it makes, and how much each part
scatters it.  Clusters of such points are divided in two, again and again; a set of changes lies in
one cluster of each position changed.  A cluster is represented by its central change, which is a
change that can be made, so that every evaluation is a find as well as a bound.

**Objective.** With r the error of the representative at some frequencies and S its slopes, the
error of draw k is r + S xi_k, xi_k the deviations of the positions' logarithms; the objective is
the 95th percentile of half its range.

**Bound.** A change in the cluster departs from the representative by at most h_i in each position,
value and scatter together.  Half a range moves by no more than half the range of what is added:
sum_i h_i L_i with L_i half the range of S_i, plus the departure from the tangent,
phi(kappa h) sum_i u_i h_i**2, plus that of the slopes under the deviations, d exp(kappa h)
sum_i u_i h_i with d the largest deviation (`antecurve.pick.bounds`: the curvature is symmetric).
A percentile moves by no more than its draws.  No change of a ladder moves half the range by more
than sum_i h_i, for its slopes are within [-1, 1].
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.trim_options import NEW_PARTS, Options, enough_parts
from antecurve.analysis.trim_subject import TrimSubject, excess_of
from antecurve.networks.centred_error import sampled_half_range
from antecurve.parts.distributions import deviation_quantile
from antecurve.parts.joined import joined_weights, values_add
from antecurve.parts.position import PickedNetwork
from antecurve.pick.model import CURVATURE_GROWTH, NEPER_DB, NetworkModel

__all__ = [
    "RESOLUTION",
    "RESOLUTION_DB",
    "Chosen",
    "Draws",
    "Exhausted",
    "Trimmer",
]

Floats = NDArray[np.float64]
Chosen = tuple[tuple[int, int], ...]
"""Pairs of position and option."""

RESOLUTION = 0.005
"""Bounds closer than this fraction of the percentile count as equal: a percentile of `DRAWS`
draws is itself known to 0.8 % (binomial, with the density of half a normal distribution)."""
RESOLUTION_DB = 1e-4
"""... or than this [dB]: a twentieth of the least gain that is worth a change."""
DRAWS = 16_384
"""Draws for the percentile that is stated."""

_SCREENED = 1024  # draws for the search: differences between changes hold to some 0.5 %, measured
_FREQUENCIES = 25  # 8 a decade: half the range loses some 0.3 %, measured
_MANY = 10_000  # changes above which a cluster's radius is that of its box: cheaper, never less
_BATCH = 64  # representatives at a time: 40 MB
_MOST_EVALUATED = 60_000  # some 10 s
_STEEPEST = 200.0  # exponent where a bound is no bound: keeps exp() finite
_SLACK_NP = 1e-12  # rounding of the limits
_LEAST_NP = RESOLUTION_DB / NEPER_DB
_KEPT = 0.02  # share of the best percentile within which finds are kept for the full count


class Draws:
    """Deviations of the parts of a build, each by itself, as fractions of the tolerances.

    Parameters
    ----------
    built : PickedNetwork
        The build; parts that were measured have a nominal value.
    distribution : str
        Of parts that were not measured; a meter's limits of error are rectangular.
    seed : int
        Seed, 0 or greater.

    Attributes
    ----------
    by_position : tuple of numpy.ndarray, shape (existing parts + 2, DRAWS)
        -1 to 1: the parts that are there, then two new ones.
    """

    __slots__ = ("by_position",)

    def __init__(self, built: PickedNetwork, *, distribution: str, seed: int) -> None:
        rng = np.random.default_rng(seed)
        drawn = []
        for position in built.positions:
            uniform = rng.random((len(position.parts) + NEW_PARTS, DRAWS))
            laws = [
                distribution if part.nominal is None else "uniform" for part in position.parts
            ] + [distribution] * NEW_PARTS
            drawn.append(
                np.stack([deviation_quantile(u, law) for u, law in zip(uniform, laws, strict=True)])
            )
        self.by_position = tuple(drawn)


class _Cluster:
    """Alike changes of one position, and the most central one.

    Parameters
    ----------
    points : numpy.ndarray of float, shape (coordinates, changes)
        Logarithm of the value, and scatter by each part.
    members : numpy.ndarray of int, shape (changes,)
        Which changes they are.
    """

    __slots__ = ("_children", "_members", "_points", "count", "radius", "representative")

    def __init__(self, points: Floats, members: NDArray[np.intp]) -> None:
        self._points, self._members = points, members
        self.count = len(members)
        low, high = points.min(axis=1), points.max(axis=1)
        middle = 0.5 * (low + high)
        if self.count > _MANY:
            central = int(np.abs(points[0] - middle[0]).argmin())
            own = points[:, central]
            self.radius = float(np.maximum(own - low, high - own).sum())
        else:
            central = int(np.abs(points - middle[:, None]).sum(axis=0).argmin())
            self.radius = float(np.abs(points - points[:, [central]]).sum(axis=0).max())
        self.representative = int(members[central])
        self._children: tuple[_Cluster, ...] | None = None

    @property
    def children(self) -> tuple[_Cluster, ...]:
        """The halves across the widest coordinate."""
        if self._children is None:
            points = self._points
            low, high = points.min(axis=1), points.max(axis=1)
            widest = int((high - low).argmax())
            lower = points[widest] <= 0.5 * (low + high)[widest]
            self._children = tuple(
                _Cluster(np.ascontiguousarray(points[:, half]), self._members[half])
                for half in (lower, ~lower)
            )
            self._points, self._members = points[:, :0], self._members[:0]
        return self._children


_Node = tuple[tuple[int, _Cluster], ...]


@dataclass(frozen=True, slots=True)
class Exhausted:
    """What a search came to.

    Attributes
    ----------
    pool : tuple of (float, Chosen)
        Percentile [Np] and changes of the best, ascending.
    bound : float
        No set of changes searched has a lower percentile of the objective [Np].
    evaluated : int
        Representatives evaluated.
    combinations : float
        Sets of changes in all.
    complete : bool
        Whether the bound is within the resolution of the best.
    """

    pool: tuple[tuple[float, Chosen], ...]
    bound: float
    evaluated: int
    combinations: float
    complete: bool


@dataclass(slots=True)
class _Progress:
    """The state of one search: open nodes by bound, and what was met."""

    best: float = math.inf
    heap: list[tuple[float, int, _Node]] = field(default_factory=list)
    pool: dict[Chosen, float] = field(default_factory=dict)
    evaluated: int = 0


class Trimmer:
    """Searches the changes of one build.

    Parameters
    ----------
    subjects : sequence of TrimSubject
        The networks of the build; the objective is the largest of their errors.
    positions : sequence of Options
        The changes of each place.
    draws : Draws
        Deviations of the parts.
    """

    def __init__(
        self, subjects: Sequence[TrimSubject], positions: Sequence[Options], draws: Draws
    ) -> None:
        self._subjects = subjects
        self._models = [
            NetworkModel(s.picked.topology, s.job, count=_FREQUENCIES) for s in subjects
        ]
        self._positions = positions
        self._logs = np.array([math.log(p.position.value) for p in positions])
        self._deviations = [d[:, :_SCREENED].astype("f4") for d in draws.by_position]
        self._scatter = [_scatter_now(p) for p in positions]
        self._base = np.stack(
            [a @ d for a, d in zip(self._scatter, self._deviations, strict=True)]
        ).astype("f4")
        changeable = [(i, p) for i, p in enumerate(positions) if len(p)]
        self._roots = [
            (i, _Cluster(np.vstack([p.log_values, p.scatter.T]), np.arange(len(p))))
            for i, p in changeable
        ]
        widest = [a.sum() for a in self._scatter]
        widest += [p.scatter.sum(axis=1).max() for _, p in changeable]
        self._widest = float(max(widest))
        nothing = np.zeros((1, len(positions)))
        self._now = [
            self._half_range(k, self._logs[None], self._base[None], nothing)[0]
            for k in range(len(subjects) if len(subjects) > 1 else 0)
        ]

    @property
    def bounded(self) -> bool:
        """Whether the curvature of every network is known, as a ladder's is."""
        return all(model.ladder is not None for model in self._models)

    def singles(self) -> list[_Node]:
        """List every single change.

        Returns
        -------
        list of nodes
            One for each position that can be changed.
        """
        return [(root,) for root in self._roots]

    def pairs(self) -> list[_Node]:
        """List every pair of changes.

        Returns
        -------
        list of nodes
            One a pair of positions.
        """
        roots = self._roots
        return [(one, other) for k, one in enumerate(roots) for other in roots[k + 1 :]]

    def extensions(self, chosen: Chosen) -> list[_Node]:
        """List every set of changes with one more than those given.

        Parameters
        ----------
        chosen : Chosen
            Changes, of other positions each.

        Returns
        -------
        list of nodes
            One for each position that is not yet changed.
        """
        fixed = tuple((i, _Cluster(np.zeros((1, 1)), np.array([option]))) for i, option in chosen)
        taken = {i for i, _ in chosen}
        return [(*fixed, root) for root in self._roots if root[0] not in taken]

    def search(self, nodes: list[_Node]) -> Exhausted:
        """Find the changes with the smallest percentile.

        Parameters
        ----------
        nodes : list of nodes
            As `singles`, `pairs` or `extensions` list them.

        Returns
        -------
        Exhausted
            The best, and the bound.
        """
        state = _Progress()
        for first in range(0, len(nodes), _BATCH):
            self._look(state, nodes[first : first + _BATCH])
        while state.heap and state.evaluated < _MOST_EVALUATED:
            if state.heap[0][0] >= _worth(state.best):
                break
            parents = [
                heapq.heappop(state.heap)[2] for _ in range(min(_BATCH // 2, len(state.heap)))
            ]
            self._look(state, [child for parent in parents for child in self._halves(parent)])
        bound = min(state.heap[0][0] if state.heap else math.inf, state.best)
        near = _kept(state.best)
        pool = sorted((j, chosen) for chosen, j in state.pool.items() if j <= near)
        return Exhausted(
            tuple(pool),
            bound,
            state.evaluated,
            float(sum(math.prod(c.count for _, c in node) for node in nodes)),
            not state.heap or bound >= _worth(state.best),
        )

    def _halves(self, node: _Node) -> Iterator[_Node]:
        """The node with its widest cluster divided."""
        k = max(range(len(node)), key=lambda j: node[j][1].radius)
        position, cluster = node[k]
        for child in cluster.children:
            yield (*node[:k], (position, child), *node[k + 1 :])

    def _look(self, state: _Progress, nodes: list[_Node]) -> None:
        chosen = [tuple((i, c.representative) for i, c in node) for node in nodes]
        radii = np.zeros((len(nodes), len(self._positions)))
        for row, node in zip(radii, nodes, strict=True):
            for i, cluster in node:
                row[i] = cluster.radius
        percentile, margin, logs = self.evaluate(chosen, radii)
        state.evaluated += len(nodes)
        reach = radii.sum(axis=1)
        # The best only falls: of the others neither they nor what is near them will be kept.
        matter = np.flatnonzero(
            (percentile <= _kept(state.best)) | ((reach > 0.0) & (percentile - margin < state.best))
        )
        excess = self.excess(np.exp(logs[matter])) if len(matter) else matter
        for k, missed in zip(matter, excess, strict=True):
            value = float(percentile[k])
            if missed <= _SLACK_NP and self._available(chosen[k]):
                state.best = min(state.best, value)
                state.pool[chosen[k]] = value
            bound = value - float(margin[k])
            # The limits' quantities are within [-1, 1] Np for each neper of a value as well.
            if reach[k] > 0.0 and missed <= reach[k] and bound < state.best:
                heapq.heappush(state.heap, (bound, state.evaluated + int(k), nodes[k]))

    def _available(self, chosen: Chosen) -> bool:
        return enough_parts(self._positions, chosen)

    def evaluate(self, chosen: Sequence[Chosen], radii: Floats) -> tuple[Floats, Floats, Floats]:
        """Evaluate sets of changes, and how much less others near them can have.

        Parameters
        ----------
        chosen : sequence of Chosen
            The changes.
        radii : numpy.ndarray of float, shape (sets, positions)
            How far others are away, in logarithms of the values.

        Returns
        -------
        percentile, margin : numpy.ndarray of float, shape (sets,)
            95th percentile of the centred error, and the most that others have less [Np].
        logs : numpy.ndarray of float, shape (sets, positions)
            Logarithms of the values in all places.
        """
        logs = np.repeat(self._logs[None], len(chosen), axis=0)
        deviations = np.repeat(self._base[None], len(chosen), axis=0)
        for k, changes in enumerate(chosen):
            for i, option in changes:
                logs[k, i] = self._positions[i].log_values[option]
                scatter = self._positions[i].scatter[option].astype("f4")
                deviations[k, i] = scatter @ self._deviations[i]
        half: Floats | None = None
        margin = np.zeros(len(chosen))
        for k, subject in enumerate(self._subjects):
            its_places = {i for places in subject.places for i in places}
            moved = np.array([any(i in its_places for i, _ in changes) for changes in chosen])
            if moved.all():
                its_half, its_margin = self._half_range(k, logs, deviations, radii)
            else:  # the changes are of other networks: this one is as it was
                its_half = np.repeat(self._now[k], len(chosen), axis=0)
                its_margin = np.zeros(len(chosen))
                if moved.any():
                    its_half[moved], its_margin[moved] = self._half_range(
                        k, logs[moved], deviations[moved], radii[moved]
                    )
            half = its_half if half is None else np.maximum(half, its_half)
            margin = np.maximum(margin, its_margin)
        assert half is not None
        rank = math.ceil(0.95 * half.shape[1]) - 1
        percentile = np.partition(half, rank, axis=1)[:, rank]
        return percentile, margin, logs

    def _half_range(
        self, number: int, logs: Floats, deviations: Floats, radii: Floats
    ) -> tuple[Floats, Floats]:
        """Half the range of one network's error in each draw [Np], and the most others have less.

        The logarithm of two joined places moves by no more than the farther of the two.
        """
        subject, model = self._subjects[number], self._models[number]
        values, weights = subject.joined(np.exp(logs.T))
        first = [places[0] for places in subject.places]
        last = [places[-1] for places in subject.places]
        near, drawn = radii[:, first], deviations[:, first]
        if first != last:
            near = np.maximum(near, radii[:, last])
            share = weights.transpose(2, 1, 0).astype("f4")[..., None]
            drawn = share[:, 0] * drawn + share[:, 1] * deviations[:, last]
        linear = model.linearise(np.ascontiguousarray(values.T))
        slopes = linear.slopes[:, :-1]
        sizes = linear.top_sizes[:, :-1] + linear.bottom_sizes[:, :-1]
        if model.ladder is None:  # the numerator's curvature is not known
            sizes = sizes + 1.0
        errors = np.matmul(slopes.astype("f4"), drawn)
        errors += linear.rows[:, :-1, None].astype("f4")
        return sampled_half_range(errors, axis=1), self._margin(slopes, sizes, near)

    def _margin(self, slopes: Floats, sizes: Floats, radii: Floats) -> Floats:
        """Most by which half the range differs within the radii [Np]."""
        widest = radii.max(axis=1)
        grown = np.minimum(CURVATURE_GROWTH * widest, _STEEPEST)
        with np.errstate(divide="ignore", invalid="ignore"):
            phi = np.where(grown > 1e-3, (np.expm1(grown) - grown) / grown**2, 0.501)
        tangent = (0.5 * np.ptp(slopes, axis=1) * radii).sum(axis=1)
        curved = np.einsum("kfi,ki->kf", sizes, radii**2).max(axis=1)
        turned = np.einsum("kfi,ki->kf", sizes, radii).max(axis=1)
        near = tangent + phi * curved + self._widest * np.exp(grown) * turned
        return np.asarray(np.minimum(near, radii.sum(axis=1)))

    def excess(self, values: Floats) -> Floats:
        """Compute how far networks miss the limits of the job.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (networks, places)
            Values in the places of the build [ohm and F].

        Returns
        -------
        numpy.ndarray of float, shape (networks,)
            By how much the worst quantity is beyond its limit [Np]; 0 or less where all are met.
        """
        return np.asarray(np.max([excess_of(s, values) for s in self._subjects], axis=0))


def _kept(best: float) -> float:
    """What is at most this is kept for the full count [Np]."""
    return best * (1.0 + _KEPT) + _LEAST_NP


def _worth(percentile: float) -> float:
    """What is below this is better than a percentile by more than the resolution [Np]."""
    return min(percentile * (1.0 - RESOLUTION), percentile - _LEAST_NP)


def _scatter_now(position: Options) -> Floats:
    """Scatter of a position that is not changed, as `Options.scatter` has it."""
    parts = position.position.parts
    weights = joined_weights(
        np.array([p.value for p in parts]),
        adds=values_add(position.position.element.kind, position.position.joined),
    )
    scatter = np.zeros(len(parts) + NEW_PARTS)
    scatter[: len(parts)] = weights * [p.tolerance for p in parts]
    return scatter
