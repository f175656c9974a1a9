"""A two-terminal arm as a tree of series and parallel groups, and its layout between nodes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import count
from typing import Any

from antecurve.networks.topology import Arm, Branch, Element, ElementKind, Topology

__all__ = [
    "Group",
    "Leaf",
    "Tree",
    "capacitor",
    "lay_out",
    "leaf_values",
    "parallel",
    "resistor",
    "series",
]


@dataclass(frozen=True, slots=True)
class Leaf:
    """One element.

    Attributes
    ----------
    kind : ElementKind
        Resistor or capacitor.
    value : float
        Resistance [ohm] or capacitance [F]; an exact fraction or a symbolic expression where
        the expansion works on those.
    """

    kind: ElementKind
    value: Any


@dataclass(frozen=True, slots=True)
class Group:
    """Elements and groups joined in series or in parallel.

    Attributes
    ----------
    joined : str
        ``series`` or ``parallel``.
    parts : tuple of Tree
        What is joined, in order.
    """

    joined: str
    parts: tuple[Tree, ...]


Tree = Leaf | Group
Shape = ElementKind | tuple[str, tuple["Shape", ...]]
"""A tree without values."""


def resistor(value: Any) -> Leaf:
    """Make a resistor.

    Parameters
    ----------
    value : float
        Resistance [ohm].

    Returns
    -------
    Leaf
        The element.
    """
    return Leaf(ElementKind.RESISTOR, value)


def capacitor(value: Any) -> Leaf:
    """Make a capacitor.

    Parameters
    ----------
    value : float
        Capacitance [F].

    Returns
    -------
    Leaf
        The element.
    """
    return Leaf(ElementKind.CAPACITOR, value)


def series(*parts: Tree) -> Tree:
    """Join parts in series.

    Parameters
    ----------
    *parts : Tree
        At least one.

    Returns
    -------
    Tree
        A group without groups of its own kind inside; a single part is returned as it is.
    """
    return _join("series", parts)


def parallel(*parts: Tree) -> Tree:
    """Join parts in parallel.

    Parameters
    ----------
    *parts : Tree
        At least one.

    Returns
    -------
    Tree
        A group without groups of its own kind inside; a single part is returned as it is.
    """
    return _join("parallel", parts)


def _join(joined: str, parts: tuple[Tree, ...]) -> Tree:
    flat: list[Tree] = []
    for part in parts:
        flat += part.parts if isinstance(part, Group) and part.joined == joined else (part,)
    return flat[0] if len(flat) == 1 else Group(joined, tuple(flat))


def leaf_values(tree: Tree) -> tuple[Any, ...]:
    """List the values of an arm's elements in the order of the layout.

    Parameters
    ----------
    tree : Tree
        The arm.

    Returns
    -------
    tuple
        Resistances [ohm] and capacitances [F], of the type the arm holds.
    """
    if isinstance(tree, Leaf):
        return (tree.value,)
    return tuple(value for part in tree.parts for value in leaf_values(part))


def lay_out(form: str, arms: Sequence[tuple[Tree, str, str]]) -> Topology:
    """Lay out arms between nodes, one after the other.

    Parameters
    ----------
    form : str
        Name of the form.
    arms : sequence of tuple
        Each arm and the two nodes it lies between.

    Returns
    -------
    Topology
        The elements in order, and the arms that they make.  References count resistors and
        capacitors separately, R1, C1, R2, ...; inner nodes are n1, n2, ...
    """
    return _laid_out(form, tuple((_shape(tree), start, end) for tree, start, end in arms))


def _shape(tree: Tree) -> Shape:
    return tree.kind if isinstance(tree, Leaf) else (tree.joined, tuple(map(_shape, tree.parts)))


@lru_cache(maxsize=256)
def _laid_out(form: str, arms: tuple[tuple[Shape, str, str], ...]) -> Topology:
    """The topology of arms by their shapes: searches over values lay out the same few anew."""
    elements: list[Element] = []
    counts = {ElementKind.RESISTOR: 0, ElementKind.CAPACITOR: 0}
    numbers = count(1)

    def branch(shape: Shape, start: str, end: str) -> Branch:
        if isinstance(shape, ElementKind):
            counts[shape] += 1
            letter = "R" if shape is ElementKind.RESISTOR else "C"
            elements.append(Element(f"{letter}{counts[shape]}", shape, (start, end)))
            return Branch("element", elements[-1].ref)
        joined, parts = shape
        if joined == "parallel":
            return Branch(joined, "", tuple(branch(part, start, end) for part in parts))
        nodes = [start]
        branches = []
        for part in parts:
            nodes.append(end if len(nodes) == len(parts) else f"n{next(numbers)}")
            branches.append(branch(part, nodes[-2], nodes[-1]))
        return Branch(joined, "", tuple(branches))

    laid = tuple(Arm((start, end), branch(shape, start, end)) for shape, start, end in arms)
    return Topology(form, tuple(elements), arms=laid)
