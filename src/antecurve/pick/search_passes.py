"""The search of a job: networks, a first pick, and passes that prove there is nothing better."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import NoCombinationError, UnattainableError
from antecurve.job import Job
from antecurve.networks.topology import ElementKind, Topology
from antecurve.parts.drawer import Drawer
from antecurve.pick.boxes import Boxes
from antecurve.pick.branch_and_bound import Exhausted, Space
from antecurve.pick.candidates import Candidates, candidates
from antecurve.pick.exact_values import sampled_exact
from antecurve.pick.limits import output_ohms
from antecurve.pick.local_search import descended
from antecurve.pick.minimax_starts import minimax_starts
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.pick.monotone_bounds import monotone_cut
from antecurve.pick.objective import resolution
from antecurve.pick.result import PickProgress
from antecurve.pick.rounding import flattened, neighbours, rounded, scattered
from antecurve.pick.sharing import exhaust_by, exhaust_in_threads
from antecurve.pick.shortlist import Contender, contender, tie_limit
from antecurve.pick.steps import MANY_POSITIONS, exhausted_in_steps
from antecurve.pick.structure import interchangeable, same_network
from antecurve.quantities import format_quantity
from antecurve.synthesis.exact import free_parameters

__all__ = ["BLIND_LIMITS", "Pass", "Search"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_COARSE_DB = 0.02  # by judgement: narrower limits cut hardly more boxes
_LEVELS = 16  # impedances over the range, by judgement: rounded they give a good first pick
_SECTION_LEVELS = 8  # of two sections, at four ratios each: they round as well as twice as many
_ABOVE_LIMIT = 3.0  # shunt resistances: with what is across it, one above the limit may do
_VAST = 1e20  # combinations, by trial: of so many a better first pick saves more than it takes
_OWN_STARTS = 240  # by judgement: solved together, so that many cost little
_DESCENT_STARTS = 12  # and as many random ones: a few seconds' descents, or half of the budget
_DESCENT_SECONDS = 15.0  # where there is no budget
_POLISH_SHARE = 0.15  # of a budget: minimax starts take a few tenths of a second
_MADE_DB = 0.2  # by judgement: a network that comes so near makes the curve
_FIRST_LOOK = 250  # combinations whose error over the whole band is computed at a time
_LEVEL_WEIGHTS = (0.03, 0.3, 1.0)  # from nearly free to as much as the shape
BLIND_LIMITS = tuple(db / NEPER_DB for db in (0.1, 0.4, 1.6, 6.4))
"""Error limits [Np] to try one after the other where no combination is known."""
_WORTH_PROVING = 3.0  # times the best limit: of large forms further off a bound says enough
_TRIED_SECONDS = 0.5  # of a pass that an executor would share out: sending it takes about as long
_MOST_SLOWNESS = 4.0  # by judgement: nobody waits longer for what the search keeps for itself
_PROGRESS_SECONDS = 0.1  # ten reports a second look continuous


@dataclass(frozen=True, slots=True, eq=False)
class Pass:
    """What one pass through all networks found.

    Attributes
    ----------
    contenders : list of Contender
        Combinations within the limit, smallest error first.
    complete : bool
        Whether every box of every network was examined.
    """

    contenders: list[Contender]
    complete: bool


class Search:
    """All networks of a job with their candidates.

    Parameters
    ----------
    job : Job
        The job.
    drawer : Drawer or None
        Parts on hand.
    progress : callable or None
        Called with a `PickProgress` now and then.
    executor : Executor or None
        Runs parts of a pass.
    budget_seconds : float or None
        Time after which passes end [s].

    Attributes
    ----------
    spaces : list of Space
        The networks.
    starts : list of numpy.ndarray
        For each network logarithms of element values near exact ones, shape (starts, elements).
    pool : list of Contender
        Good combinations met on the way, for the shortlist.
    evaluated : int
        Combinations evaluated one by one.
    lower : float
        What no combination is below, as far as proved [Np].
    lower_of : dict of int to float
        The same of each network that has a bound of its own, by the number of its space [Np].
    refused : dict of str to str
        Forms that can't make the curve, and why.
    deadline : float or None
        Value of `time.perf_counter` at which passes end.
    slowness : float
        Time by the clock over processor time until the pool was filled, 1 or more: what other
        work takes of the machine.
    """

    def __init__(
        self,
        job: Job,
        drawer: Drawer | None,
        progress: Callable[[PickProgress], None] | None,
        executor: Executor | None,
        budget_seconds: float | None,
    ) -> None:
        self.job = job
        self.start, self._processor = time.perf_counter(), time.thread_time()
        self.slowness = 1.0
        self.deadline = None if budget_seconds is None else self.start + budget_seconds
        self._progress = progress
        self._executor = executor
        self._reported = -math.inf
        self.pool: list[Contender] = []
        self.evaluated = 0
        self.lower = 0.0
        self.lower_of: dict[int, float] = {}
        self.refused: dict[str, str] = {}
        self.stock = {
            ElementKind.RESISTOR: candidates(ElementKind.RESISTOR, job.resistors, drawer),
            ElementKind.CAPACITOR: candidates(ElementKind.CAPACITOR, job.capacitors, drawer),
        }
        self.spaces: list[Space] = []
        self.starts: list[Floats] = []
        self._balanced = {kind: choices.balanced() for kind, choices in self.stock.items()}
        if job.network.elements is None:
            self._built_in()
        else:
            self._own(Topology("own", job.network.elements))

    @property
    def late(self) -> bool:
        """Whether the time is over."""
        return self.deadline is not None and time.perf_counter() > self.deadline

    @property
    def combinations(self) -> float:
        """Size of the candidate space."""
        return sum(space.combinations for space in self.spaces)

    @property
    def seconds(self) -> float:
        """Time since the start [s]."""
        return time.perf_counter() - self.start

    def settle(self, objective: float) -> None:
        """Set the bound to an objective that is proved, less what it is uncertain by.

        Parameters
        ----------
        objective : float
            The objective [Np].
        """
        self.lower = max(0.0, objective - resolution(objective))

    def best(self, space: Space | None = None) -> Contender | None:
        """Take the best combination met so far.

        Parameters
        ----------
        space : Space or None, optional
            Of one network alone; by default of all.

        Returns
        -------
        Contender or None
            The best, or ``None`` while there is none.
        """
        known = (c for c in self.pool if space is None or c.space.model is space.model)
        return min(known, key=Contender.tie_key, default=None)

    def _built_in(self) -> None:
        low, most = self.job.resistors.value_range
        top = self.job.network.output_resistance_max
        high = most if top is None else max(low * 1.001, min(most, _ABOVE_LIMIT * top))
        failure: UnattainableError | NoCombinationError | None = None
        for form in self.job.network.forms:
            levels = _SECTION_LEVELS if "section_ratio" in free_parameters(form) else _LEVELS
            try:
                topology, logs = sampled_exact(form, self.job, low=low, high=high, levels=levels)
            except UnattainableError as error:
                self.refused[form] = f"{error.condition}; {error.remedy}"
                beyond = None if high == most else self._beyond_limit(form, high, most)
                if beyond is not None:
                    self.refused[form] = f"{beyond.limit}: {beyond.detail}"
                if not isinstance(failure, NoCombinationError):
                    failure = beyond or error
                continue
            self._add(topology, logs)
        if not self.spaces and isinstance(failure, UnattainableError):
            same = set(self.refused.values()) == {f"{failure.condition}; {failure.remedy}"}
            names = ", ".join(self.refused) if same else failure.form
            raise UnattainableError(names, failure.condition, failure.remedy)
        if not self.spaces and failure is not None:
            raise failure

    def _beyond_limit(self, form: str, low: float, high: float) -> NoCombinationError | None:
        """The error of a form that makes the curve only above the largest output resistance."""
        try:
            topology, logs = sampled_exact(form, self.job, low=low, high=high, levels=10 * _LEVELS)
        except UnattainableError:
            return None
        least = float(output_ohms(topology, self.job, np.exp(logs)).min())
        limit = self.job.network.output_resistance_max or math.inf
        return NoCombinationError(
            "network.output_resistance_max",
            f"{form} needs an output resistance of about {format_quantity(least, 'ohm')} or more, "
            f"allowed is {format_quantity(limit, 'ohm')}. Raise the limit or lower the level",
        )

    def _own(self, topology: Topology) -> None:
        self._add(topology, np.zeros((0, len(topology.elements))))
        space = self.spaces[-1]
        rng = np.random.default_rng(1)
        low = [g[0] for g in space.grids.grids]
        high = [g[-1] for g in space.grids.grids]
        starts = rng.uniform(low, high, (_OWN_STARTS, len(low)))
        flat = flattened(space, starts)[: _OWN_STARTS // 2]
        far = np.ptp(space.model.rows(np.exp(flat[:1]))[:, :-1]) / 2.0 > _MADE_DB / NEPER_DB
        if far:
            until = math.inf
            if self.deadline is not None:
                until = time.perf_counter() + _POLISH_SHARE * (self.deadline - time.perf_counter())
            flat = np.concatenate([minimax_starts(space, flat, until=until), flat])
        self.starts[-1] = flat

    def _add(self, topology: Topology, logs: Floats) -> None:
        """Add a network; forms that differ in the order of elements alone are one network."""
        for known, space in enumerate(self.spaces):
            order = same_network(space.model.topology, topology)
            if order is not None:
                self.starts[known] = np.concatenate([self.starts[known], logs[:, list(order)]])
                space.forms += (topology.form,)
                return
        candidates = tuple(self._candidates(topology, i) for i in range(len(topology.elements)))
        exchanges = interchangeable(topology) if len(set(map(id, candidates))) <= 2 else ()
        self.spaces.append(Space(NetworkModel(topology, self.job), candidates, exchanges))
        self.starts.append(logs)

    def _candidates(self, topology: Topology, index: int) -> Candidates:
        element = topology.elements[index]
        both = self.job.network.balanced and "0" not in element.nodes
        return (self._balanced if both else self.stock)[element.kind]

    def look_around(self) -> None:
        """Fill the pool: exact networks rounded, with all candidates and with single parts."""
        for space, starts in zip(self.spaces, self.starts, strict=True):
            self.pool += self.near(space, starts)
            if space.combinations > _VAST and self.job.network.elements is None:
                self.pool += self.near(space, scattered(starts))
            if any((p.second >= 0).any() for p in space.candidates):
                single = {id(p): p.singles() for p in space.candidates}
                if all(len(p.values) for p in single.values()):
                    one = tuple(single[id(p)] for p in space.candidates)
                    simple = Space(space.model, one, space.grids.exchanges)
                    self.pool += self.near(simple, starts)
            if self.job.network.elements is not None:
                self.pool += self._descend(space, starts)
        busy = time.thread_time() - self._processor
        self.slowness = min(max(1.0, self.seconds / busy), _MOST_SLOWNESS)

    def best_of(self, space: Space) -> Contender | None:
        """Find the best combination of a network with other candidates.

        Parameters
        ----------
        space : Space
            One of `spaces` with some of its candidates.

        Returns
        -------
        Contender or None
            The best, or ``None`` when no combination meets the limits.
        """
        models = [s.model for s in self.spaces]
        incumbents = self.near(space, self.starts[models.index(space.model)])
        best = min(incumbents, key=Contender.tie_key, default=None)
        limits = BLIND_LIMITS if best is None else (tie_limit(best),)
        for limit in limits:
            result = self._exhausted(space, limit, keep_all=False)
            self.evaluated += result.evaluated
            incumbents += contender(space, result.indices, result.errors)
            if incumbents or not result.complete:
                break
        return min(incumbents, key=Contender.tie_key, default=None)

    def near(self, space: Space, starts: Floats) -> list[Contender]:
        """Round exact networks to combinations that meet the job's limits.

        Parameters
        ----------
        space : Space
            The candidates.
        starts : numpy.ndarray of float, shape (starts, elements)
            Logarithms of element values.

        Returns
        -------
        list of Contender
            Combinations near the starts.
        """
        feasible: list[Contender] = []
        if not len(starts):
            return feasible
        # Where candidates are far apart the level has to be watched from the beginning.
        for weight in _LEVEL_WEIGHTS:
            indices = rounded(space, starts, level_weight=weight)
            for _ in range(3):
                indices = self._promising(space, indices)
                chosen = indices[space.admitted(indices)]
                errors = space.error(space.values(chosen))
                feasible += contender(space, chosen, errors)
                if not len(chosen):
                    chosen, errors = indices[:6], np.arange(6.0)[: len(indices)]
                indices = neighbours(space, chosen[np.argsort(errors, kind="stable")[:6]])
            if feasible:
                break
        return feasible

    def _descend(self, space: Space, starts: Floats) -> list[Contender]:
        """Combinations of a network of the user's own where none near the curve is known."""
        known = self.best(space)
        if known is not None and known.centred_db <= _MADE_DB:
            return []
        until = time.perf_counter() + _DESCENT_SECONDS
        if self.deadline is not None:
            until = (time.perf_counter() + self.deadline) / 2.0
        ends = descended(space, rounded(space, starts[:_DESCENT_STARTS]), deadline=until)
        ends = ends[space.admitted(ends)]
        return contender(space, ends, space.error(space.values(ends)))

    def _promising(self, space: Space, indices: Indices) -> Indices:
        """The combinations with the smallest errors, those off the level last."""
        rows = space.model.rows(space.values(indices))
        self.evaluated += len(rows)
        level = self.job.target.level_tolerance_db / NEPER_DB
        score = np.ptp(rows[:, :-1], axis=1)
        score += 10.0 * np.maximum(np.abs(rows[:, -1]) - level, 0.0)
        return indices[np.argsort(score, kind="stable")[:_FIRST_LOOK]]

    def run(self, limit: float, *, keep_all: bool = False, each: bool = False) -> Pass:
        """Examine all combinations of all networks within an error limit.

        Parameters
        ----------
        limit : float
            Largest centred error [Np].
        keep_all : bool, optional
            Whether to list all combinations within the limit; else the limit follows the best.
        each : bool, optional
            Whether to look for the best combination of each network that comes near the best.

        Returns
        -------
        Pass
            What was found.  The end of the budget and an interruption from the keyboard end
            the pass.
        """
        feasible: list[Contender] = []
        complete = True
        for space in self._by_promise():
            within = self._own_limit(space, limit) if each else limit
            try:
                result = self._exhausted(space, within, keep_all=keep_all)
            except KeyboardInterrupt:
                complete = False
                break
            self.evaluated += result.evaluated
            listed = contender(space, result.indices, result.errors)
            feasible += listed
            if each:
                self.pool += listed[:1]
            if not keep_all:
                limit = min(limit, result.limit)
            if not result.complete:
                complete = False
                break
            if each:
                least = listed[0].centred_db / NEPER_DB if listed else result.limit
                self.lower_of[self.spaces.index(space)] = max(0.0, least - resolution(least))
        if not complete:
            bounds = [self.lower_of.get(i, 0.0) for i in range(len(self.spaces))]
            self.lower = max(self.lower, min(bounds))
        feasible.sort(key=Contender.tie_key)
        self.pool += feasible[:_FIRST_LOOK]
        return Pass(feasible, complete)

    def _by_promise(self) -> list[Space]:
        """Networks, the one with the best pick so far first."""

        def error_of(space: Space) -> float:
            known = self.best(space)
            return math.inf if known is None else known.centred_db

        return sorted(self.spaces, key=error_of)

    def _own_limit(self, space: Space, limit: float) -> float:
        """The limit that keeps the best of one network, where it is not far above that of all."""
        known = self.best(space)
        own = limit if known is None else max(limit, tie_limit(known))
        few = len(space.candidates) < MANY_POSITIONS
        return own if few or own <= _WORTH_PROVING * limit else limit

    def cut(self, space: Space, limit: float) -> Boxes:
        """Find boxes of a network that may hold a combination within an error limit.

        Parameters
        ----------
        space : Space
            The network.
        limit : float
            Largest centred error [Np].

        Returns
        -------
        Boxes
            See `antecurve.pick.monotone_bounds.monotone_cut`.
        """
        wide = max(limit, _COARSE_DB / NEPER_DB)
        return monotone_cut(space.model, space.grids, limit=wide, deadline=self.deadline)

    def _exhausted(self, space: Space, limit: float, *, keep_all: bool) -> Exhausted:
        """Examine one network's combinations within an error limit."""
        number = self.spaces.index(space) if space in self.spaces else None
        known = 0.0 if number is None else self.lower_of.get(number, 0.0)
        result, proved = exhausted_in_steps(
            space, limit, lambda boxes, now: self._examine(space, boxes, now, keep_all),
            proved=known, whole=keep_all, deadline=self.deadline,
        )  # fmt: skip
        if number is not None and proved > known:
            self.lower_of[number] = proved
        return result or self._examine(space, self.cut(space, limit), limit, keep_all)

    def _examine(self, space: Space, boxes: Boxes, limit: float, keep_all: bool) -> Exhausted:
        def watch(now: float, evaluated: int, open_boxes: int) -> bool:
            self.tell(space.model.topology.form, now, evaluated=evaluated, open_boxes=open_boxes)
            return False

        tried = math.inf if self._executor is None else time.perf_counter() + _TRIED_SECONDS
        here = min(tried, self.deadline or math.inf)
        result = exhaust_in_threads(
            space, boxes, limit=limit, keep_all=keep_all, watch=watch, deadline=here
        )
        # One that ends before its time is complete, or was stopped.
        if self._executor is None or result.complete or time.perf_counter() < here:
            return result
        return exhaust_by(
            self._executor, space, boxes, limit=limit, keep_all=keep_all, watch=watch,
            deadline=self.deadline,
        )  # fmt: skip

    def tell(self, form: str, limit: float, *, evaluated: int, open_boxes: int) -> None:
        """Report progress, ten times a second at most.

        Parameters
        ----------
        form : str
            Form being searched.
        limit : float
            Smallest objective so far [Np].
        evaluated, open_boxes : int
            Combinations evaluated since the last pass, and boxes open.
        """
        if self._progress is None or self.seconds - self._reported < _PROGRESS_SECONDS:
            return
        self._reported = self.seconds
        known = min((c.centred_db for c in self.pool), default=math.inf)
        if limit * NEPER_DB < known and math.isfinite(known):
            known = limit * NEPER_DB
        self._progress(
            PickProgress(
                form,
                known if math.isfinite(known) else None,
                self.lower * NEPER_DB,
                self.evaluated + evaluated,
                open_boxes,
                self.seconds,
                None if self.deadline is None else self.deadline - time.perf_counter(),
            )
        )
