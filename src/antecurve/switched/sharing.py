"""The fewest positions that must be switched, over all forms and all sets of positions.

For each form the exact values of every curve are tabulated and bounded (`exact_tables`).
Conflicts between two curves (`conflicts`) rule out sets of positions; a set that resolves all of
them is tried by solving for the values of all positions at once (`joint_network`).  The smallest
set that makes every curve exactly is proved smallest where conflicts with proved bounds, or boxes
of values (`exclusion`), rule out every smaller one in all ways to throw positions (`ways`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import chain, combinations

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import zero_pole_gain
from antecurve.errors import NoCombinationError, UnattainableError
from antecurve.networks.topology import ElementKind, Topology
from antecurve.pick.candidates import Candidates
from antecurve.switched.conflicts import APART, Conflict, fewest_hitting, needed_conflicts
from antecurve.switched.exact_tables import form_tables, pole_range
from antecurve.switched.exclusion import Exclusions
from antecurve.switched.joint_network import JointNetwork, Solved
from antecurve.switched.limit_sets import WithinLimit, sets_within
from antecurve.switched.position_bound import Budget
from antecurve.switched.refusals import beyond_range, curves_apart, out_of_range_refusal
from antecurve.switched.request import BoxJob
from antecurve.switched.throws import MOST_THROWN, ThrownNetwork
from antecurve.switched.value_ranges import ranges_of
from antecurve.switched.ways import FormWays, Way

__all__ = ["EXACT_DB", "SharedSet", "Sharings", "chosen_poles"]

Floats = NDArray[np.float64]

EXACT_DB = 5e-3
"""Error [dB] below which values count as exact: no bench shows less, and 3180 us and 50 Hz, which
published curves use for one another, differ by as much."""
_STARTS = 12  # a third the nearest, the others all over: near ones may lie beside a level's limit
_ANCHORS = 48  # exact values of the first position that the others are sought for
_OFF_LEVEL = 1e-3  # of a start: decides where nothing is shared, and hardly else
_MOST_SETS = 8  # of one size: more than are rounded to parts
_QUICK_ROUNDS = 12  # of least squares, to see whether a set comes near its limit
_QUICK_STARTS = 3  # of the same, as quickly
_FLATTENED = 6  # of the sets of one size: what is further off after a quick look stays so
_Problem = tuple[str, tuple[tuple[Topology, tuple[int, ...]], ...], frozenset[str]]
_NEAR = 4.0  # times the limit: what least squares leaves comes down to a half or so


@dataclass(frozen=True, slots=True, eq=False)
class SharedSet:
    """A set of switched positions with which every curve is met.

    Attributes
    ----------
    way : Way
        The form, and what the throws leave of it.
    switched : frozenset of str
        References of the switched positions.
    joint : JointNetwork
        The positions as one problem.
    solved : Solved
        Values that meet the curves, from several starts.
    conflicts : tuple of Conflict or None
        Why no smaller set makes every curve exactly; ``None`` where conflicts do not prove it.
    """

    way: Way
    switched: frozenset[str]
    joint: JointNetwork
    solved: Solved
    conflicts: tuple[Conflict, ...] | None

    @property
    def form(self) -> str:
        """Name of the form."""
        return self.way.form

    @property
    def networks(self) -> tuple[ThrownNetwork, ...]:
        """What the throws leave of the network, by switch position."""
        return self.way.networks

    @property
    def error_db(self) -> float:
        """Largest centred error with the best values [dB]."""
        return float(self.solved.error_db[0])


class Sharings:
    """Sets of switched positions of a box, fewest first.

    Parameters
    ----------
    box_job : BoxJob
        The box.
    stock : dict of ElementKind to Candidates
        Values that a position can take.
    budget : Budget, optional
        Time for the search: where it is used up, what was not looked into is left out.

    Attributes
    ----------
    refused : dict of str to str
        Forms that can't make the curves, and why.
    left_out : tuple of str
        Forms that there was no time for.
    cut_short : bool
        Whether the time ended before every set of fewer positions was tried.
    most : int
        Number of positions of the largest network.

    Raises
    ------
    UnattainableError
        When no form can make every curve: the message names the positions.
    """

    def __init__(
        self, box_job: BoxJob, stock: dict[ElementKind, Candidates], budget: Budget | None = None
    ) -> None:
        self.box_job = box_job
        self.budget = Budget() if budget is None else budget
        self.left_out: tuple[str, ...] = ()
        self.cut_short = False
        self._ranges = ranges_of(stock)
        self.refused: dict[str, str] = {}
        self._jobs = tuple((p, box_job.job_of(p.name)) for p in box_job.positions)
        self._poles_hz = box_job.switch.lowest_pole_hz
        shortest, longest = pole_range(self._poles_hz)
        self._poles = (float(np.log(shortest)), float(np.log(longest)))
        self._forms: list[FormWays] = []
        self._looked_at: dict[int, list[SharedSet]] = {}
        self._exact: dict[_Problem, tuple[JointNetwork, Solved]] = {}
        self._over_impedance: dict[JointNetwork, Solved] = {}
        failure: UnattainableError | None = None
        for form in box_job.common.network.forms:
            if self._forms and self.budget.late_for_forms:
                self.left_out += (form,)
                continue
            try:
                tables = form_tables(form, self._jobs, lowest_pole_hz=self._poles_hz)
                out_of_range = out_of_range_refusal(form, tables, self._ranges)
            except UnattainableError as error:
                self.refused[form] = f"{error.condition}; {error.remedy}"
                failure = failure or error
                continue
            if out_of_range is not None:  # nearer to a solution than a form that makes no curve
                self.refused[form] = f"{out_of_range.condition}; {out_of_range.remedy}"
                failure = out_of_range
                continue
            exclusions = Exclusions(tables, self._jobs, self._ranges, self._poles_hz, self.budget)
            self._forms.append(FormWays(form, tables, exclusions, self.budget))
        if not self._forms:
            apart = curves_apart(box_job.common.network.forms, self._jobs, self._poles_hz)
            if apart is not None:
                raise apart
            assert failure is not None
            same = f"{failure.condition}; {failure.remedy}"
            names = ", ".join(form for form, why in self.refused.items() if why == same)
            raise UnattainableError(names, failure.condition, failure.remedy)
        self.most = max(len(f.tables.topology.refs) for f in self._forms)

    def exact(self, count: int, *, most: int = _MOST_SETS) -> list[SharedSet]:
        """List the sets of one size with which every curve is made exactly.

        Parameters
        ----------
        count : int
            Number of switched positions.
        most : int, optional
            How many are enough.

        Returns
        -------
        list of SharedSet
            One for each form, way and set that has a solution within level, range and limits.
        """
        feasible = []
        for way in (w for form in self._forms for w in form.ways(count)):
            refs = way.tables.topology.refs
            for switched in fewest_hitting(refs, way.conflicts, way.forced, count):
                if (made := self._shared_most(way, switched)) is not None:
                    feasible.append(made)
                if len(feasible) == most or self.budget.late:
                    return feasible
        return feasible

    def all_switched(self) -> SharedSet | None:
        """Switch all positions but the last, across the output, of the first form that allows it.

        Returns
        -------
        SharedSet or None
            With it every curve is made exactly; ``None`` where levels or ranges allow none.
        """
        for form in self._forms:
            whole = self._shared_most(form.first, frozenset(form.tables.topology.refs[:-1]))
            if whole is not None:
                return whole
        return None

    def why(self, shared: SharedSet) -> tuple[Conflict, ...]:
        """List the few conflicts for which no set smaller than one makes every curve exactly.

        Parameters
        ----------
        shared : SharedSet
            A set that does.

        Returns
        -------
        tuple of Conflict
            None of them superfluous; of samples where it is not proved, or empty.
        """
        known = shared.conflicts
        if known is not None and all(conflict.proved for conflict in known):
            return known
        of_form = next(f for f in self._forms if f.form == shared.form)
        return of_form.why(shared.way, shared.switched) or known or ()

    @property
    def forms(self) -> tuple[str, ...]:
        """Names of the forms that make the curves."""
        return tuple(f.form for f in self._forms)

    def unproved_forms(self, count: int) -> tuple[str, ...]:
        """List the forms in which nothing proves that no set smaller than a size does.

        Parameters
        ----------
        count : int
            Number of switched positions.

        Returns
        -------
        tuple of str
            Forms in which some smaller set, with some way to throw positions, is not ruled out.
        """
        if count == 1 and self._zeros_differ():
            return ()
        if count - 1 > MOST_THROWN:
            return self.forms
        return tuple(f.form for f in self._forms if not f.rules_out(count - 1))

    def within_limit(
        self, count: int, *, limit_db: float, told: Callable[[str], None]
    ) -> WithinLimit:
        """Prove that sets of one size miss the error limit with any values, as time allows.

        Parameters
        ----------
        count : int
            Number of switched positions.
        limit_db : float
            The limit [dB].
        told : callable
            Called with the name of each form.

        Returns
        -------
        WithinLimit
            What is proved.
        """
        return sets_within(
            [f.tables for f in self._forms], self._jobs, pole_range(self._poles_hz), count,
            limit_db=limit_db, budget=self.budget, told=told,
        )  # fmt: skip

    def proved_count(self, form: str, most: int) -> int:
        """Count the positions that must be switched in a form, as far as it is proved.

        Parameters
        ----------
        form : str
            Name of a form that makes the curves.
        most : int
            Number beyond which nothing is looked for.

        Returns
        -------
        int
            No set of fewer positions makes every curve exactly; `most` at most.
        """
        of_form = next(f for f in self._forms if f.form == form)
        least = int(self._zeros_differ())
        while least < most and of_form.rules_out(least):
            least += 1
        return min(least, most)

    def _zeros_differ(self) -> bool:
        """Whether two curves have other zeros, so that one network cannot make both exactly."""
        zeros = [zero_pole_gain(p.curve).lowest_terms() for p, _ in self._jobs]
        return any(
            len(one.zeros_s) != len(other.zeros_s)
            or np.any(np.abs(np.log(np.divide(one.zeros_s, other.zeros_s))) > APART)
            for one, other in combinations(zeros, 2)
        )

    def _shared_most(self, way: Way, switched: frozenset[str]) -> SharedSet | None:
        """The set with as few values of their own as there can be.

        A position that is switched because a throw opens or shorts it may keep one value.
        """
        refs = way.tables.topology.refs
        needed = needed_conflicts(refs, way.conflicts, way.forced, len(switched))
        for kept in range(len(way.forced), -1, -1):
            for shared in combinations(sorted(way.forced), kept):
                separate = switched - set(shared)
                if not all(separate & set(c.refs) for c in way.conflicts):
                    continue
                joint, solved = self._solved(way, separate)
                if solved.error_db[0] < EXACT_DB and not solved.level_db[0]:
                    return SharedSet(way, switched, joint, solved, needed)
        return None

    def _solved(self, way: Way, separate: frozenset[str]) -> tuple[JointNetwork, Solved]:
        """The positions as one problem, and its solutions.

        Sets of several sizes share it, as do throws that leave the same of the network.
        """
        problem = (way.form, tuple((n.topology, n.order) for n in way.networks), separate)
        if problem not in self._exact:
            joint = self._joint(way, separate)
            self._exact[problem] = joint, joint.solve(self._starts(way, joint, _STARTS))
        return self._exact[problem]

    def nearest(self, count: int, *, limit_db: float) -> list[SharedSet]:
        """List the sets of one size by the error that they leave.

        Parameters
        ----------
        count : int
            Number of switched positions.
        limit_db : float
            Largest centred error [dB] that counts.

        Returns
        -------
        list of SharedSet
            Those within the limit, smallest error first.
        """
        near = [s for s in self._quickly(count) if s.error_db <= _NEAR * limit_db]
        flattened = [
            replace(s, solved=s.joint.flattened(s.solved.logs[0])) for s in near[:_FLATTENED]
        ]
        within = [s for s in flattened if s.error_db <= limit_db and not s.solved.level_db[0]]
        return sorted(within, key=lambda s: s.error_db)

    def _quickly(self, count: int) -> list[SharedSet]:
        """All sets of one size that keep the levels, after a quick look, smallest error first."""
        known = self._looked_at.get(count)
        if known is None:
            near: list[SharedSet] = []
            for way in (way for form in self._forms for way in form.plain):
                if len(way.forced) > count:
                    continue
                others = [r for r in way.tables.topology.refs if r not in way.forced]
                for more in combinations(others, count - len(way.forced)):
                    if self.budget.late:
                        break
                    switched = way.forced | set(more)
                    joint = self._joint(way, switched)
                    starts = self._starts(way, joint, _QUICK_STARTS)
                    quick = joint.solve(starts, rounds=_QUICK_ROUNDS)
                    if not quick.level_db[0]:
                        near.append(SharedSet(way, switched, joint, quick, None))
            known = sorted(near, key=lambda s: s.error_db)
            if not self.budget.late:  # else there may be more
                self._looked_at[count] = known
        return known

    def over_impedance(self, shared: SharedSet) -> Solved:
        """Solve for the values of a set all over level and impedance.

        Parameters
        ----------
        shared : SharedSet
            The set.

        Returns
        -------
        Solved
            From many starts near exact values.
        """
        joint = shared.joint
        if joint not in self._over_impedance:
            self._over_impedance[joint] = joint.solve(self._starts(shared.way, joint, _ANCHORS))
        return self._over_impedance[joint]

    def makes_every_curve(self) -> bool:
        """Tell whether every curve can be made if all positions are switched.

        Returns
        -------
        bool
            Whether some form does, in range, or the time ends before it is known.
        """
        for way in chain([f.first for f in self._forms], *(f.plain for f in self._forms)):
            joint = self._joint(way, frozenset(way.tables.topology.refs))
            solved = joint.solve(self._starts(way, joint, _ANCHORS))
            made = solved.error_db[0] < EXACT_DB and not solved.level_db[0]
            if made or self.budget.late:
                return True
        return False

    def no_sharing(self) -> NoCombinationError:
        """Explain why no set of positions meets level, range and limits.

        Returns
        -------
        NoCombinationError
            To be raised.
        """
        beyond_by_form = {
            form.form: beyond_range(form.tables, self._ranges) for form in self._forms
        }
        form, beyond = min(beyond_by_form.items(), key=lambda item: max(item[1].values()))
        concerned = {name: by for name, by in beyond.items() if by > 0.0}
        if concerned:
            needed = ", ".join(
                f"{name} values {100.0 * float(np.expm1(by)):.0f} % beyond it"
                for name, by in concerned.items()
            )
            return NoCombinationError(
                "resistors.range, capacitors.range",
                f"widen the range, or give these curves boxes of their own; in {form} it needs to "
                f"hold more: {needed}",
            )
        return NoCombinationError(
            "target.level_tolerance_db",
            "no switched positions bring every curve to its level; widen the level tolerance or "
            "the range, or drop equal_levels",
        )

    def _joint(self, way: Way, separate: frozenset[str]) -> JointNetwork:
        return JointNetwork(
            way.tables.topology,
            [
                (position.name, job, network, position.free_pole)
                for (position, job), network in zip(self._jobs, way.networks, strict=True)
            ],
            separate,
            self._ranges,
            self._poles,
        )

    def _starts(self, way: Way, joint: JointNetwork, most: int) -> Floats:
        """Exact values of each position: those that agree best upon the shared ones, and others."""
        tables = list(zip(way.tables.tables, way.networks, joint.contacts, strict=True))
        anchor = max(tables, key=lambda t: (len(t[2].columns), t[0].logs.shape[1]))
        count = len(anchor[0].logs)
        chosen = np.unique(np.linspace(0, count - 1, _ANCHORS).astype(int))
        middle = (joint.low + joint.high) / 2.0
        starts = np.tile(middle, (len(chosen), 1))
        distance = _OFF_LEVEL * anchor[0].off_level[chosen] ** 2
        own = anchor[2].columns
        starts[:, own] = anchor[0].values(anchor[1])[chosen]
        if anchor[2].pole >= 0:
            starts[:, anchor[2].pole] = np.log(anchor[0].poles_s[chosen])
        for table, network, contact in tables:
            if contact is anchor[2] or table.logs.shape[1] != len(contact.columns):
                continue
            values = table.values(network)
            common = np.isin(contact.columns, own)
            apart = (starts[:, None, contact.columns[common]] - values[None][:, :, common]) ** 2
            whole = apart.sum(axis=2) + _OFF_LEVEL * table.off_level**2
            nearest = whole.argmin(axis=1)
            distance += whole.min(axis=1)
            starts[:, contact.columns[~common]] = values[nearest][:, ~common]
            if contact.pole >= 0:
                starts[:, contact.pole] = np.log(table.poles_s[nearest])
        order = np.argsort(distance, kind="stable")
        nearest = min(-(-most // 3), len(order))
        last = len(order) - 1
        spread = np.linspace(min(nearest, last), last, most - nearest).astype(int)
        return np.asarray(starts[order[np.unique(np.append(np.arange(nearest), spread))]])


def chosen_poles(shared: SharedSet, logs: Floats) -> dict[str, float]:
    """Read the ultrasonic poles off the values of all positions.

    Parameters
    ----------
    shared : SharedSet
        The set.
    logs : numpy.ndarray of float, shape (variables,)
        The values.

    Returns
    -------
    dict of str to float
        Time constant [s] by name of the switch position; 0 where none was free.
    """
    return {
        c.name: float(np.exp(logs[c.pole])) if c.pole >= 0 else 0.0 for c in shared.joint.contacts
    }
