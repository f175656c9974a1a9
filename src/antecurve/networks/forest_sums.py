"""Numerator and denominator of a network: sums over spanning forests, state by state.

By the matrix-tree theorem (Kirchhoff 1847; all minors: Chaiken 1982) the determinant of the nodal
matrix is the sum over the spanning trees of the network of the products of their admittances, and
each cofactor a sum over spanning forests of two trees.  The EMF is a node of its own behind Rs;
with the forests of two trees, one with the EMF and one with the common return, H is the sum over
those that join the output with the EMF over the sum over all.  For a balanced output those that
join the return leg with the EMF are taken off.  Input and output impedance are the forests that
part the two nodes over the trees.  Multiplying by the product of all resistances turns
conductances into resistances: a resistor counts where it is left, a capacitor where it is taken.

Forests come out once each, so that nothing cancels and nothing is divided.  They are added up as
soon as they are of one state (`antecurve.networks.forests`): what takes thousands of products of
a dozen elements when written out takes some hundreds of multiplications.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import WiringError
from antecurve.networks.forests import Groups, Step, forest_plan
from antecurve.networks.topology import Element, ElementKind, Topology

__all__ = ["ForestSum", "SharedExpressions", "forest_sum"]

_BLOCK = 1 << 13
"""Builds evaluated at once: what is at hand of them fits into a processor's cache."""
_SHARED = re.compile(r"t\d+")

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class _Edge:
    """An element in a sum: where its value is found, and what it multiplies."""

    argument: int
    resistor: bool


@dataclass(frozen=True, slots=True)
class _Term:
    """What one state adds to another: a polynomial, moved by some powers of s."""

    start: int
    factor: bool
    offset: int


@dataclass(frozen=True, slots=True)
class _State:
    """A state after a step: its lowest power of s, how many there are, what it is made of."""

    low: int
    length: int
    terms: tuple[_Term, ...]


@dataclass(frozen=True, slots=True, eq=False)
class SharedExpressions:
    """Polynomials in s with what their coefficients have in common worked out first.

    Attributes
    ----------
    shared : tuple of tuple
        Pairs of a name and the sum of products it stands for, each of names before it.
    numerator, denominator : tuple of str
        Coefficients of ascending powers of s, sums of names.
    """

    shared: tuple[tuple[str, str], ...]
    numerator: tuple[str, ...]
    denominator: tuple[str, ...]


class ForestSum:
    """Numerator and denominator of one ratio of polynomials in s.

    Parameters
    ----------
    edges : list of _Edge
        The elements that take part.
    steps : tuple of Step
        How to sum.
    signs : tuple of tuple of int
        For numerator and denominator what each state after the last step counts.
    arguments : int
        Number of arguments of a call.
    """

    def __init__(
        self,
        edges: list[_Edge],
        steps: tuple[Step, ...],
        signs: tuple[tuple[int, ...], tuple[int, ...]],
        arguments: int,
    ) -> None:
        self._signs = signs
        self._arguments = arguments
        self._steps: list[tuple[int, list[_State]]] = []
        states = [_State(0, 1, ())]
        for step in steps:
            edge = edges[step.edge]
            states = _following(states, step, edge.resistor)
            self._steps.append((edge.argument, states))
        # A node between capacitors alone leaves a factor s in every forest: it cancels.
        shift = min(
            state.low
            for signs_of in signs
            for state, sign in zip(states, signs_of, strict=True)
            if sign
        )
        self._ends = [replace(state, low=state.low - shift) for state in states]
        self._powers = tuple(
            max(s.low + s.length for s, sign in zip(self._ends, signs_of, strict=True) if sign)
            for signs_of in signs
        )

    def __call__(self, *arguments: Array | float) -> tuple[Array, Array]:
        """Sum numerator and denominator.

        Parameters
        ----------
        *arguments : array_like, shape (...)
            Values of the elements in order, then source resistance, load resistance and load
            capacitance; their shapes broadcast.

        Returns
        -------
        numerator, denominator : numpy.ndarray, shape (powers, ...)
            Coefficients of ascending powers of s.
        """
        arrays = [np.asarray(a) for a in arguments]
        # Python's own numbers are the fastest, where a product is of scalars alone.
        values = [a if a.ndim else a.item() for a in arrays]
        shape = np.broadcast_shapes(*{a.shape for a in arrays})
        kind = np.result_type(float, *{a.dtype for a in arrays})
        totals = tuple(np.empty((powers, *shape), dtype=kind) for powers in self._powers)
        rows = max(1, _BLOCK // max(1, math.prod(shape[1:])))
        if not shape or shape[0] <= rows:
            self._fill(totals, values)
        else:
            along = [a.ndim == len(shape) and len(a) > 1 for a in arrays]
            for first in range(0, shape[0], rows):
                part = slice(first, first + rows)
                block = (v[part] if cut else v for v, cut in zip(values, along, strict=True))
                self._fill(tuple(total[:, part] for total in totals), block)
        return totals[0], totals[1]

    def _fill(self, totals: tuple[Array, ...], arguments: Iterable[Any]) -> None:
        """Write the coefficients of some builds."""
        for total, coefficients in zip(totals, self._coefficients(*arguments), strict=True):
            for power, coefficient in enumerate(coefficients):
                total[power] = coefficient

    @cached_property
    def _coefficients(self) -> Callable[..., tuple[tuple[Any, ...], tuple[Any, ...]]]:
        """Numerator and denominator as one compiled function of the arguments."""
        names = [f"x{number}" for number in range(self._arguments)]
        written = self.expressions(names)
        lines = [f"return ({', '.join(written.numerator)},), ({', '.join(written.denominator)},)"]
        used = set(_SHARED.findall(lines[0]))
        # Whatever is used no more makes room, so that the arrays at hand fit into the cache.
        for name, text in reversed(written.shared):
            last = set(_SHARED.findall(text)) - used
            lines += [f"del {', '.join(sorted(last))}"] * bool(last) + [f"{name} = {text}"]
            used |= last
        body = "\n    ".join(reversed(lines))
        namespace: dict[str, Any] = {}
        exec(f"def coefficients({', '.join(names)}):\n    {body}", namespace)
        compiled: Callable[..., Any] = namespace["coefficients"]
        return compiled

    def terms(self) -> tuple[list[Counter[int]], list[Counter[int]]]:
        """Write out numerator and denominator.

        Returns
        -------
        numerator, denominator : list of Counter of int
            For each power of s, ascending, how often each product counts; a product is a bit
            mask of the arguments in the order of `__call__`.
        """
        held: list[list[list[int]]] = [[[0]]]
        for argument, states in self._steps:
            following = []
            for state in states:
                powers: list[list[int]] = [[] for _ in range(state.length)]
                for term in state.terms:
                    bit = 1 << argument if term.factor else 0
                    for power, products in enumerate(held[term.start], start=term.offset):
                        powers[power] += [p | bit for p in products]
                following.append(powers)
            held = following
        collected = []
        for signs, count in zip(self._signs, self._powers, strict=True):
            counts: list[Counter[int]] = [Counter() for _ in range(count)]
            for state, polynomial, sign in zip(self._ends, held, signs, strict=True):
                if sign:
                    for power, products in enumerate(polynomial, start=state.low):
                        for product in products:
                            counts[power][product] += sign
            collected.append(counts)
        return collected[0], collected[1]

    def expressions(self, names: Sequence[str]) -> SharedExpressions:
        """Write numerator and denominator as sums of products with common ones shared.

        Parameters
        ----------
        names : sequence of str
            In place of the arguments of `__call__`, in their order.

        Returns
        -------
        SharedExpressions
            With the operators ``+``, ``-`` and ``*`` alone, which every language has.
        """
        shared: list[tuple[str, str]] = []

        def named(terms: list[str]) -> str:
            text = " + ".join(terms) or "0"
            if text.isalnum():
                return text
            shared.append((f"t{len(shared)}", text))
            return shared[-1][0]

        held: list[list[str]] = [["1"]]
        for argument, states in self._steps:
            following = []
            for state in states:
                powers: list[list[str]] = [[] for _ in range(state.length)]
                for term in state.terms:
                    for power, known in enumerate(held[term.start], start=term.offset):
                        factors = [names[argument]] * term.factor + [known] * (known != "1")
                        powers[power].append("*".join(factors) or "1")
                following.append([named(p) for p in powers])
            held = following
        definitions = []
        for signs, count in zip(self._signs, self._powers, strict=True):
            sums = [""] * count
            for state, polynomial, sign in zip(self._ends, held, signs, strict=True):
                for power, known in enumerate(polynomial, start=state.low):
                    if sign:
                        sums[power] += f" {'+' if sign > 0 else '-'} {known}"
            definitions.append(tuple(text.removeprefix(" + ") or "0" for text in sums))
        return SharedExpressions(tuple(shared), definitions[0], definitions[1])


def _following(states: list[_State], step: Step, resistor: bool) -> list[_State]:
    """The states after an edge: a resistor counts where it is left, a capacitor where taken."""
    reached: list[list[tuple[int, bool, int]]] = [[] for _ in range(step.states)]
    for move in step.moves:
        raised = not resistor and move.taken
        low = states[move.start].low + raised
        reached[move.end].append((move.start, move.taken != resistor, low))
    result = []
    for made in reached:
        low = min(at for _, _, at in made)
        high = max(at + states[start].length for start, _, at in made)
        terms = tuple(_Term(start, factor, at - low) for start, factor, at in made)
        result.append(_State(low, high - low, terms))
    return result


def forest_sum(topology: Topology, which: str) -> ForestSum:
    """Plan how to sum the coefficients of a network.

    Parameters
    ----------
    topology : Topology
        The network.
    which : str
        ``transfer`` for H(s) = output voltage / EMF; ``input`` for the impedance at the input,
        source resistance not counted, load connected; ``output`` for the impedance at the
        output, source resistance counted, load not connected.

    Returns
    -------
    ForestSum
        Called with values it returns numerator and denominator.

    Raises
    ------
    WiringError
        When there is no transmission from ``in`` to the output.
    """
    numbers: dict[str, int] = {"0": 0, "in": 1}
    plus, minus = (numbers.setdefault(n, len(numbers)) for n in topology.output)
    pairs = [
        (numbers.setdefault(a, len(numbers)), numbers.setdefault(b, len(numbers)))
        for a, b in (e.nodes for e in topology.elements)
    ]
    count = len(pairs)
    edges = [_Edge(i, _resistor(e)) for i, e in enumerate(topology.elements)]
    source, load = _Edge(count, True), [_Edge(count + 1, True), _Edge(count + 2, False)]
    if which == "transfer":
        emf = len(numbers)
        pairs += [(plus, minus), (plus, minus), (emf, 1)]
        edges += [*load, source]
        one, other, terminals = emf, 0, {0, emf, plus, minus}
    elif which == "input":
        pairs += [(plus, minus), (plus, minus)]
        edges += load
        one, other, terminals = 1, 0, {0, 1}
    else:
        pairs.append((1, 0))
        edges.append(source)
        one, other, terminals = plus, minus, {plus, minus}
    trees = 2 if which == "transfer" else 1

    def wanted(groups: Groups) -> bool:
        return len(groups) == 1 == trees or (len(groups) == 2 and _apart(groups, one, other))

    plan = forest_plan(pairs, terminals, wanted=wanted, last=range(count, len(pairs)))
    if which == "transfer":
        top = tuple(_with(g, emf, plus) - _with(g, emf, minus) for g in plan.ends)
        bottom = tuple(1 for _ in plan.ends)
    else:
        top = tuple(int(len(g) == 2) for g in plan.ends)
        bottom = tuple(int(len(g) == 1) for g in plan.ends)
    if not any(top) or not any(bottom):
        raise WiringError(
            "network", topology.form, "there is no path from in to the output: join them"
        )
    return ForestSum(edges, plan.steps, (top, bottom), count + 3)


def _resistor(element: Element) -> bool:
    return element.kind is ElementKind.RESISTOR


def _apart(groups: Groups, one: int, other: int) -> bool:
    return not any({one, other} <= g for g in groups)


def _with(groups: Groups, one: int, other: int) -> int:
    return int(not _apart(groups, one, other))
