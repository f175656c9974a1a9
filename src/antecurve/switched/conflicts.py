"""Which positions two curves cannot share, read off the exact values.

On the exact networks of a curve the product of a resistance and a capacitance, or the ratio of two
of a kind, moves little or not at all with level, impedance and ultrasonic pole; so does the
ratio of R_inf + Rp + Rs, what is left at infinite frequency, to any resistance.  Where the ranges
of two curves lie apart, at least one of the two positions must be switched: R1 C1 is the longest
time constant in Foster's first form, for one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.topology import ElementKind, Loading, Topology
from antecurve.switched.exact_tables import FormTables
from antecurve.switched.throws import ThrownNetwork

__all__ = ["Conflict", "conflicts_between", "fewest_hitting", "needed_conflicts"]

Floats = NDArray[np.float64]

_APART = 3e-3  # ln: what lies nearer makes curves less than 0.005 dB apart, which count as one


@dataclass(frozen=True, slots=True)
class Conflict:
    """Two curves that cannot share two positions at once.

    Attributes
    ----------
    refs : tuple of str
        The positions, one to three: at least one of them must be switched.
    names : tuple of str
        The two switch positions.
    quantity : str
        What would have to be the same, such as ``R1 C1``.
    apart : float
        By what fraction it differs at least.
    """

    refs: tuple[str, ...]
    names: tuple[str, str]
    quantity: str
    apart: float

    @property
    def sentence(self) -> str:
        """The conflict in words."""
        which = " or ".join(self.refs)
        return (
            f"{self.names[0]} and {self.names[1]} need a {self.quantity} that differs by at least "
            f"{100.0 * self.apart:.3g} %: {which} must be switched"
        )


def conflicts_between(
    tables: FormTables, networks: tuple[ThrownNetwork, ...]
) -> tuple[Conflict, ...]:
    """List the pairs of positions that two curves cannot share.

    Parameters
    ----------
    tables : FormTables
        Exact values of each position.
    networks : tuple of ThrownNetwork
        For each switch position what its throws leave of the network.

    Returns
    -------
    tuple of Conflict
        For each set of positions the two curves that lie furthest apart.
    """
    ranges = [
        (table.name, _ranges(tables, network, table.values(network)))
        for table, network in zip(tables.tables, networks, strict=True)
        if table.logs.shape[1] == len(network.topology.elements)
    ]
    worst: dict[tuple[str, ...], Conflict] = {}
    for (one, these), (other, those) in combinations(ranges, 2):
        for refs in these.keys() & those.keys():
            (low, high), (least, most) = these[refs], those[refs]
            gap = max(low - most, least - high)
            if gap > _APART and (refs not in worst or np.log1p(worst[refs].apart) < gap):
                quantity = _quantity(tables.topology, refs)
                worst[refs] = Conflict(refs, (one, other), quantity, float(np.expm1(gap)))
    return tuple(worst[refs] for refs in sorted(worst))


def _resistances_at_infinity(
    network: ThrownNetwork, column: dict[str, Floats], loading: Loading
) -> tuple[tuple[str, str], Floats] | None:
    """ln of R_inf + Rp + Rs and the two positions it is made of, where the network shows it."""
    resistors = [e for e in network.topology.elements if e.kind is ElementKind.RESISTOR]
    at_output = [e for e in network.topology.elements if "out" in e.nodes]
    shunt = [e for e in at_output if set(e.nodes) == {"out", "0"}]
    last = [e for e in at_output if e not in shunt]
    if len(shunt) != 1 or len(last) != 1 or not {shunt[0], last[0]} <= set(resistors):
        return None
    load = loading.load_resistance
    across = np.exp(column[shunt[0].ref])
    whole = np.exp(column[last[0].ref]) + across * load / (across + load)
    return (last[0].ref, shunt[0].ref), np.log(whole + loading.source_resistance)


def _ranges(
    tables: FormTables, network: ThrownNetwork, logs: Floats
) -> dict[tuple[str, ...], tuple[float, float]]:
    """Least and largest ln of each value, and of each product or ratio that has no scale."""
    topology = tables.topology
    kinds = {e.ref: e.kind for e in topology.elements}
    column = {ref: logs[:, i] for i, ref in enumerate(network.topology.refs)}
    order = [ref for ref in topology.refs if ref in column]
    ends = _resistances_at_infinity(network, column, tables.loading)
    ranges: dict[tuple[str, ...], tuple[float, float]] = {}
    for ref in order:
        ranges[(ref,)] = _ends(column[ref])
    for one, other in combinations(order, 2):
        sign = -1.0 if kinds[one] is kinds[other] else 1.0
        ranges[(one, other)] = _ends(column[one] + sign * column[other])
    if ends is None:
        return ranges
    refs, whole = ends
    for one in order:
        if one not in refs:
            sign = -1.0 if kinds[one] is ElementKind.RESISTOR else 1.0
            ranges[(one, *refs)] = _ends(whole + sign * column[one])
    return ranges


def _ends(values: Floats) -> tuple[float, float]:
    return float(values.min()), float(values.max())


def _quantity(topology: Topology, refs: tuple[str, ...]) -> str:
    if len(refs) == 1:
        return refs[0]
    kinds = [topology.elements[topology.refs.index(ref)].kind for ref in refs]
    if len(refs) == 3:
        whole = f"({refs[1]} + {refs[2]} with the load + source)"
        resistor = kinds[0] is ElementKind.RESISTOR
        return f"ratio {whole}/{refs[0]}" if resistor else f"product {whole} {refs[0]}"
    if kinds[0] is kinds[1]:
        return f"ratio {refs[0]}/{refs[1]}"
    resistor_first = kinds[0] is ElementKind.RESISTOR
    return "product " + " ".join(refs if resistor_first else refs[::-1])


def fewest_hitting(
    refs: Iterable[str], conflicts: Iterable[Conflict], forced: frozenset[str], count: int
) -> list[frozenset[str]]:
    """List the sets of positions of one size that resolve every conflict.

    Parameters
    ----------
    refs : iterable of str
        All positions.
    conflicts : iterable of Conflict
        The conflicts.
    forced : frozenset of str
        Positions that are switched anyway.
    count : int
        Size of the sets.

    Returns
    -------
    list of frozenset of str
        The sets; each holds those that are forced.
    """
    if count < len(forced):
        return []
    others = [ref for ref in refs if ref not in forced]
    wanted = [frozenset(c.refs) for c in conflicts]
    sets = (forced | set(more) for more in combinations(others, count - len(forced)))
    return [switched for switched in sets if all(switched & pair for pair in wanted)]


def needed_conflicts(
    refs: tuple[str, ...], conflicts: tuple[Conflict, ...], forced: frozenset[str], count: int
) -> tuple[Conflict, ...] | None:
    """Choose the few conflicts that no smaller set of switched positions resolves.

    Parameters
    ----------
    refs : tuple of str
        All positions.
    conflicts : tuple of Conflict
        The conflicts.
    forced : frozenset of str
        Positions that are switched anyway.
    count : int
        Size of the set that is needed.

    Returns
    -------
    tuple of Conflict or None
        Those that prove it, none of them superfluous; ``None`` where they do not.
    """
    if fewest_hitting(refs, conflicts, forced, count - 1):
        return None
    kept = sorted(conflicts, key=lambda c: -c.apart)
    for conflict in reversed(tuple(kept)):
        fewer = [c for c in kept if c is not conflict]
        if not fewest_hitting(refs, fewer, forced, count - 1):
            kept = fewer
    return tuple(kept)
