"""Parts, positions filled with one or more joined parts, and a network of positions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.topology import Element, Network, Topology
from antecurve.parts.joined import joined_value, values_add
from antecurve.quantities import check_tolerance
from antecurve.results import Result

__all__ = ["Part", "PickedNetwork", "Position"]


@checked
@dataclass(frozen=True, slots=True)
class Part:
    """One physical part.

    Attributes
    ----------
    value : float
        Nominal or, where `measured`, measured value [ohm or F].
    tolerance : float
        Tolerance as a fraction; for a measured part what the measurement leaves.
    origin : str
        Where it comes from: a series such as ``E96``, or ``drawer``.
    nominal : float or None
        Marked value of a part from the drawer that was measured.
    description : str
        Free text of the drawer.
    """

    value: float
    tolerance: float
    origin: str = ""
    nominal: float | None = None
    description: str = ""

    def __post_init__(self) -> None:
        check_tolerance(self.tolerance, field="Part.tolerance")


@checked
@dataclass(frozen=True, slots=True)
class Position:
    """One place in the network, filled by one or more joined parts.

    Attributes
    ----------
    element : Element
        The place.
    parts : tuple of Part
        What fills it.
    joined : str
        ``single`` for one part; ``series`` or ``parallel`` for more.
    exact : float or None
        Exact value [ohm or F] at this design's level and impedance; ``None`` if unknown.
    """

    _keys: ClassVar = (
        "ref:element.ref",
        "kind:element.kind",
        "nodes:element.nodes",
        "exact",
        "value",
        "parts:parts.value",
        "joined",
        "tolerance",
        "part_details:parts",
    )

    element: Element
    parts: tuple[Part, ...]
    joined: str = "single"
    exact: float | None = None

    def __post_init__(self) -> None:
        values_add(self.element.kind, self.joined)
        if (self.joined == "single") != (len(self.parts) == 1):
            rule = "a single part stands alone; two or more join in series or parallel"
            raise InputError(f"{self.element.ref}, joined", self.joined, rule)
        for part in self.parts:
            self.element.kind.values.widened.check(part.value, field=f"{self.element.ref}, a part")

    @property
    def value(self) -> float:
        """Value of the joined parts [ohm or F]."""
        adds = values_add(self.element.kind, self.joined)
        return joined_value([p.value for p in self.parts], adds=adds)

    @property
    def tolerance(self) -> float:
        """Largest tolerance of the parts, a fraction."""
        return max(p.tolerance for p in self.parts)


@checked
@dataclass(frozen=True, slots=True)
class PickedNetwork(Result):
    """A topology with parts in every position.

    Attributes
    ----------
    topology : Topology
        The shape.
    positions : tuple of Position
        In the order of the elements.
    """

    _keys: ClassVar = ("form:topology.form", "output:topology.output", "elements:positions")

    topology: Topology
    positions: tuple[Position, ...]

    def __post_init__(self) -> None:
        refs = tuple(p.element.ref for p in self.positions)
        if refs != self.topology.refs:
            rule = f"the positions must be those of the topology: {', '.join(self.topology.refs)}"
            raise InputError("PickedNetwork.positions", refs, rule)

    @property
    def network(self) -> Network:
        """The network with the values of the joined parts."""
        return Network(self.topology, np.array([p.value for p in self.positions]))

    @property
    def exact_network(self) -> Network | None:
        """The network with exact values, where every position knows its own."""
        exact = [p.exact for p in self.positions]
        if any(value is None for value in exact):
            return None
        return Network(self.topology, np.array(exact, dtype=float))

    @property
    def part_count(self) -> int:
        """Number of physical parts."""
        return sum(len(p.parts) for p in self.positions)
