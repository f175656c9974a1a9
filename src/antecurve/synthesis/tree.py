"""A two-terminal arm as a tree of series and parallel groups, and its layout between nodes."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import count
from typing import Any, NamedTuple, TypeAlias

from antecurve.networks import tree as networks_tree
from antecurve.networks.topology import Arm, Element, ElementKind, Topology
from antecurve.networks.tree import Group, Leaf, join, leaves

__all__ = [
    "ElementValue",
    "Tree",
    "capacitor",
    "lay_out",
    "leaf_values",
    "parallel",
    "resistor",
    "series",
]


class ElementValue(NamedTuple):
    """What stands at the leaves of an arm.

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


Tree: TypeAlias = networks_tree.Tree[ElementValue]
"""An arm."""
Shape = ElementKind | tuple[str, tuple["Shape", ...]]
"""A tree without values."""


def resistor(value: Any) -> Tree:
    """Make a resistor.

    Parameters
    ----------
    value : float
        Resistance [ohm].

    Returns
    -------
    Tree
        The element.
    """
    return Leaf(ElementValue(ElementKind.RESISTOR, value))


def capacitor(value: Any) -> Tree:
    """Make a capacitor.

    Parameters
    ----------
    value : float
        Capacitance [F].

    Returns
    -------
    Tree
        The element.
    """
    return Leaf(ElementValue(ElementKind.CAPACITOR, value))


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
    return join("series", *parts)


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
    return join("parallel", *parts)


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
    return tuple(value for _, value in leaves(tree))


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
    if isinstance(tree, Leaf):
        return tree.content.kind
    return (tree.joined, tuple(map(_shape, tree.parts)))


@lru_cache(maxsize=256)
def _laid_out(form: str, arms: tuple[tuple[Shape, str, str], ...]) -> Topology:
    """The topology of arms by their shapes: searches over values lay out the same few anew."""
    elements: list[Element] = []
    counts = {ElementKind.RESISTOR: 0, ElementKind.CAPACITOR: 0}
    numbers = count(1)

    def branch(shape: Shape, start: str, end: str) -> networks_tree.Tree[str]:
        if isinstance(shape, ElementKind):
            counts[shape] += 1
            letter = "R" if shape is ElementKind.RESISTOR else "C"
            elements.append(Element(f"{letter}{counts[shape]}", shape, (start, end)))
            return Leaf(elements[-1].ref)
        joined, parts = shape
        if joined == "parallel":
            return Group(joined, tuple(branch(part, start, end) for part in parts))
        nodes = [start]
        branches = []
        for part in parts:
            nodes.append(end if len(nodes) == len(parts) else f"n{next(numbers)}")
            branches.append(branch(part, nodes[-2], nodes[-1]))
        return Group(joined, tuple(branches))

    laid = tuple(Arm((start, end), branch(shape, start, end)) for shape, start, end in arms)
    return Topology(form, tuple(elements), arms=laid)
