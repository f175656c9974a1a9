"""A set of switched positions with parts, as the joint pick hands it on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.parts.position import PickedNetwork
from antecurve.switched.added_parts import Addition, part_count
from antecurve.switched.joint_space import JointPick, JointSpace
from antecurve.switched.sharing import EXACT_DB, SharedSet

__all__ = ["BoxPick"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class BoxPick:
    """A set of switched positions with parts for all positions.

    Attributes
    ----------
    shared : SharedSet
        The set.
    space : JointSpace
        The combinations, the ultrasonic poles chosen.
    pick : JointPick
        The parts.
    solution : numpy.ndarray of float, shape (variables,)
        Exact values nearest to the parts, as `space.joint` has them; not exact where the set
        makes no curve exactly.
    additions : tuple of Addition
        Positions of which one part stays while each throw adds to it.
    """

    shared: SharedSet
    space: JointSpace
    pick: JointPick
    solution: Floats
    additions: tuple[Addition, ...] = ()

    @property
    def part_count(self) -> int:
        """Number of parts of the box."""
        added = frozenset(a.ref for a in self.additions)
        return part_count(self.networks, self.shared.joint.separate, added)

    @property
    def networks(self) -> tuple[PickedNetwork, ...]:
        """The network with its parts in each position of the switch."""
        picked = []
        for position, own in zip(self.space.positions, self.pick.own, strict=True):
            indices = position.filled(self.pick.shared[None], own[None])[0]
            picked.append(position.space.picked(indices))
        return tuple(picked)

    @property
    def exact(self) -> bool:
        """Whether the values of `solution` make every curve."""
        return bool(self.space.joint.judged(self.solution[None]).error_db[0] < EXACT_DB)
