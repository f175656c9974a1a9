"""A network's arms in symbols: their impedances, shown and over a field, and what they prove."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from antecurve.networks.symbolic import solve
from antecurve.networks.topology import ElementKind, Topology
from antecurve.networks.tree import Leaf, with_leaves
from antecurve.synthesis.symbolic_arm import symbol_field
from antecurve.synthesis.tree import ElementValue, Tree

__all__ = ["arm_trees", "prove", "prove_transfer", "shown_impedance", "tree_impedance"]


def arm_trees(topology: Topology, values: Mapping[str, Any]) -> list[Tree]:
    """Take the arms of a built-in network with a value for each element.

    Parameters
    ----------
    topology : Topology
        The network, laid out arm by arm.
    values : mapping
        By reference.

    Returns
    -------
    list of Tree
        The arms in the order of the layout.
    """
    kinds = {e.ref: e.kind for e in topology.elements}

    def element(ref: str) -> ElementValue:
        return ElementValue(kinds[ref], values[ref])

    return [with_leaves(arm.tree, element) for arm in topology.arms]


def tree_impedance(
    tree: Tree, s: Any, *, parallel: Callable[[list[Any]], Any] | None = None
) -> Any:
    """Compute the impedance of an arm.

    Parameters
    ----------
    tree : Tree
        The arm.
    s : element of a field
        The variable s.
    parallel : callable, optional
        From the impedances of parts in parallel to that of the group.

    Returns
    -------
    element of a field
        Z(s).
    """
    if isinstance(tree, Leaf):
        kind, value = tree.content
        return value if kind is ElementKind.RESISTOR else 1 / (s * value)
    parts = [tree_impedance(part, s, parallel=parallel) for part in tree.parts]
    if tree.joined == "series":
        return sum(parts[1:], parts[0])
    if parallel is not None:
        return parallel(parts)
    return 1 / sum((1 / part for part in parts[1:]), 1 / parts[0])


def shown_impedance(tree: Tree, s: Any) -> Any:
    """Write the impedance of an arm with each parallel group as one fraction.

    Parameters
    ----------
    tree : Tree
        The arm, its values symbols.
    s : sympy.Symbol
        The variable s.

    Returns
    -------
    sympy.Expr
        Z(s), as it is shown.
    """
    import sympy

    def fraction(parts: list[Any]) -> Any:
        top, bottom = sympy.fraction(sympy.cancel(1 / sympy.Add(*(1 / p for p in parts))))
        return sympy.factor(top) / sympy.collect(sympy.expand(bottom), s)

    return tree_impedance(tree, s, parallel=fraction)


def prove(statement: bool, what: str) -> None:
    """Stop when a derived formula does not satisfy its own equations.

    Parameters
    ----------
    statement : bool
        Whether an identity holds.
    what : str
        The identity in words.

    Raises
    ------
    ArithmeticError
        When it doesn't: the derivation is wrong.
    """
    if not statement:
        raise ArithmeticError(f"substituting back fails: {what}")


def prove_transfer(topology: Topology, inverse: Callable[[list[Any], Any, Any], Any]) -> None:
    """Prove that H(s) of a network, from its spanning forests, is that of its arms.

    Parameters
    ----------
    topology : Topology
        The network, laid out arm by arm.
    inverse : callable
        From the impedances of the arms, the load's admittance and Rs to 1/H, over a field.

    Raises
    ------
    ArithmeticError
        When it isn't.
    """
    solution = solve(topology)
    field = symbol_field(["s", *topology.refs, "Rs", "RL", "CL"])
    s = field["s"]
    arms = [tree_impedance(arm, s) for arm in arm_trees(topology, field)]
    top, bottom = (
        sum(s.field.from_expr(c) * s**power for power, c in enumerate(polynomial))
        for polynomial in (solution.transfer_numerator, solution.transfer_denominator)
    )
    load = 1 / field["RL"] + s * field["CL"]
    prove(top * inverse(arms, load, field["Rs"]) == bottom, "H(s) is not that of the arms")
