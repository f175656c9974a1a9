"""Symbolic nodal solution of a network with source and load as elements.

Nodal analysis (s C + G) v = i, a symbol per element.  By the matrix-tree theorem (Kirchhoff
1847; all minors: Chaiken 1982) the determinant of the nodal matrix is the sum over the spanning
trees of the network of the products of their admittances, and each cofactor a sum over
spanning forests of two trees.  Trees are counted once each, so that nothing cancels and nothing
is divided; multiplying by the product of all resistances turns conductances into resistances.
What comes out are polynomials in s whose coefficients are polynomials in the elements, linear
in each, with positive terms only (a bridge towards the return leg of a balanced output may
bring negative terms into the numerator of H): the transfer function H(s) from the generator's
EMF to the output, the input impedance behind the source resistance with the load connected, and
the output impedance with the generator connected and the load not.

Symbols for source and load are ``Rs``, ``RL`` and ``CL``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from antecurve.errors import WiringError
from antecurve.networks.topology import Element, ElementKind, Topology

__all__ = [
    "LOAD_CAPACITANCE",
    "LOAD_RESISTANCE",
    "MOST_TERMS",
    "SOURCE_RESISTANCE",
    "Solution",
    "solve",
    "spanning_trees",
]

MOST_TERMS = 3000
"""Most terms of a network's determinant; built-in forms have up to some 2,500."""

SOURCE_RESISTANCE = "Rs"
LOAD_RESISTANCE = "RL"
LOAD_CAPACITANCE = "CL"

Polynomial = tuple[Any, ...]
"""Coefficients of a polynomial in s, ascending, each a sympy expression in the elements."""


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Ratios of polynomials in s, as sympy expressions in the element symbols.

    Attributes
    ----------
    topology : Topology
        The network that was solved.
    symbols : tuple of sympy.Symbol
        Symbols of the elements in order, then ``Rs``, ``RL``, ``CL``; all positive.
    transfer_numerator, transfer_denominator : tuple of sympy.Expr
        H(s) = output voltage / EMF: coefficients of ascending powers of s.
    input_numerator, input_denominator : tuple of sympy.Expr
        Impedance at the input [ohm], source resistance not counted, load connected.
    output_numerator, output_denominator : tuple of sympy.Expr
        Impedance at the output [ohm], source resistance counted, load not connected.
    """

    topology: Topology
    symbols: tuple[Any, ...]
    transfer_numerator: Polynomial
    transfer_denominator: Polynomial
    input_numerator: Polynomial
    input_denominator: Polynomial
    output_numerator: Polynomial
    output_denominator: Polynomial


def _augmented(topology: Topology) -> tuple[Element, ...]:
    load = topology.output
    return (
        *topology.elements,
        Element(SOURCE_RESISTANCE, ElementKind.RESISTOR, ("in", "0")),
        Element(LOAD_RESISTANCE, ElementKind.RESISTOR, load),
        Element(LOAD_CAPACITANCE, ElementKind.CAPACITOR, load),
    )


@lru_cache(maxsize=256)
def solve(topology: Topology) -> Solution:
    """Solve a network symbolically.

    Parameters
    ----------
    topology : Topology
        The network; the source resistance from the EMF to ``in`` and the load between the
        output nodes are added as elements.

    Returns
    -------
    Solution
        H(s), input and output impedance.

    Raises
    ------
    WiringError
        When there is no transmission from ``in`` to the output, or the elements are so many
        and so joined that H(s) would have more than `MOST_TERMS` terms.

    Notes
    -----
    With Y the nodal matrix, the EMF behind Rs is a current EMF/Rs into ``in``, and by Cramer's
    rule H = (cof(in, out) - cof(in, return)) / (Rs det Y).  cof(i, j) is the sum over forests
    of two trees, one with i and j and one with the common return.  Terms of det Y that hold the
    source's conductance are dropped for the input impedance, those of the load for the output
    impedance: both follow from the same sums.
    """
    elements = _augmented(topology)
    nodes = dict.fromkeys(("0", *(n for e in elements for n in e.nodes)))
    index = {node: i for i, node in enumerate(nodes)}
    touched = {n for e in topology.elements for n in e.nodes}
    if "in" not in touched or any(n != "0" and n not in touched for n in topology.output):
        raise WiringError("network", topology.form, "it needs the nodes in, out and 0")
    edges = [(index[e.nodes[0]], index[e.nodes[1]]) for e in elements]
    drive, plus, minus = (index[n] for n in ("in", *topology.output))
    terms = _tree_count(edges, len(nodes))
    if terms > MOST_TERMS:
        raise WiringError(
            "network.elements",
            f"{len(topology.elements)} elements",
            f"joined like this H(s) has {terms:,} terms and up to {MOST_TERMS:,} are solved; use "
            "fewer elements or nodes",
        )
    whole = spanning_trees(edges)
    driven = spanning_trees(_merged(edges, drive, 0))
    source = _place(elements, SOURCE_RESISTANCE)
    load = (_place(elements, LOAD_RESISTANCE), _place(elements, LOAD_CAPACITANCE))
    # Forests that hold the output with the drive, less those that hold the return with it.
    transfer: dict[int, int] = {}
    for forest in driven:
        with_drive = _component(edges, forest, drive)
        count = (plus in with_drive) - (minus in with_drive)
        if count:
            transfer[forest | 1 << source] = count
    if not transfer:
        raise WiringError(
            "network", topology.form, "there is no path from in to the output: join them"
        )
    convert = _Converter(elements)
    return Solution(
        topology=topology,
        symbols=convert.symbols,
        transfer_numerator=convert(transfer),
        transfer_denominator=convert(dict.fromkeys(whole, 1)),
        input_numerator=convert(dict.fromkeys(driven, 1), without=(source,)),
        input_denominator=convert(dict.fromkeys(whole, 1), without=(source,)),
        output_numerator=convert(
            dict.fromkeys(spanning_trees(_merged(edges, plus, minus)), 1), without=load
        ),
        output_denominator=convert(dict.fromkeys(whole, 1), without=load),
    )


def _tree_count(edges: list[tuple[int, int]], nodes: int) -> int:
    """Number of spanning trees by Kirchhoff's theorem: a determinant, no tree is made."""
    laplacian = np.zeros((nodes, nodes))
    for a, b in edges:
        laplacian[[a, b], [a, b]] += 1.0
        laplacian[[a, b], [b, a]] -= 1.0
    return round(float(np.linalg.det(laplacian[1:, 1:])))


def _place(elements: tuple[Element, ...], ref: str) -> int:
    """Return the place of an element among the augmented elements."""
    return next(i for i, e in enumerate(elements) if e.ref == ref)


def _merged(edges: list[tuple[int, int]], first: int, second: int) -> list[tuple[int, int]]:
    """The edges with one node taken for another."""
    return [(second if a == first else a, second if b == first else b) for a, b in edges]


def _component(edges: list[tuple[int, int]], forest: int, start: int) -> set[int]:
    """Nodes joined to a start by the edges of a forest."""
    found = {start}
    grown = True
    while grown:
        grown = False
        for place, (a, b) in enumerate(edges):
            if forest >> place & 1 and (a in found) != (b in found):
                found |= {a, b}
                grown = True
    return found


def spanning_trees(edges: list[tuple[int, int]]) -> list[int]:
    """Return every spanning tree of a graph.

    Parameters
    ----------
    edges : list of tuple of int
        Pairs of nodes; an edge between a node and itself is in no tree.

    Returns
    -------
    list of int
        Trees as bit masks of edges; empty when the graph is not connected.

    Notes
    -----
    Edges are taken or left one after the other.  Partial forests are kept together by how they
    join the nodes that have edges still to come, and dropped as soon as a group of nodes can no
    longer be joined to the rest.

    Examples
    --------
    >>> sorted(spanning_trees([(0, 1), (1, 2), (0, 2)]))
    [3, 5, 6]
    """
    last: dict[int, int] = {}
    for place, (a, b) in enumerate(edges):
        last[a] = last[b] = place
    states: dict[frozenset[frozenset[int]], list[int]] = {frozenset(): [0]}
    seen: set[int] = set()
    for place, (a, b) in enumerate(edges):
        fresh = [frozenset({n}) for n in {a, b} - seen]
        seen |= {a, b}
        done = {n for n in (a, b) if last[n] == place}
        final = place == len(edges) - 1
        following: dict[frozenset[frozenset[int]], list[int]] = {}
        for groups, forests in states.items():
            groups = groups.union(fresh)
            one = next(g for g in groups if a in g)
            two = next(g for g in groups if b in g)
            choices = [(groups, 0)]
            if one != two:
                choices.append(((groups - {one, two}) | {one | two}, 1 << place))
            for joined, bit in choices:
                kept = _retired(joined, done, final)
                if kept is not None:
                    following.setdefault(kept, []).extend(f | bit for f in forests)
        states = following
    return [forest for forests in states.values() for forest in forests]


def _retired(
    groups: frozenset[frozenset[int]], done: set[int], final: bool
) -> frozenset[frozenset[int]] | None:
    """Groups without nodes that have no edges to come; ``None`` when one is cut off for good."""
    if final:
        return frozenset() if len(groups) == 1 else None
    left = frozenset(g - done for g in groups)
    return left if len(left) == len(groups) and frozenset() not in left else None


class _Converter:
    """Turn sums over trees into coefficients in R and C."""

    def __init__(self, elements: tuple[Element, ...]) -> None:
        import sympy

        self.symbols = tuple(sympy.Symbol(e.ref, positive=True) for e in elements)
        self._resistors = frozenset(
            i for i, e in enumerate(elements) if e.kind is ElementKind.RESISTOR
        )

    def __call__(self, trees: dict[int, int], *, without: tuple[int, ...] = ()) -> Polynomial:
        """Coefficients of ascending powers of s; elements in `without` are taken out."""
        import sympy

        dropped = sum(1 << i for i in without)
        counted = [i for i in range(len(self.symbols)) if i not in without]
        powers: dict[int, list[Any]] = {}
        for tree, count in trees.items():
            if tree & dropped:
                continue
            factors, power = [], 0
            for i in counted:
                inside = tree >> i & 1
                if i in self._resistors:
                    inside = 1 - inside
                else:
                    power += inside
                if inside:
                    factors.append(self.symbols[i])
            powers.setdefault(power, []).append(sympy.Mul(count, *factors))
        return tuple(
            sympy.Add(*powers.get(power, [sympy.Integer(0)]))
            for power in range(max(powers, default=0) + 1)
        )
