"""Series-parallel trees: what is joined in series and in parallel, whatever stands at its leaves.

A topology has references of elements at them, an arm in synthesis kinds with values.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeAlias, TypeVar

__all__ = ["Group", "Leaf", "Tree", "join", "leaves", "turned", "with_leaves"]

Content = TypeVar("Content")
Other = TypeVar("Other")


@dataclass(frozen=True, slots=True)
class Leaf(Generic[Content]):
    """One element.

    Attributes
    ----------
    content : object
        What is known of it.
    """

    content: Content


@dataclass(frozen=True, slots=True)
class Group(Generic[Content]):
    """Trees joined in series or in parallel.

    Attributes
    ----------
    joined : str
        ``series`` or ``parallel``.
    parts : tuple of Tree
        What is joined, in order from the first node to the second.
    """

    joined: str
    parts: tuple[Tree[Content], ...]


Tree: TypeAlias = Leaf[Content] | Group[Content]
"""An element, or elements joined."""


def join(joined: str, *parts: Tree[Content]) -> Tree[Content]:
    """Join trees in series or in parallel.

    Parameters
    ----------
    joined : str
        ``series`` or ``parallel``.
    *parts : Tree
        At least one.

    Returns
    -------
    Tree
        A group without groups of its own kind inside; a single part is returned as it is.
    """
    flat: list[Tree[Content]] = []
    for part in parts:
        flat += part.parts if isinstance(part, Group) and part.joined == joined else (part,)
    return flat[0] if len(flat) == 1 else Group(joined, tuple(flat))


def leaves(tree: Tree[Content]) -> tuple[Content, ...]:
    """List what stands at the leaves of a tree.

    Parameters
    ----------
    tree : Tree
        The tree.

    Returns
    -------
    tuple of object
        In order from the first node to the second.
    """
    if isinstance(tree, Leaf):
        return (tree.content,)
    return tuple(content for part in tree.parts for content in leaves(part))


def with_leaves(tree: Tree[Content], change: Callable[[Content], Other]) -> Tree[Other]:
    """Make a tree of the same shape with other leaves.

    Parameters
    ----------
    tree : Tree
        The tree.
    change : callable
        From what stands at a leaf to what is to stand there, called in their order.

    Returns
    -------
    Tree
        The other tree.
    """
    if isinstance(tree, Leaf):
        return Leaf(change(tree.content))
    return Group(tree.joined, tuple(with_leaves(part, change) for part in tree.parts))


def turned(tree: Tree[Content]) -> Tree[Content]:
    """Turn a tree end for end.

    Parameters
    ----------
    tree : Tree
        The tree.

    Returns
    -------
    Tree
        With the order of every series group reversed.
    """
    if isinstance(tree, Leaf):
        return tree
    parts = tuple(turned(part) for part in tree.parts)
    return Group(tree.joined, parts[::-1] if tree.joined == "series" else parts)
