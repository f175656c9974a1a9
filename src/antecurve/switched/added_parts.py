"""Throws that add a part to one that stays, in parallel or in series, instead of replacing it.

A position with a value of its own in each throw then has one part soldered in, and each contact
adds another one or nothing: one part fewer at least, and a position that never opens between
throws.  Which part stays is chosen among those next to the least (or the greatest) value; for each
the joint pick goes on with what can be made by adding to it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from antecurve.parts.joined import JOINS, joined_value, values_add
from antecurve.parts.position import Part, PickedNetwork, Position
from antecurve.pick.candidates import UNLIMITED, Candidates
from antecurve.results import Result
from antecurve.switched.joint_space import JointSpace
from antecurve.switched.throws import OPEN, SHORT, ThrownNetwork

__all__ = ["Addition", "part_count", "serving_throw", "soldered", "spaces_with_addition"]

_BASES = 3  # parts that stay: the nearest to the least value, further off the added ones are coarse
_NEAR = 1.01  # times the least value: rounding of a part by a series of 2 % steps


@dataclass(frozen=True, slots=True)
class Addition(Result):
    """A position of which one part stays while each throw adds to it.

    Attributes
    ----------
    ref : str
        The position.
    joined : str
        ``parallel`` or ``series``.
    value : float
        Of the part that stays [ohm or F].
    """

    ref: str
    joined: str
    value: float


def spaces_with_addition(
    space: JointSpace,
    networks: tuple[ThrownNetwork, ...],
    values: Mapping[str, list[float]],
    additions: tuple[Addition, ...] = (),
) -> Iterator[tuple[Addition, JointSpace]]:
    """List what the joint pick can choose from when throws add to a part that stays.

    Parameters
    ----------
    space : JointSpace
        The combinations where every throw replaces; or those with `additions` already.
    networks : tuple of ThrownNetwork
        What the throws leave of the network, by switch position.
    values : mapping of str to list of float
        Values of each position that has one for each throw [ohm or F].
    additions : tuple of Addition, optional
        Positions that have a part that stays already.

    Yields
    ------
    addition : Addition
        The position and the part that stays.
    space : JointSpace
        The combinations then.
    """
    kinds = {e.ref: e.kind for e in space.joint.topology.elements}
    for ref, met in values.items():
        states = {state for n in networks for r, state in n.states if r == ref}
        if len(set(met)) < 2 or any(a.ref == ref for a in additions):
            continue
        for joined in JOINS[1:]:
            # What stays can be shorted, not opened, from beside it; in series the other way round.
            if (OPEN if joined == "parallel" else SHORT) in states:
                continue
            choices = space.stock[kinds[ref]]
            for part in _bases(choices, met, grows=values_add(kinds[ref], joined)):
                extended, added = _adding(choices, part, joined)
                stock = {**space.stock, kinds[ref]: extended}
                kept = {r: replace(c, parts=extended.parts, quantity=extended.quantity)
                        if c.kind is kinds[ref] else c
                        for r, c in space.special.items()}  # fmt: skip
                addition = Addition(ref, joined, float(choices.parts[part].value))
                yield addition, JointSpace(space.joint, space.jobs, stock, {**kept, ref: added})


def _bases(choices: Candidates, met: list[float], *, grows: bool) -> list[int]:
    """Parts that may stay: all values are reached by adding to them."""
    part_values = np.array([p.value for p in choices.parts])
    there = choices.quantity > 0
    if grows:
        fitting = np.flatnonzero(there & (part_values <= _NEAR * min(met)))
        return [int(i) for i in fitting[np.argsort(-part_values[fitting])][:_BASES]]
    fitting = np.flatnonzero(there & (part_values >= max(met) / _NEAR))
    return [int(i) for i in fitting[np.argsort(part_values[fitting])][:_BASES]]


def _adding(choices: Candidates, part: int, joined: str) -> tuple[Candidates, Candidates]:
    """The candidates with one part taken for good, and what can be made by adding to that part."""
    quantity = choices.quantity.copy()
    if quantity[part] != UNLIMITED:
        quantity[part] -= 1
    parts = (*choices.parts, choices.parts[part])
    extended = replace(choices, parts=parts, quantity=np.append(quantity, UNLIMITED))
    stays = len(parts) - 1
    others = np.flatnonzero(quantity > 0)
    adds = values_add(choices.kind, joined)
    both = [np.full(len(others), parts[stays].value), np.array([parts[i].value for i in others])]
    value = np.append(parts[stays].value, joined_value(both, adds=adds))
    second = np.append(-1, others)
    code = np.append(0, np.full(len(others), JOINS.index(joined)))
    order = np.argsort(value, kind="stable")
    added = Candidates(
        choices.kind, parts, extended.quantity, value[order], np.full(len(order), stays),
        second[order], code[order].astype(np.int8),
    )  # fmt: skip
    return extended, added


def soldered(
    position: Position, throw: int, *, separate: bool, added: bool
) -> tuple[tuple[str, Position], ...]:
    """Name what is soldered in for one position of the network in one throw.

    Parameters
    ----------
    position : Position
        The position with its parts.
    throw : int
        Number of the throw, from 1.
    separate : bool
        Whether each throw has parts of its own.
    added : bool
        Whether they are added to one that stays, the first.

    Returns
    -------
    tuple of tuple
        Reference in the parts list, with the number of the throw where it is of one throw,
        ``R2_1``; and what has it.
    """
    ref = position.element.ref
    if not added:
        return ((f"{ref}_{throw}" if separate else ref, position),)
    stays = (ref, Position(position.element, position.parts[:1]))
    if len(position.parts) == 1:
        return (stays,)
    return (stays, (f"{ref}_{throw}", Position(position.element, position.parts[1:])))


def serving_throw(networks: Sequence[PickedNetwork], throw: int, ref: str, *, added: bool) -> int:
    """Find the first throw whose part serves another one as well: equal ones are one part.

    Parameters
    ----------
    networks : sequence of PickedNetwork
        The network in each position of the switch.
    throw : int
        Number of the throw, from 1, in which the position is fitted.
    ref : str
        The position, of those with parts for each throw.
    added : bool
        Whether they are added to one that stays, the first.

    Returns
    -------
    int
        Its number: both contacts go to that part.
    """
    own = _of_throw(networks[throw - 1], ref, added=added)
    return next(
        number
        for number, network in enumerate(networks, start=1)
        if _of_throw(network, ref, added=added) == own
    )


def _of_throw(
    network: PickedNetwork, ref: str, *, added: bool
) -> tuple[str, tuple[Part, ...]] | None:
    """What one throw has of a position for itself, and how it is joined."""
    for position in network.positions:
        if position.element.ref == ref:
            own = position.parts[1:] if added else position.parts
            return ("" if added else position.joined), own
    return None


def part_count(
    networks: tuple[PickedNetwork, ...], separate: frozenset[str], added: frozenset[str]
) -> int:
    """Count the parts of a box.

    Parameters
    ----------
    networks : tuple of PickedNetwork
        The network in each position of the switch.
    separate, added : frozenset of str
        References of the positions with parts for each throw, and of those of them that add.

    Returns
    -------
    int
        Shared parts once, as are equal ones of several throws.
    """
    count: dict[str, int] = {}
    for throw, network in enumerate(networks, start=1):
        for position in network.positions:
            ref = position.element.ref
            serving = serving_throw(networks, throw, ref, added=ref in added)
            for name, piece in soldered(
                position, serving, separate=ref in separate, added=ref in added
            ):
                count[name] = len(piece.parts)
    return sum(count.values())
