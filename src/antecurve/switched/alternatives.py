"""Other switches for the same curves: fewer poles with a larger error, equal or freer levels."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from math import inf

from antecurve.errors import AntecurveError
from antecurve.networks.topology import ElementKind
from antecurve.parts.drawer import Drawer
from antecurve.pick.candidates import Candidates, stock_of
from antecurve.pick.result import SearchReport
from antecurve.results import Result
from antecurve.switched.added_parts import serving_throw, soldered
from antecurve.switched.joint_parts import BoxPick
from antecurve.switched.joint_pick import PickedBox, box_pick
from antecurve.switched.joint_proof import JointProof, Told
from antecurve.switched.position_bound import Budget
from antecurve.switched.request import BoxJob
from antecurve.switched.sharing import SharedSet, Sharings

__all__ = ["Alternative", "Option", "alternatives_of", "as_searched", "options_of"]

_LARGEST_DB = 12.0  # a curve that is further off is another curve
_FEWER = 2  # poles fewer: with less still every curve is much the same
_BOUND_SECONDS = 6.0  # for a bound of each: with pairs a pass takes two to three
_SHARES = (1.0 / 8.0, 1.0 / 2.0)  # of the error, that are searched through for a bound
_SETS_TRIED = 2  # with the other levels: each costs as long as one of the job's own


@dataclass(frozen=True, slots=True)
class Alternative(Result):
    """Another set of switched positions, with its best values and with parts near them.

    Attributes
    ----------
    what : str
        What it is: throws that add to a part that stays, ``fewer poles``, ``equal levels`` or
        ``free levels``.
    form : str
        Name of the form.
    switched : tuple of str
        References of the switched positions; as many poles.
    centred_db : float
        Largest centred error over the positions with the best values met [dB].
    picked_db : float or None
        The same with parts [dB]; ``None`` where no parts near these values meet the limits.
    part_count : int or None
        Number of parts.
    values : dict of str to float
        Value of each position [ohm or F], those of a throw by its number, ``R2_1``; empty
        without parts.
    lower_bound_db : float
        With any parts of this network, switched alike and with these ultrasonic poles, some
        position is at least as far off [dB]; 0 where that was not proved.
    proved : bool
        Whether no such parts have a smaller largest error.
    """

    what: str
    form: str
    switched: tuple[str, ...]
    centred_db: float
    picked_db: float | None
    part_count: int | None
    values: dict[str, float]
    lower_bound_db: float = field(default=0.0, compare=False)  # by the time that there was
    proved: bool = field(default=False, compare=False)


@dataclass(frozen=True, slots=True, eq=False)
class Option:
    """An alternative with all that a box is made of.

    Attributes
    ----------
    what : str
        As in `Alternative`.
    job : BoxJob
        The job; of other levels than were asked for.
    sharings : Sharings
        Where the set comes from.
    shared : SharedSet
        The set of switched positions.
    pick : BoxPick or None
        Its parts; ``None`` where none meet the limits.
    search : SearchReport or None
        What is proved of them; ``None`` where there was no time for it.
    """

    what: str
    job: BoxJob
    sharings: Sharings
    shared: SharedSet
    pick: BoxPick | None
    search: SearchReport | None = None

    @property
    def alternative(self) -> Alternative:
        """What is said of it."""
        return _alternative(self.what, self.shared, self.pick, self.search)


def as_searched(picked: PickedBox) -> Alternative:
    """Describe the pick of the search as an alternative to one that was chosen by hand.

    Parameters
    ----------
    picked : PickedBox
        What the search came to.

    Returns
    -------
    Alternative
        The pick.
    """
    what = "the pick of the search"
    return _alternative(what, picked.best.shared, picked.best, picked.search)


def alternatives_of(
    job: BoxJob, picked: PickedBox, drawer: Drawer | None = None
) -> tuple[Alternative, ...]:
    """List other switches for the curves of a box; see `options_of`.

    Parameters
    ----------
    job : BoxJob
        The box.
    picked : PickedBox
        Its pick.
    drawer : Drawer, optional
        Parts on hand.

    Returns
    -------
    tuple of Alternative
        Without what the boxes are made of.
    """
    return tuple(option.alternative for option in options_of(job, picked, drawer))


def options_of(job: BoxJob, picked: PickedBox, drawer: Drawer | None = None) -> tuple[Option, ...]:
    """List other switches for the curves of a box, with all that they are made of.

    Parameters
    ----------
    job : BoxJob
        The box.
    picked : PickedBox
        Its pick.
    drawer : Drawer, optional
        Parts on hand.

    Returns
    -------
    tuple of Option
        The same set with throws that add to a part that stays, where that saves parts or is
        nearer; for each smaller number of poles the set with the smallest error; and the fewest
        poles with equal levels, or with free ones where equal levels were asked for.  None after
        an interruption from the keyboard; one on the way ends the list.
    """
    budget = picked.sharings.budget
    budget.cut_alternatives_short = True  # until all are there
    if picked.interrupted:
        return ()
    listed: list[Option] = []
    with suppress(KeyboardInterrupt):
        for option in _each(job, picked, stock_of(job.common, drawer)):
            listed.append(option)
        budget.cut_alternatives_short = budget.late
        for number, option in enumerate(listed):
            listed[number] = _bounded(option, budget)
    return tuple(listed)


def _each(job: BoxJob, picked: PickedBox, stock: dict[ElementKind, Candidates]) -> Iterator[Option]:
    """The alternatives, quickest first."""
    budget = picked.sharings.budget
    budget.begin_alternatives()
    count = len(picked.best.shared.switched)
    for adding in picked.adding:
        joined = ", ".join(f"{a.ref} in {a.joined}" for a in adding.additions)
        what = f"throws add to {joined}"
        yield Option(what, job, picked.sharings, adding.shared, adding)
    for fewer in range(count - 1, max(-1, count - 1 - _FEWER), -1):
        if budget.late:
            break
        near = picked.sharings.nearest(fewer, limit_db=_LARGEST_DB)
        if near:
            rounded = box_pick(job, picked.sharings, near[0], stock)
            yield Option("fewer poles", job, picked.sharings, near[0], rounded)
    if budget.late:
        return
    other = replace(job, switch=replace(job.switch, equal_levels=not job.switch.equal_levels))
    levels = "free levels" if job.switch.equal_levels else "equal levels"
    fewest = _fewest(levels, other, stock, budget.for_search())
    if fewest is not None:
        yield fewest


def _bounded(option: Option, budget: Budget) -> Option:
    """An option with a bound of its error, and with better parts where the search meets some."""
    if option.pick is None or budget.late:
        return option
    proof = JointProof(Told(None, budget.clock))
    pick = proof.improved(option.pick, budget.for_search(_BOUND_SECONDS), shares=_SHARES)
    return replace(option, pick=pick, search=proof.report(pick))


def _alternative(
    what: str, shared: SharedSet, picked: BoxPick | None, search: SearchReport | None
) -> Alternative:
    order = shared.joint.topology.refs
    switched = tuple(r for r in order if r in shared.switched)
    values: dict[str, float] = {}
    networks = () if picked is None else picked.networks
    for number, network in enumerate(networks, start=1):
        for position in network.positions:
            ref = position.element.ref
            added = picked is not None and any(a.ref == ref for a in picked.additions)
            separate = ref in shared.joint.separate
            serving = serving_throw(networks, number, ref, added=added)
            for name, piece in soldered(position, serving, separate=separate, added=added):
                values[name] = piece.value
    picked_db = None if picked is None else picked.pick.error_db
    best_db = min(shared.error_db, inf if picked_db is None else picked_db)
    count = None if picked is None else picked.part_count
    made = Alternative(what, shared.form, switched, best_db, picked_db, count, values)
    if search is None:
        return made
    return replace(made, lower_bound_db=search.lower_bound_db, proved=search.proved)


def _fewest(
    what: str, job: BoxJob, stock: dict[ElementKind, Candidates], budget: Budget
) -> Option | None:
    """One of the smallest sets that make every curve exactly, and its parts where there are any."""
    try:
        sharings = Sharings(job, stock, budget)
        for count in range(sharings.most + 1):
            if budget.late:
                return None
            sets = sharings.exact(count, most=_SETS_TRIED)
            options = [
                Option(what, job, sharings, s, box_pick(job, sharings, s, stock)) for s in sets
            ]
            if options:
                return min(options, key=lambda o: inf if o.pick is None else o.pick.pick.error_db)
    except AntecurveError:
        return None
    return None
