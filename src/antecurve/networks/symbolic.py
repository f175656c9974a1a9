"""Symbolic nodal solution of a network with source and load as elements.

Nodal analysis (s C + G) v = i, a symbol per element, solved by the matrix-tree theorem
(`antecurve.networks.forest_sums`).  What comes out are polynomials in s whose coefficients are
polynomials in the elements, linear in each, with positive terms only (a bridge towards the return
leg of a balanced output may bring negative terms into the numerator of H): the transfer function
H(s) from the generator's EMF to the output, the input impedance behind the source resistance with
the load connected, and the output impedance with the generator connected and the load not.

Symbols for source and load are ``Rs``, ``RL`` and ``CL``.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from antecurve.checked import checked
from antecurve.errors import WiringError
from antecurve.networks.forest_sums import forest_sum
from antecurve.networks.topology import Element, ElementKind, Topology

__all__ = [
    "LOAD_CAPACITANCE",
    "LOAD_RESISTANCE",
    "MOST_ELEMENTS",
    "MOST_TERMS",
    "SOURCE_RESISTANCE",
    "Solution",
    "refuse_large",
    "solve",
]

MOST_ELEMENTS = 48
"""Most elements of a network, both legs of a balanced one counted."""

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
@checked
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
        When there is no transmission from ``in`` to the output, or the network is too large
        (`refuse_large`).
    """
    import sympy

    touched = {n for e in topology.elements for n in e.nodes}
    if "in" not in touched or any(n != "0" and n not in touched for n in topology.output):
        raise WiringError("network", topology.form, "it needs the nodes in, out and 0")
    refuse_large(topology)
    symbols = tuple(sympy.Symbol(e.ref, positive=True) for e in _augmented(topology))

    def polynomial(powers: list[Counter[int]]) -> Polynomial:
        return tuple(
            sympy.Add(
                *(
                    sympy.Mul(count, *(x for i, x in enumerate(symbols) if product >> i & 1))
                    for product, count in products.items()
                )
            )
            for products in powers
        )

    ratios = (forest_sum(topology, which).terms() for which in ("transfer", "input", "output"))
    return Solution(topology, symbols, *(polynomial(p) for ratio in ratios for p in ratio))


def refuse_large(topology: Topology) -> None:
    """Raise when a network is larger than can be solved and written out.

    Parameters
    ----------
    topology : Topology
        The network.

    Raises
    ------
    WiringError
        When it has more than `MOST_ELEMENTS` elements, or H(s) more than `MOST_TERMS` terms.
    """
    count = len(topology.elements)
    if count > MOST_ELEMENTS:
        raise WiringError(
            "network.elements",
            f"{count:,} elements",
            f"up to {MOST_ELEMENTS} are solved; use fewer",
        )
    elements = _augmented(topology)
    nodes = dict.fromkeys(("0", *(n for e in elements for n in e.nodes)))
    index = {node: i for i, node in enumerate(nodes)}
    edges = [(index[e.nodes[0]], index[e.nodes[1]]) for e in elements]
    terms = _tree_count(edges, len(index))
    if terms > MOST_TERMS:
        raise WiringError(
            "network.elements",
            f"{count} elements",
            f"joined like this H(s) has {terms:,} terms and up to {MOST_TERMS:,} are solved; use "
            "fewer elements or nodes",
        )


def _tree_count(edges: list[tuple[int, int]], nodes: int) -> int:
    """Number of spanning trees by Kirchhoff's theorem: a determinant, no tree is made."""
    laplacian = np.zeros((nodes, nodes))
    for a, b in edges:
        laplacian[[a, b], [a, b]] += 1.0
        laplacian[[a, b], [b, a]] -= 1.0
    return round(float(np.linalg.det(laplacian[1:, 1:])))
