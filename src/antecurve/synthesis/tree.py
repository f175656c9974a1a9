"""A two-terminal arm as a tree of series and parallel groups, and its layout between nodes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from antecurve.networks.topology import (
    Arm,
    Branch,
    Element,
    ElementKind,
    Network,
    Topology,
    network_with_values,
)

__all__ = [
    "Group",
    "Layout",
    "Leaf",
    "Tree",
    "capacitor",
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


def resistor(value: Any) -> Leaf:
    """Return a resistor.

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
    """Return a capacitor.

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
    """Return parts joined in series.

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
    """Return parts joined in parallel.

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
    """Return the values of an arm's elements in the order of the layout.

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


class Layout:
    """Arms laid out between nodes, one after the other.

    References count resistors and capacitors separately (R1, C1, R2, ...) in the order in
    which the elements are laid out; inner nodes are n1, n2, ...
    """

    def __init__(self) -> None:
        self._elements: list[Element] = []
        self._values: list[Any] = []
        self._counts = {ElementKind.RESISTOR: 0, ElementKind.CAPACITOR: 0}
        self._nodes = 0
        self._arms: list[Arm] = []

    def add(self, tree: Tree, start: str, end: str) -> None:
        """Lay out an arm from one node to another.

        Parameters
        ----------
        tree : Tree
            The arm.
        start, end : str
            The nodes.
        """
        self._arms.append(Arm((start, end), self._laid(tree, start, end)))

    def _laid(self, tree: Tree, start: str, end: str) -> Branch:
        """Lay out a part of an arm, and return the same part by references."""
        if isinstance(tree, Leaf):
            self._counts[tree.kind] += 1
            letter = "R" if tree.kind is ElementKind.RESISTOR else "C"
            ref = f"{letter}{self._counts[tree.kind]}"
            self._elements.append(Element(ref, tree.kind, (start, end)))
            self._values.append(tree.value)
            return Branch("element", ref)
        if tree.joined == "parallel":
            return Branch("parallel", "", tuple(self._laid(p, start, end) for p in tree.parts))
        parts, node = [], start
        for part in tree.parts[:-1]:
            onward = self.node()
            parts.append(self._laid(part, node, onward))
            node = onward
        parts.append(self._laid(tree.parts[-1], node, end))
        return Branch("series", "", tuple(parts))

    def node(self) -> str:
        """Return the name of a new inner node.

        Returns
        -------
        str
            n1, n2, ...
        """
        self._nodes += 1
        return f"n{self._nodes}"

    def topology(self, form: str) -> Topology:
        """Return the shape of what was laid out.

        Parameters
        ----------
        form : str
            Name of the form.

        Returns
        -------
        Topology
            Elements in order, and the arms that they make.
        """
        return Topology(form, tuple(self._elements), arms=tuple(self._arms))

    @property
    def values(self) -> tuple[Any, ...]:
        """Values of the elements in order [ohm or F], of the type the arms hold."""
        return tuple(self._values)

    def network(self, form: str) -> Network:
        """Return what was laid out as a network.

        Parameters
        ----------
        form : str
            Name of the form.

        Returns
        -------
        Network
            With values as floats.

        Raises
        ------
        InputError
            When a value is not finite and above 0.
        """
        return network_with_values(self.topology(form), [float(v) for v in self._values])
