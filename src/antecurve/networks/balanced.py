"""The balanced version of a network: the series arm split on both legs.

Every element that does not touch the return ``0`` stands once in each leg with half its
impedance, a resistor with half the resistance and a capacitor with twice the capacitance; every
element that goes to ``0`` stands between the legs as it is.  By symmetry the voltage between
the legs obeys the same equations as the voltage to ground before: the same response, level,
input and output impedance.  Nodes of the return leg end in ``-``; the generator drives ``in``
against ``0``, the start of that leg, and the unit is connected between ``out`` and ``out-``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.topology import (
    Arm,
    Element,
    ElementKind,
    Network,
    Topology,
    check_names,
)
from antecurve.networks.tree import Leaf, Tree, turned, with_leaves

__all__ = ["balanced_network", "balanced_topology"]


def balanced_topology(topology: Topology) -> Topology:
    """Make the balanced version of a topology.

    Parameters
    ----------
    topology : Topology
        An unbalanced network, its output taken against ``0``.

    Returns
    -------
    Topology
        Series elements doubled as ``R1P`` (upper leg) and ``R1N`` (return leg), output
        ``("out", "out-")``.

    Raises
    ------
    InputError
        When the network is balanced already.
    """
    if topology.output[1] != "0":
        raise InputError(
            "network.balanced", topology.output, "the network is balanced already; leave it so"
        )
    elements: list[Element] = []
    for element in topology.elements:
        if "0" in element.nodes:
            first, second = element.nodes
            other = first if second == "0" else second
            elements.append(replace(element, nodes=(other, _mirrored(other))))
            continue
        first, second = element.nodes
        elements.append(replace(element, ref=f"{element.ref}P"))
        mirrored = (_mirrored(first), _mirrored(second))
        elements.append(replace(element, ref=f"{element.ref}N", nodes=mirrored))
    names = {node for element in topology.elements for node in element.nodes}
    for name in sorted(names & {_mirrored(name) for name in names - {"in", "0"}}):
        raise InputError(
            "network.balanced", name, f"the return leg has a node {name} of its own: rename yours"
        )
    check_names(elements)
    output = topology.output[0]
    return Topology(
        topology.form, tuple(elements), (output, _mirrored(output)), _balanced_arms(topology.arms)
    )


def _balanced_arms(arms: tuple[Arm, ...]) -> tuple[Arm, ...]:
    """The tree of a built-in network: series arms in both legs, shunt arms between them."""
    balanced = []
    for arm in arms:
        start, end = arm.nodes
        if end == "0":
            balanced.append(Arm((start, _mirrored(start)), _between_legs(arm.tree)))
            continue
        balanced.append(Arm((start, end), _in_leg(arm.tree, "P")))
        balanced.append(Arm((_mirrored(start), _mirrored(end)), _in_leg(arm.tree, "N")))
    return tuple(balanced)


def _in_leg(tree: Tree[str], leg: str) -> Tree[str]:
    """The same tree with the references of one leg."""
    return with_leaves(tree, lambda ref: f"{ref}{leg}")


def _between_legs(tree: Tree[str]) -> Tree[str]:
    """A tree to 0 as one from leg to leg: what does not touch 0 stands on both sides."""
    if isinstance(tree, Leaf):
        return tree
    if tree.joined == "parallel":
        return replace(tree, parts=tuple(_between_legs(part) for part in tree.parts))
    *outer, last = tree.parts
    upper = [_in_leg(part, "P") for part in outer]
    lower = [turned(_in_leg(part, "N")) for part in reversed(outer)]
    return replace(tree, parts=(*upper, _between_legs(last), *lower))


@checked
def balanced_network(network: Network) -> Network:
    """Make the balanced version of a network.

    Parameters
    ----------
    network : Network
        An unbalanced network.

    Returns
    -------
    Network
        The same response between ``out`` and ``out-``.

    Raises
    ------
    InputError
        When the network is balanced already.

    Examples
    --------
    >>> from antecurve.networks.topology import network_with_values
    >>> elements = (
    ...     Element("C1", ElementKind.CAPACITOR, ("in", "out")),
    ...     Element("R1", ElementKind.RESISTOR, ("out", "0")),
    ... )
    >>> both = balanced_network(network_with_values(Topology("own", elements), [1e-9, 1e3]))
    >>> both.topology.refs, both.values.tolist()
    (('C1P', 'C1N', 'R1'), [2e-09, 2e-09, 1000.0])
    """
    values: list[float] = []
    for element, value in zip(network.topology.elements, network.values, strict=True):
        if "0" in element.nodes:
            values.append(float(value))
        else:
            half = value / 2.0 if element.kind is ElementKind.RESISTOR else value * 2.0
            values += [float(half)] * 2
    return Network(balanced_topology(network.topology), np.array(values))


def _mirrored(node: str) -> str:
    """The node's counterpart in the return leg, which begins at 0."""
    return "0" if node == "in" else f"{node}-"
