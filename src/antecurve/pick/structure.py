"""What the search may rely on in a network: series and shunt arms, and interchangeable branches.

A network is a *ladder* when the current on its way from ``in`` to ``out`` passes series arms
one after the other, and everything that leads to ground leaves between two of them.  Then the
numerator of H is the product of the arms' own polynomials, each, like the denominator of any
RC network, a sum over spanning trees (see `antecurve.pick.bounds`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice, pairwise, permutations, product

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.topology import ElementKind, Topology
from antecurve.networks.tree import leaves

__all__ = [
    "Exchange",
    "Ladder",
    "interchangeable",
    "ladder_of",
    "resistors_across_output",
    "resistors_at_input",
    "same_network",
    "same_networks",
    "zero_pairs",
]

_GROUND = "0"
_MOST_ARRANGEMENTS = 4000
"""Exchanges looked at; they save time, so that it does no harm to miss some of a large network."""


@dataclass(frozen=True, slots=True)
class Ladder:
    """The arms of a ladder.

    Attributes
    ----------
    shunt : tuple of bool
        For each element whether it lies in a shunt arm (else in a series arm).
    """

    shunt: tuple[bool, ...]

    def rising(self, topology: Topology) -> NDArray[np.bool_]:
        """Say for each element whether H(s) rises with its value at real s > 0.

        At a real frequency s every capacitor is a conductance s C, and a ladder of resistors
        divides less the smaller its series arms and the larger its shunt arms are.

        Parameters
        ----------
        topology : Topology
            The ladder.

        Returns
        -------
        numpy.ndarray of bool, shape (elements,)
            True for capacitors in series arms and resistors in shunt arms.
        """
        return np.array(
            [
                shunt == (element.kind is ElementKind.RESISTOR)
                for shunt, element in zip(self.shunt, topology.elements, strict=True)
            ]
        )


def ladder_of(topology: Topology) -> Ladder | None:
    """Split a network into arms; ``None`` when it is no ladder.

    Parameters
    ----------
    topology : Topology
        The network.

    Returns
    -------
    Ladder or None
        Which elements are in shunt arms.
    """
    if topology.output != ("out", _GROUND):
        return None
    if topology.arms:  # laid out arm by arm
        shunt_refs = {
            ref for arm in topology.arms if _GROUND in arm.nodes for ref in leaves(arm.tree)
        }
        return Ladder(tuple(ref in shunt_refs for ref in topology.refs))
    links = [e.nodes for e in topology.elements]
    nodes = {n for link in links for n in link if n != _GROUND}
    if not {"in", "out"} <= nodes or "out" not in _reach("in", nodes, links):
        return None
    main = [n for n in nodes - {"in", "out"} if "out" not in _reach("in", nodes - {n}, links)]
    distance = {n: len(_reach("in", nodes - {n}, links)) for n in main}
    order = ["in", *sorted(main, key=lambda n: distance[n]), "out"]
    inner = nodes - set(order)
    shunt: list[bool] = []
    for link in links:
        touched = set(link)
        for end in link:
            if end in inner:
                for node in _reach(end, inner, links):
                    touched |= {m for pair in links if node in pair for m in pair}
        touched -= inner
        ends = sorted(order.index(n) for n in touched if n != _GROUND)
        grounded = _GROUND in touched
        if len(ends) == 2 and ends[1] - ends[0] == 1 and not grounded:
            shunt.append(False)
        elif len(ends) == 1:
            shunt.append(True)
        else:
            return None
    return Ladder(tuple(shunt))


def resistors_across_output(topology: Topology) -> tuple[int, ...]:
    """List the resistors across the output: Re(1/Z) >= 1/R, so that |Z| at the output is below R.

    Parameters
    ----------
    topology : Topology
        The network.

    Returns
    -------
    tuple of int
        Their places among the elements.
    """
    return tuple(
        i
        for i, e in enumerate(topology.elements)
        if e.kind is ElementKind.RESISTOR and set(e.nodes) == set(topology.output)
    )


def resistors_at_input(topology: Topology) -> tuple[int, ...]:
    """List the resistors that carry the whole input current: |Z| at the input is above each R.

    Parameters
    ----------
    topology : Topology
        The network.

    Returns
    -------
    tuple of int
        Their places among the elements: without one of them ``in`` reaches neither output nor
        ground.
    """
    carrying = []
    for i, element in enumerate(topology.elements):
        others = [e.nodes for k, e in enumerate(topology.elements) if k != i]
        inner = {n for e in topology.elements for n in e.nodes} - {_GROUND, *topology.output}
        touched = {n for near in _reach("in", inner, others) for n in _beside(near, others)}
        if element.kind is ElementKind.RESISTOR and not touched & {_GROUND, *topology.output}:
            carrying.append(i)
    return tuple(carrying)


def zero_pairs(topology: Topology) -> tuple[tuple[int, int], ...]:
    """List parallel pairs of a resistor and a capacitor that make a zero by themselves.

    Without such a pair the input reaches the output through ground alone.  Then every term of the
    numerator has one of the two, so that 1 + s R C is a factor of it.

    Parameters
    ----------
    topology : Topology
        The network.

    Returns
    -------
    tuple of (int, int)
        Places of resistor and capacitor among the elements.
    """
    pairs = []
    for r, resistor in enumerate(topology.elements):
        for c, capacitor in enumerate(topology.elements):
            if (resistor.kind, capacitor.kind) != (ElementKind.RESISTOR, ElementKind.CAPACITOR):
                continue
            if set(resistor.nodes) != set(capacitor.nodes) or _GROUND in resistor.nodes:
                continue
            others = [e.nodes for i, e in enumerate(topology.elements) if i not in (r, c)]
            inner = {n for e in topology.elements for n in e.nodes} - {_GROUND}
            if "out" not in _reach("in", inner, others):
                pairs.append((r, c))
    return tuple(pairs)


def shorting_pairs(topology: Topology) -> tuple[tuple[int, int], ...]:
    """List series pairs of a resistor and a capacitor across the output that make a zero.

    At s = -1/(R C) such a pair is a short, so that 1 + s R C is a factor of the numerator.

    Parameters
    ----------
    topology : Topology
        The network.

    Returns
    -------
    tuple of (int, int)
        Places of resistor and capacitor among the elements.
    """
    pairs = []
    for node in {n for e in topology.elements for n in e.nodes} - {"in", "out", _GROUND}:
        at_node = [i for i, e in enumerate(topology.elements) if node in e.nodes]
        kinds = {topology.elements[i].kind: i for i in at_node}
        ends = {n for i in at_node for n in topology.elements[i].nodes} - {node}
        if len(at_node) == len(kinds) == len(ends) == 2 and ends == {"out", _GROUND}:
            pairs.append((kinds[ElementKind.RESISTOR], kinds[ElementKind.CAPACITOR]))
    return tuple(sorted(pairs))


def _beside(node: str, links: list[tuple[str, str]]) -> set[str]:
    """The nodes that links join with one."""
    return {n for link in links if node in link for n in link}


def _reach(start: str, allowed: set[str], links: list[tuple[str, str]]) -> set[str]:
    """Nodes that can be reached from a node through allowed ones, ground left out."""
    reached, fringe = {start}, [start]
    while fringe:
        node = fringe.pop()
        for a, b in links:
            for near, far in ((a, b), (b, a)):
                if near == node and far in allowed and far not in reached:
                    reached.add(far)
                    fringe.append(far)
    return reached


@dataclass(frozen=True, slots=True)
class Exchange:
    """Branches that can trade places without a change of H.

    Attributes
    ----------
    larger, smaller : int
        Two positions that trade places; each combination is equivalent to one in which the
        value at the first is at least that at the second.
    order : tuple of int
        The position that goes to each place when the branches trade places.
    """

    larger: int
    smaller: int
    order: tuple[int, ...]


def interchangeable(topology: Topology) -> tuple[Exchange, ...]:
    """List interchangeable branches, such as the parallel pairs of Foster's first form.

    Parameters
    ----------
    topology : Topology
        The network.

    Returns
    -------
    tuple of Exchange
        Their conditions can be met all at once.

    Notes
    -----
    Exchanges are found by their effect: the coefficients of H stay the same, at three random
    points to 1e-9, as polynomials that differ would not.  Branches that can all trade places
    with each other can be sorted, so the conditions of neighbours hold at once; of other
    exchanges the first found is used.  Only elements that have the same effect where all
    elements are alike can trade places; of very many arrangements the first are looked at.
    """
    kinds = [e.kind for e in topology.elements]
    groups = [[i for i, k in enumerate(kinds) if k is kind] for kind in ElementKind]
    rng = np.random.default_rng(1)
    values = np.exp(rng.uniform(-1.0, 1.0, (3, len(kinds))))
    reference = _fingerprint(topology, values)
    swaps: dict[tuple[int, int], Exchange] = {}
    alike = _alike(topology)
    choices = [list(islice(_involutions(g, alike), _MOST_ARRANGEMENTS)) for g in groups]
    for arrangement in islice(product(*choices), _MOST_ARRANGEMENTS):
        order = np.arange(len(kinds))
        for group, permuted in zip(groups, arrangement, strict=True):
            order[group] = permuted
        moved = np.flatnonzero(order != np.arange(len(kinds)))
        if not len(moved):
            continue
        pair = (int(moved[0]), int(order[moved[0]]))
        if pair in swaps:
            continue
        if np.allclose(_fingerprint(topology, values[:, order]), reference, rtol=1e-9, atol=0.0):
            swaps[pair] = Exchange(*pair, tuple(int(i) for i in order))
    return _chain(swaps)


def same_network(one: Topology, other: Topology) -> tuple[int, ...] | None:
    """Match the elements of a network with those in another that has the same H.

    Parameters
    ----------
    one, other : Topology
        Two networks.

    Returns
    -------
    tuple of int or None
        For each element of `one` its place in `other`; ``None`` where no order gives the same
        coefficients of H, source and load included (see `interchangeable`).
    """
    return next(same_networks(one, other), None)


def same_networks(one: Topology, other: Topology) -> Iterator[tuple[int, ...]]:
    """Match the elements of a network with those in another in every way that gives the same H.

    Parameters
    ----------
    one, other : Topology
        Two networks.

    Yields
    ------
    tuple of int
        As `same_network` has it; of one network with itself the order as it is comes first.
    """
    kinds, others = ([e.kind for e in t.elements] for t in (one, other))
    if sorted(k.value for k in kinds) != sorted(k.value for k in others):
        return
    alike = np.ones((1, len(kinds)))
    if not _close(_fingerprint(one, alike), _fingerprint(other, alike)):
        return
    values = np.exp(np.random.default_rng(1).uniform(-1.0, 1.0, (3, len(kinds))))
    reference = _fingerprint(other, values)
    here = [[i for i, k in enumerate(kinds) if k is kind] for kind in ElementKind]
    there = [[i for i, k in enumerate(others) if k is kind] for kind in ElementKind]
    for arrangement in product(*[permutations(group) for group in there]):
        order = np.zeros(len(kinds), dtype=np.int64)
        for group, images in zip(here, arrangement, strict=True):
            order[group] = images
        if _close(_fingerprint(one, values[:, order]), reference):
            yield tuple(int(i) for i in order)


def _close(one: NDArray[np.float64], other: NDArray[np.float64]) -> bool:
    return one.shape == other.shape and np.allclose(one, other, rtol=1e-9, atol=0.0)


def _alike(topology: Topology) -> NDArray[np.bool_]:
    """Which elements have the same effect on H where all elements are alike."""
    count = len(topology.elements)
    effects = _fingerprint(topology, np.ones((count, count)) + np.eye(count))
    near = np.isclose(effects[:, None], effects[None], rtol=1e-9, atol=0.0)
    return np.asarray(near.all(axis=2))


def _involutions(items: list[int], alike: NDArray[np.bool_]) -> Iterator[list[int]]:
    """Rearrangements that are their own inverse and exchange elements that are alike."""
    if not items:
        yield []
        return
    head, *others = items
    for tail in _involutions(others, alike):
        yield [head, *tail]
    for index, other in enumerate(others):
        if not alike[head, other]:
            continue
        remaining = others[:index] + others[index + 1 :]
        for tail in _involutions(remaining, alike):
            yield [other, *tail[:index], head, *tail[index:]]


def _chain(swaps: dict[tuple[int, int], Exchange]) -> tuple[Exchange, ...]:
    """Exchanges of neighbours among the positions that can all trade places."""
    if not swaps:
        return ()
    run = [min(a for a, _ in swaps)]
    for b in sorted(b for a, b in swaps if a == run[0]):
        if all((a, b) in swaps for a in run):
            run.append(b)
    return tuple(swaps[pair] for pair in pairwise(run))


def _fingerprint(topology: Topology, values: NDArray[np.float64]) -> NDArray[np.float64]:
    coefficients = transfer_coefficients(
        topology, values, source_resistance=0.37, load_resistance=2.3, load_capacitance=0.61
    )
    return np.concatenate([coefficients.numerator, coefficients.denominator], axis=-1)
