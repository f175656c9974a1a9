"""Elements between nodes: the shape of a network, and a network with values.

Nodes are names.  ``in`` is behind the source resistance, ``out`` is the output, ``0`` is the
return.  A network whose output is not taken against ``0`` (a balanced one) names both output
nodes in `Topology.output`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import read_only
from antecurve.checked import checked
from antecurve.errors import InputError, WiringError
from antecurve.networks.tree import Tree
from antecurve.quantities import (
    CAPACITANCES,
    LOAD_CAPACITANCES,
    LOAD_RESISTANCES,
    RESISTANCES,
    SOURCE_RESISTANCES,
    Range,
)
from antecurve.results import Result

if TYPE_CHECKING:
    import pandas

__all__ = [
    "Arm",
    "Element",
    "ElementKind",
    "Loading",
    "Network",
    "Topology",
    "check_names",
    "network_with_values",
]

_NODE = re.compile(r"[A-Za-z0-9_-]{1,64}\Z")
_REF = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,63}\Z")
_TAKEN_REFS = frozenset({"s", "rs", "rl", "cl", "rsource", "rload", "cload"})
_TAKEN_NODES = {"drive": ("the generator", "in"), "gnd": ("the common return", "0")}


class ElementKind(StrEnum):
    """What an element is; its unit follows from it."""

    RESISTOR = "resistor"
    CAPACITOR = "capacitor"

    @property
    def unit(self) -> str:
        """Unit of the value: ``ohm`` or ``F``."""
        return "ohm" if self is ElementKind.RESISTOR else "F"

    @property
    def values(self) -> Range:
        """The values that parts of this kind may have."""
        return RESISTANCES if self is ElementKind.RESISTOR else CAPACITANCES


@checked
@dataclass(frozen=True, slots=True)
class Element:
    """One position in the network.

    Attributes
    ----------
    ref : str
        Reference, such as ``R1`` or ``C2``.
    kind : ElementKind
        Resistor or capacitor.
    nodes : tuple of str
        The two nodes it joins.
    """

    ref: str
    kind: ElementKind
    nodes: tuple[str, str]


def check_names(elements: Sequence[Element]) -> None:
    """Refuse names that a netlist would not keep apart, or a reader of it not understand.

    Parameters
    ----------
    elements : sequence of Element
        The elements of a network.

    Raises
    ------
    WiringError
        When a reference is not a letter (R or C, as the kind is) followed by letters, digits or
        ``_``, a node not letters, digits, ``_`` and ``-``, when two differ by case alone, or one
        is that of the source, the load or the common return.
    """
    refs: set[str] = set()
    nodes = {"in": "in", "out": "out", "0": "0"}
    for element in elements:
        where = f"{element.ref} {element.nodes[0]} {element.nodes[1]}"
        ref = element.ref
        letter = "R" if element.kind is ElementKind.RESISTOR else "C"
        rule = ""
        if not _REF.match(ref):
            rule = f"{ref[:40]!r} is no reference: use a letter, then letters or digits"
        elif ref.lower() in _TAKEN_REFS:
            rule = f"the reference {ref} is taken: source and load use it"
        elif ref.lower() in refs:
            rule = f"the reference {ref} is used twice: number the elements"
        elif ref[0] != letter:
            rule = f"the reference of a {element.kind.value} must begin with {letter}: rename {ref}"
        refs.add(ref.lower())
        for node in element.nodes:
            first = nodes.setdefault(node.lower(), node)
            if not _NODE.match(node):
                rule = rule or (
                    f"{node[:40]!r} is no name of a node: use letters, digits, _ and -, 64 at most"
                )
            elif node.lower() in _TAKEN_NODES:
                what, right = _TAKEN_NODES[node.lower()]
                rule = rule or (
                    f"the node {node} is {what} in a netlist: did you mean {right} where you wrote "
                    f"{node}?"
                )
            elif first != node:
                rule = rule or (
                    f"{first} and {node} differ by case alone: did you mean {first} where you "
                    f"wrote {node}?"
                )
        if rule:
            raise WiringError("network.elements", where, rule)


@dataclass(frozen=True, slots=True)
class Arm:
    """Elements between two nodes that can't be joined further.

    Attributes
    ----------
    nodes : tuple of str
        The nodes, in the direction of the tree.
    tree : Tree of str
        References of what lies between them.
    """

    nodes: tuple[str, str]
    tree: Tree[str]


@checked
@dataclass(frozen=True, slots=True)
class Topology:
    """The shape of a network: elements between nodes, without values.

    Attributes
    ----------
    form : str
        Name of the form, such as ``foster-1``, or ``own``.
    elements : tuple of Element
        In the order in which values are given.
    output : tuple of str
        The two nodes between which the unit is connected.
    arms : tuple of Arm
        The series-parallel tree of a built-in network, arm by arm as it was laid out; empty for
        a network known by its elements alone.  Two topologies of the same elements are equal
        with and without it.
    """

    form: str
    elements: tuple[Element, ...]
    output: tuple[str, str] = ("out", "0")
    arms: tuple[Arm, ...] = field(default=(), compare=False, repr=False)

    @property
    def refs(self) -> tuple[str, ...]:
        """References of the elements, in order."""
        return tuple(e.ref for e in self.elements)


@checked
@dataclass(frozen=True, slots=True, eq=False)
class Network(Result):
    """A topology with a value for each element.

    Attributes
    ----------
    topology : Topology
        The shape.
    values : numpy.ndarray of float, shape (elements,)
        Resistances [ohm] and capacitances [F], each finite and greater than 0; read-only.

    Raises
    ------
    InputError
        When a value is not finite and greater than 0, or the count is wrong.
    """

    _keys: ClassVar = ("form:topology.form", "elements:records")

    topology: Topology
    values: NDArray[np.float64]

    def __post_init__(self) -> None:
        values = read_only(self.values)
        elements = self.topology.elements
        if values.shape != (len(elements),):
            raise InputError(
                "network values", values.shape, f"one value for each of {len(elements)} elements"
            )
        for element, value in zip(elements, values.tolist(), strict=True):
            if not 0.0 < value < math.inf:
                raise InputError(
                    element.ref, value, f"a {element.kind.value} must be finite and above 0"
                )
        object.__setattr__(self, "values", values)

    def to_frame(self) -> pandas.DataFrame:
        """Tabulate the elements.

        Returns
        -------
        pandas.DataFrame
            Columns: ref, kind, nodes, value [ohm or F].
        """
        import pandas

        elements = self.topology.elements
        return pandas.DataFrame(
            {
                "ref": [e.ref for e in elements],
                "kind": [e.kind.value for e in elements],
                "nodes": [e.nodes for e in elements],
                "value": self.values,
            }
        )

    def value(self, ref: str) -> float:
        """Look up the value of one element.

        Parameters
        ----------
        ref : str
            Its reference.

        Returns
        -------
        float
            Resistance [ohm] or capacitance [F].
        """
        return float(self.values[self.topology.refs.index(ref)])


@checked
def network_with_values(topology: Topology, values: Sequence[float]) -> Network:
    """Make a network of a topology and values.

    Parameters
    ----------
    topology : Topology
        The shape.
    values : sequence of float, length elements
        Resistances [ohm] and capacitances [F] in the order of the elements.

    Returns
    -------
    Network
        The network.

    Raises
    ------
    InputError
        When a value is not finite and greater than 0, or the count is wrong.
    """
    return Network(topology, np.asarray(values, dtype=float))


@checked
@dataclass(frozen=True, slots=True)
class Loading:
    """The source and the load that the network works between.

    Attributes
    ----------
    source_resistance : float
        Resistance of the generator [ohm], 0 or greater.
    load_resistance : float
        Input resistance of the unit [ohm], greater than 0.
    load_capacitance : float
        Input capacitance of the unit with its cable [F], 0 or greater.

    Raises
    ------
    InputError
        When a value is not finite, negative, or a million times beyond what a job may ask for.
    """

    _keys: ClassVar = (
        "source.resistance_ohm:source_resistance",
        "load.resistance_ohm:load_resistance",
        "load.capacitance_f:load_capacitance",
    )

    source_resistance: float
    load_resistance: float
    load_capacitance: float

    def __post_init__(self) -> None:
        for name, values in (
            ("source_resistance", SOURCE_RESISTANCES),
            ("load_resistance", LOAD_RESISTANCES),
            ("load_capacitance", LOAD_CAPACITANCES),
        ):
            values.widened.check(getattr(self, name), field=name)
