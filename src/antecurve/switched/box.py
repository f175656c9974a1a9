"""A box: one network with a switch, and a design for each of its positions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from antecurve.analysis.error_summary import error_summary
from antecurve.analysis.level import level_report
from antecurve.analysis.parts_list import PartsList, parts_list
from antecurve.analysis.ratings import PartStress
from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.topology import Topology
from antecurve.parts.drawer import Drawer
from antecurve.parts.position import PickedNetwork, Position
from antecurve.parts.scatter import part_references
from antecurve.pick.result import PickProgress, SearchReport
from antecurve.pipeline import Design, design_stresses
from antecurve.results import Later, Result, plain
from antecurve.switched.added_parts import soldered
from antecurve.switched.alternatives import (
    Alternative,
    Option,
    alternatives_of,
    as_searched,
    options_of,
)
from antecurve.switched.claims import chosen_claim
from antecurve.switched.joint_parts import BoxPick
from antecurve.switched.joint_pick import PickedBox, pick_box
from antecurve.switched.request import BoxJob
from antecurve.switched.switch import Switch, switch_of
from antecurve.threads import single_threaded_linear_algebra

if TYPE_CHECKING:
    import pandas

    from antecurve.analysis.prices import Prices

__all__ = [
    "Box",
    "box_parts_list",
    "box_positions",
    "design_box",
    "with_box_alternative",
]


@dataclass(frozen=True, slots=True)
class Box(Result):
    """A box that imposes one of several curves.

    Attributes
    ----------
    job : BoxJob
        What was asked for.
    topology : Topology
        The whole network, all positions in it.
    designs : tuple of Design
        For each position of the switch a design like any other, in the order of the switch.
    switch : Switch
        The switch, and why none smaller does.
    alternatives : sequence of Alternative
        Other sets of switched positions, and what they cost or bring; worked out once they are
        looked at.
    """

    job: BoxJob
    topology: Topology
    designs: tuple[Design, ...]
    switch: Switch
    alternatives: Sequence[Alternative] = ()
    _kept: dict[str, Any] = field(default_factory=dict, init=False, compare=False, repr=False)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the positions, in order."""
        return self.job.names

    @property
    def alternatives_cut_short(self) -> bool:
        """Whether budget or an interruption ended the search for alternatives."""
        len(self.alternatives)  # which works them out
        return bool(self._kept.get("cut short"))

    @property
    def search(self) -> SearchReport:
        """What the joint search examined and proved: the same of every position."""
        return self.designs[0].search

    def position(self, name: str) -> Design:
        """Take the design of one position of the switch.

        Parameters
        ----------
        name : str
            Its name, case apart.

        Returns
        -------
        Design
            A design like any other: every analysis of a design takes it.

        Raises
        ------
        InputError
            When there is no such position; the message lists those there are.
        """
        return self.designs[self.names.index(self.job.position(name).name)]

    def part_reference(self, ref: str, throw: int) -> str:
        """Name the part that a position of the network has in one position of the switch.

        Parameters
        ----------
        ref : str
            Reference of the position of the network.
        throw : int
            Number of the throw, from 1.

        Returns
        -------
        str
            With the number of the throw where each throw has a part of its own: ``R2_1``; where
            an equal part of an earlier one serves it, with the number of that one.
        """
        return f"{ref}_{self._serving(ref, throw)}" if ref in self.switch.separate else ref

    def _serving(self, ref: str, throw: int) -> int:
        """Number of the throw whose part the contact of another one goes to."""
        at = self.names[throw - 1]
        part = next((c.part for c in self.switch.contacts if (c.ref, c.position) == (ref, at)), "")
        return int(part.removeprefix(f"{ref}_")) if part.startswith(f"{ref}_") else throw

    def pieces(self, position: Position, throw: int) -> tuple[tuple[str, Position], ...]:
        """Name what is soldered in for one position of the network in one throw.

        Parameters
        ----------
        position : Position
            The position with its parts.
        throw : int
            Number of the throw, from 1.

        Returns
        -------
        tuple of tuple
            References in the parts list and what has them: one, or where a throw adds to a part
            that stays that part, ``C2``, and what is added, ``C2_1``.
        """
        ref = position.element.ref
        return soldered(
            position,
            self._serving(ref, throw),
            separate=ref in self.switch.separate,
            added=any(a.ref == ref for a in self.switch.added),
        )

    def part_names(self, position: Position, throw: int) -> dict[str, str]:
        """Name each part of a position of the network in one throw as the parts list does.

        Parameters
        ----------
        position : Position
            The position with its parts.
        throw : int
            Number of the throw, from 1.

        Returns
        -------
        dict of str to str
            Reference in the parts list by that in the design of the switch position.
        """
        own = part_references(position)
        named = [
            part_references(replace(piece, element=replace(piece.element, ref=ref)))
            for ref, piece in self.pieces(position, throw)
        ]
        return dict(zip(own, (ref for refs in named for ref in refs), strict=True))

    def to_dict(self) -> dict[str, Any]:
        """Convert the box to plain data: the first position's design, then switch and positions.

        Returns
        -------
        dict
            As ``design.json`` holds it.
        """
        content = self.designs[0].to_dict()
        content["switch"] = self.switch.to_dict()
        content["switch_request"] = plain(self.job.switch)
        content["whole"] = plain(self.topology.elements)
        content["positions"] = [
            {"position": name, **design.to_dict()}
            for name, design in zip(self.names, self.designs, strict=True)
        ]
        content["alternatives"] = [a.to_dict() for a in self.alternatives]
        return content

    def to_frame(self) -> pandas.DataFrame:
        """Tabulate the positions of the switch.

        Returns
        -------
        pandas.DataFrame
            One row a position: its name, curve, ultrasonic poles [Hz], error and level [dB].
        """
        import pandas

        rows = []
        for name, design in zip(self.names, self.designs, strict=True):
            error, level = error_summary(design), level_report(design)
            rows.append(
                {
                    "position": name,
                    "curve": design.curve.name,
                    "ultrasonic_poles_hz": [
                        1.0 / (2.0 * np.pi * t) for t in design.curve.ultrasonic_poles_s
                    ],
                    "centred_db": error.job.centred_db,
                    "gain_db_at_1khz": level.gain_db_at_1khz,
                }
            )
        return pandas.DataFrame(rows)


@checked
def design_box(
    job: BoxJob,
    *,
    drawer: Drawer | None = None,
    progress: Callable[[PickProgress], None] | None = None,
    budget_seconds: float | None = None,
) -> Box:
    """Design a box: the fewest switched positions, and parts for all positions of the switch.

    Parameters
    ----------
    job : BoxJob
        What is to be built.
    drawer : Drawer, optional
        Parts on hand.
    progress : callable, optional
        Called with the progress of the search.
    budget_seconds : float, optional
        Time for search and alternatives [s]; by default that of the job.

    Returns
    -------
    Box
        The box; `Box.position` gives the design of each position.

    Raises
    ------
    UnattainableError
        When no form makes every curve; the message names the positions.
    NoCombinationError
        When no combination of parts meets the limits in every position.
    InputError
        When a form or a series does not exist.
    """
    with single_threaded_linear_algebra(of_scipy=False):
        picked = pick_box(job, drawer=drawer, progress=progress, budget_seconds=budget_seconds)
    return _searched(job, picked, drawer)


@checked
def with_box_alternative(
    job: BoxJob,
    alternative: Alternative | int,
    *,
    drawer: Drawer | None = None,
    progress: Callable[[PickProgress], None] | None = None,
    budget_seconds: float | None = None,
) -> Box:
    """Make an alternative of a box the pick; the search is made again, as it holds all parts.

    Parameters
    ----------
    job : BoxJob
        What was asked for.
    alternative : Alternative or int
        One that the search for this job lists, or its number there, from 1; 0 is the pick of the
        search.
    drawer : Drawer, optional
        Parts on hand.
    progress : callable, optional
        Called with the progress of the search.
    budget_seconds : float, optional
        Time for search and alternatives [s]; by default that of the job.

    Returns
    -------
    Box
        With that switch and its parts, and a lower bound of their error.  The pick of the search
        is the first of its alternatives.

    Raises
    ------
    InputError
        When the search does not list it (any more), or no parts meet the limits with it.
    """
    with single_threaded_linear_algebra(of_scipy=False):
        picked = pick_box(job, drawer=drawer, progress=progress, budget_seconds=budget_seconds)
        if alternative == 0:
            return _searched(job, picked, drawer)
        options = options_of(job, picked, drawer)
        listed = (as_searched(picked), *(option.alternative for option in options))
        number = _number(alternative, listed)
        if number == 0:
            return _box_of(job, picked, listed[1:])
        option = options[number - 1]
        if option.pick is None:
            raise InputError("alternative", number, "no parts near its values meet the limits")
        taken = _by_hand(picked, option, option.pick)
        return _box_of(option.job, taken, (*listed[:number], *listed[number + 1 :]))


def _number(alternative: Alternative | int, listed: tuple[Alternative, ...]) -> int:
    """Place of an alternative among those listed, the pick of the search first."""
    if isinstance(alternative, Alternative):
        if alternative not in listed:
            rule = "job or drawer changed since it was listed; find parts again"
            raise InputError("alternative", alternative.what, rule)
        return listed.index(alternative)
    if not 0 <= alternative < len(listed):
        most = len(listed) - 1
        rule = f"use 1 to {most}, as they are listed" if most else "this box has none"
        raise InputError("alternative", alternative, rule)
    return alternative


def _by_hand(picked: PickedBox, option: Option, pick: BoxPick) -> PickedBox:
    """What the search came to, with another pick."""
    alternative = option.alternative
    error_db, bound_db = pick.pick.error_db, alternative.lower_bound_db
    claim = chosen_claim(error_db, search_db=picked.search.objective_db, bound_db=bound_db)
    search = replace(
        picked.search, objective_db=error_db, proved=alternative.proved, lower_bound_db=bound_db,
        claim=claim,
    )  # fmt: skip
    unproved = option.sharings.unproved_forms(len(option.shared.switched))
    return PickedBox(pick, search, option.sharings, unproved)


def _searched(job: BoxJob, picked: PickedBox, drawer: Drawer | None) -> Box:
    """The box that the search came to; its alternatives take as long as the pick."""

    def worked_out() -> tuple[Alternative, ...]:
        with single_threaded_linear_algebra(of_scipy=False):
            made = alternatives_of(job, picked, drawer)
        box._kept["cut short"] = picked.sharings.budget.cut_alternatives_short
        return made

    box = _box_of(job, picked, Later(worked_out))
    return box


def _box_of(job: BoxJob, picked: PickedBox, alternatives: Sequence[Alternative]) -> Box:
    """The box of a pick; an interruption while its reasons are looked for leaves some out."""
    designs = _designs(picked)
    topology = picked.best.shared.joint.topology
    try:
        switch = switch_of(picked, designs)
    except KeyboardInterrupt:
        picked.sharings.budget.end()
        switch = switch_of(picked, designs)
    return Box(job, topology, designs, switch, alternatives)


def _designs(picked: PickedBox) -> tuple[Design, ...]:
    """A design for each position of the switch."""
    best = picked.best
    joint, exact = best.space.joint, best.exact
    designs = []
    for number, (position, contact, network) in enumerate(
        zip(best.space.positions, joint.contacts, best.networks, strict=True)
    ):
        values = np.exp(best.solution[contact.columns])
        filled = tuple(
            replace(p, exact=float(value) if exact else None)
            for p, value in zip(network.positions, values, strict=True)
        )
        topology = _named(network.topology, best, number)
        designs.append(
            Design(
                position.space.model.job,
                PickedNetwork(topology, filled),
                picked.search,
                position=position.name,
            )
        )
    return tuple(designs)


def _named(topology: Topology, best: BoxPick, number: int) -> Topology:
    """The network of a position, its form named with what the throw opens or shorts."""
    states = best.shared.networks[number].states
    if not states:
        return topology
    thrown = ", ".join(f"{ref} {state}" for ref, state in states)
    return replace(topology, form=f"{best.shared.form}, {thrown}")


def box_positions(box: Box, *, position: str | None = None) -> PickedNetwork:
    """List every part of a box once, each under a reference of its own.

    Parameters
    ----------
    box : Box
        The box.
    position : str, optional
        Name of a switch position, for the parts that are in circuit there.

    Returns
    -------
    PickedNetwork
        Shared positions under their reference, those of a throw with its number, ``R2_1``; a
        list, not a circuit.

    Raises
    ------
    InputError
        When there is no such position.
    """
    only = None if position is None else box.job.position(position).name
    fitted: dict[str, Position] = {}
    for number, design in enumerate(box.designs, start=1):
        if only not in (None, design.position):
            continue
        for filled in design.picked.positions:
            for ref, piece in box.pieces(filled, number):
                fitted.setdefault(ref, replace(piece, element=replace(piece.element, ref=ref)))
    order = list(box.topology.refs)
    positions = sorted(fitted.values(), key=lambda p: order.index(p.element.ref.split("_")[0]))
    topology = Topology(box.switch.form, tuple(p.element for p in positions))
    return PickedNetwork(topology, tuple(positions))


def box_parts_list(
    box: Box, *, position: str | None = None, sets: int = 1, spares: float = 0.0,
    prices: Prices | None = None,
) -> PartsList:  # fmt: skip
    """List the parts of a box once: shared ones, and those of each throw.

    Parameters
    ----------
    box : Box
        The box.
    position : str, optional
        Name of a switch position, for the parts that are in circuit there.
    sets, spares, prices : optional
        See `antecurve.analysis.parts_list.parts_list`.

    Returns
    -------
    PartsList
        One line per distinct part; a switched part carries the number of its throw, ``R2_1``.
        Ratings are for every position of the switch.

    Raises
    ------
    InputError
        When there is no such position, or `sets` or `spares` are out of range.
    """
    stresses: dict[str, PartStress] = {}
    worked = [design_stresses(design) for design in box.designs]
    for number, (design, of_position) in enumerate(zip(box.designs, worked, strict=True), start=1):
        names = {
            own: name
            for position in design.picked.positions
            for own, name in box.part_names(position, number).items()
        }
        for stress in of_position.parts:
            ref = names[stress.ref]
            known = stresses.get(ref)
            if known is None or stress.wanted_rating > known.wanted_rating:
                stresses[ref] = replace(stress, ref=ref)
    worst = replace(worked[0], parts=tuple(stresses.values()))
    listed = box_positions(box, position=position)
    return parts_list(listed, sets=sets, spares=spares, prices=prices, stresses=worst)
