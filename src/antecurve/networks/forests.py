"""Sums over the spanning forests of a graph, forests with like groups taken together.

Edges are taken or left one after the other.  What matters of a partial forest is only how it
joins the nodes that have edges still to come, and the terminals: forests that join them alike are
one state, and their number stays small while that of the forests grows beyond all bounds.  A
forest is kept only while each of its trees holds a node to come or a terminal.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

__all__ = ["ForestPlan", "Groups", "Move", "Step", "forest_plan"]

Groups = frozenset[frozenset[int]]
"""How nodes are joined: the groups of those that hang together."""


@dataclass(frozen=True, slots=True)
class Move:
    """From one state to the next by taking an edge or leaving it.

    Attributes
    ----------
    start, end : int
        State before and after.
    taken : bool
        Whether the edge is taken.
    """

    start: int
    end: int
    taken: bool


@dataclass(frozen=True, slots=True)
class Step:
    """What one edge does.

    Attributes
    ----------
    edge : int
        Which edge.
    moves : tuple of Move
        In the order of the state they end in.
    states : int
        Number of states after the step.
    """

    edge: int
    moves: tuple[Move, ...]
    states: int


@dataclass(frozen=True, slots=True)
class ForestPlan:
    """How to sum over forests.

    Attributes
    ----------
    steps : tuple of Step
        One an edge; before the first there is one state, the empty forest.
    ends : tuple of frozenset
        For each state after the last step how it joins the terminals.
    """

    steps: tuple[Step, ...]
    ends: tuple[Groups, ...]


def _elimination_order(edges: Sequence[tuple[int, int]], terminals: Iterable[int]) -> list[int]:
    """An order of edges that finishes nodes early, those with few neighbours first."""
    kept = set(terminals)
    remaining = {n for edge in edges for n in edge} - kept
    open_edges = list(range(len(edges)))
    joined = {n: {m for e in edges if n in e for m in e} - {n} for n in remaining | kept}
    order: list[int] = []
    while remaining:
        node = min(remaining, key=lambda n: (len(joined[n]), n))
        remaining.remove(node)
        order += [i for i in open_edges if node in edges[i]]
        open_edges = [i for i in open_edges if node not in edges[i]]
        # Neighbours of a node that is finished hang together from then on.
        around = joined.pop(node)
        for other in around:
            joined[other] = (joined[other] | around) - {node, other}
    return order + open_edges


def forest_plan(
    edges: Sequence[tuple[int, int]],
    terminals: Iterable[int],
    *,
    wanted: Callable[[Groups], bool],
    last: Sequence[int] = (),
) -> ForestPlan:
    """Plan the steps that sum over all spanning forests of one kind.

    Parameters
    ----------
    edges : sequence of tuple of int
        Pairs of nodes; an edge between a node and itself is in no forest.
    terminals : iterable of int
        Nodes whose groups tell forests apart.
    wanted : callable
        Which groups of the terminals count.
    last : sequence of int, optional
        Edges to come last, in this order.

    Returns
    -------
    ForestPlan
        Every forest that covers all nodes, has a terminal in each tree and joins the terminals
        in a wanted way comes out once.
    """
    kept = frozenset(terminals)
    first = [i for i in range(len(edges)) if i not in last]
    ends = {n for i in last for n in edges[i]}
    order = _elimination_order([edges[i] for i in first], kept | ends)
    sequence = [*(first[i] for i in order), *last]
    # Terminals without an edge are trees of their own.
    lone = kept - {n for edge in edges for n in edge}
    states: dict[Groups, int] = {frozenset(frozenset({n}) for n in lone): 0}
    seen = set(lone)
    steps: list[tuple[int, list[Move], int]] = []
    for step, index in enumerate(sequence):
        a, b = edges[index]
        to_come = {n for i in sequence[step + 1 :] for n in edges[i]} | kept
        done = {a, b} - to_come
        fresh = [frozenset({n}) for n in {a, b} - seen]
        seen |= {a, b}
        following: dict[Groups, int] = {}
        moves: list[Move] = []
        for groups, number in states.items():
            for joined, taken in _choices(groups.union(fresh), a, b):
                open_groups = frozenset(g - done for g in joined)
                if frozenset() in open_groups or (len(open_groups) < len(joined)):
                    continue
                moves.append(Move(number, following.setdefault(open_groups, len(following)), taken))
        states = following
        steps.append((index, moves, len(states)))
    return _pruned(steps, list(states), wanted)


def _choices(groups: Groups, a: int, b: int) -> list[tuple[Groups, bool]]:
    one = next(g for g in groups if a in g)
    two = next(g for g in groups if b in g)
    choices = [(groups, False)]
    if one != two:
        choices.append(((groups - {one, two}) | {one | two}, True))
    return choices


def _pruned(
    steps: list[tuple[int, list[Move], int]],
    ends: list[Groups],
    wanted: Callable[[Groups], bool],
) -> ForestPlan:
    """The plan without states that lead to no wanted end."""
    numbers = {old: new for new, old in enumerate(i for i, g in enumerate(ends) if wanted(g))}
    shown = tuple(ends[i] for i in numbers)
    result: list[Step] = []
    for edge, moves, _ in reversed(steps):
        useful = [m for m in moves if m.end in numbers]
        starts = {old: new for new, old in enumerate(sorted({m.start for m in useful}))}
        renamed = [Move(starts[m.start], numbers[m.end], m.taken) for m in useful]
        renamed.sort(key=lambda m: m.end)
        result.append(Step(edge, tuple(renamed), len(numbers)))
        numbers = starts
    return ForestPlan(tuple(reversed(result)), shown)
