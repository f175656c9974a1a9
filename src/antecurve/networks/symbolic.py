"""Symbolic nodal solution of a network with source and load as elements.

Nodal analysis (s C + G) v = i, a symbol per element.  The determinants are taken fraction-free
over the polynomial ring Z[s, conductances, capacitances]; each is linear in every element, so
multiplying by the product of all resistances turns conductances into resistances without a
division.  What comes out are polynomials in s whose coefficients are polynomials in the
elements with positive terms only (no cancellation): the transfer function H(s) from the
generator's EMF to the output, the input impedance behind the source resistance with the load
connected, and the output impedance with the generator connected and the load not.

Symbols for source and load are ``Rs``, ``RL`` and ``CL``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from antecurve.errors import WiringError
from antecurve.networks.topology import Element, ElementKind, Topology

__all__ = ["LOAD_CAPACITANCE", "LOAD_RESISTANCE", "SOURCE_RESISTANCE", "Solution", "solve"]

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
        When there is no transmission from ``in`` to the output.

    Notes
    -----
    With Y the nodal matrix, the EMF behind Rs is a current EMF/Rs into ``in``, and by Cramer's
    rule H = (cof(in, out) - cof(in, return)) / (Rs det Y).  Terms of det Y that hold the
    source's conductance are dropped for the input impedance, those of the load for the output
    impedance: both follow from the same determinants.
    """
    import sympy
    from sympy.polys.matrices import DomainMatrix
    from sympy.polys.rings import ring

    elements = _augmented(topology)
    polynomials, *generators = ring(["s", *(e.ref for e in elements)], sympy.ZZ)
    s, admittances = generators[0], generators[1:]
    nodes = [n for n in dict.fromkeys(n for e in elements for n in e.nodes) if n != "0"]
    index = {node: i for i, node in enumerate(nodes)}
    if "in" not in index or any(n != "0" and n not in index for n in topology.output):
        raise WiringError("network", topology.form, "it needs the nodes in, out and 0")
    size = len(nodes)
    matrix = [[polynomials.zero] * size for _ in range(size)]
    for element, symbol in zip(elements, admittances, strict=True):
        value = symbol * s if element.kind is ElementKind.CAPACITOR else symbol
        ends = [index[n] for n in element.nodes if n != "0"]
        for end in ends:
            matrix[end][end] += value
        if len(ends) == 2:
            matrix[ends[0]][ends[1]] -= value
            matrix[ends[1]][ends[0]] -= value

    def cofactor(row: int | None, column: int | None) -> Any:
        """Cofactor of the nodal matrix; 0 where an index is the return node."""
        if row is None or column is None:
            return polynomials.zero
        rows = [
            [v for j, v in enumerate(line) if j != column]
            for i, line in enumerate(matrix)
            if i != row
        ]
        sign = -1 if (row + column) % 2 else 1
        return sign * determinant(rows)

    def determinant(rows: list[list[Any]]) -> Any:
        if not rows:
            return polynomials.one
        return DomainMatrix(rows, (len(rows), len(rows)), polynomials.to_domain()).det()

    drive = index["in"]
    plus, minus = (index.get(n) for n in topology.output)
    whole = determinant(matrix)
    source, load = (
        _place(elements, SOURCE_RESISTANCE),
        (
            _place(elements, LOAD_RESISTANCE),
            _place(elements, LOAD_CAPACITANCE),
        ),
    )
    transfer = (cofactor(drive, plus) - cofactor(drive, minus)) * admittances[source]
    if not transfer:
        raise WiringError(
            "network", topology.form, "there is no path from in to the output: join them"
        )
    across = cofactor(plus, plus) + cofactor(minus, minus)
    across -= cofactor(plus, minus) + cofactor(minus, plus)
    resistors = [i for i, e in enumerate(elements) if e.kind is ElementKind.RESISTOR]
    convert = _Converter(elements, resistors)
    return Solution(
        topology=topology,
        symbols=convert.symbols,
        transfer_numerator=convert(transfer),
        transfer_denominator=convert(whole),
        input_numerator=convert(cofactor(drive, drive), without=(source,)),
        input_denominator=convert(whole, without=(source,)),
        output_numerator=convert(across, without=load),
        output_denominator=convert(whole, without=load),
    )


def _place(elements: tuple[Element, ...], ref: str) -> int:
    """Return the place of an element among the augmented elements."""
    return next(i for i, e in enumerate(elements) if e.ref == ref)


class _Converter:
    """Turn a ring polynomial in s and admittances into coefficients in R and C."""

    def __init__(self, elements: tuple[Element, ...], resistors: list[int]) -> None:
        import sympy

        self.symbols = tuple(sympy.Symbol(e.ref, positive=True) for e in elements)
        self._resistors = frozenset(resistors)

    def __call__(self, polynomial: Any, *, without: tuple[int, ...] = ()) -> Polynomial:
        """Coefficients of ascending powers of s; elements in `without` are taken out."""
        import sympy

        resistors = self._resistors - set(without)
        powers: dict[int, list[Any]] = {}
        for monomial, coefficient in polynomial.terms():
            power, exponents = monomial[0], monomial[1:]
            if any(exponents[i] for i in without):
                continue
            factors = [
                self.symbols[i]
                for i, exponent in enumerate(exponents)
                if (not exponent if i in resistors else exponent) and i not in without
            ]
            powers.setdefault(power, []).append(sympy.Mul(int(coefficient), *factors))
        return tuple(
            sympy.Add(*powers.get(power, [sympy.Integer(0)]))
            for power in range(max(powers, default=0) + 1)
        )
