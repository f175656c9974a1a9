"""Which positions two curves cannot share, read off the bounds of their exact values.

On the exact networks of a curve the product of a resistance and a capacitance, or the ratio of two
of a kind, moves little or not at all with level, impedance and ultrasonic pole; so does the
ratio of R_inf + Rp + Rs, what is left at infinite frequency, to any resistance.  Where the ranges
of two curves lie apart, at least one of the two positions must be switched: R1 C1 is the longest
time constant in Foster's first form, for one.

Where the values are sampled alone, what is sure are the products of pairs that make a zero
(`antecurve.pick.structure`).  With as many zeros in the curve as there are capacitors none of the
network's cancels, so that each pair makes one of the curve's.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from antecurve.networks.topology import ElementKind, Topology
from antecurve.pick.structure import shorting_pairs, zero_pairs
from antecurve.switched.exact_tables import ExactTable, FormTables
from antecurve.switched.throws import ThrownNetwork
from antecurve.synthesis.sections import named_form
from antecurve.synthesis.sections.cascade import CASCADE_LONG_FIRST, CASCADE_SHORT_FIRST

__all__ = ["APART", "Conflict", "Conflicts", "fewest_hitting", "needed_conflicts", "value_bounds"]

APART = 3e-3  # ln: what lies nearer makes curves less than 0.005 dB apart, which count as one


@dataclass(frozen=True, slots=True)
class Conflict:
    """Curves that cannot share positions.

    Attributes
    ----------
    refs : tuple of str
        The positions, one or more: at least one of them must be switched.
    names : tuple of str
        The switch positions, two or three.
    quantity : str
        What would have to be the same in two, such as ``R1 C1``; empty where no values of the
        positions make all of the curves.
    apart : float
        By what fraction it differs at least.
    proved : bool
        Whether that holds for every network that makes the curves; else for those sampled.
    """

    refs: tuple[str, ...]
    names: tuple[str, ...]
    quantity: str
    apart: float
    proved: bool = True

    @property
    def sentence(self) -> str:
        """The conflict in words."""
        which = " or ".join(self.refs)
        if not self.quantity:
            *others, last = self.names
            both = "both " if len(others) == 1 else ""
            curves = f"{both}{', '.join(others)} and {last}"
            common = f"no values of {', '.join(self.refs)} make {curves}"
            several = which if len(self.refs) == 1 else "at least one of these"
            return f"{common}: {several} must be switched"
        extent = f"differs by at least {100.0 * self.apart:.3g} %"
        if not self.proved:
            extent = f"differs by {100.0 * self.apart:.3g} % or more in all networks tried"
        return (
            f"{self.names[0]} and {self.names[1]} need a {self.quantity} that {extent}: {which} "
            "must be switched"
        )


class Conflicts:
    """The conflicts between the positions of a switch, for one form.

    Parameters
    ----------
    tables : FormTables
        Exact values of each position, with their bounds.
    """

    def __init__(self, tables: FormTables) -> None:
        self.tables = tables
        self._bounds = [
            [value_bounds(tables, table, n) for n in table.thrown] for table in tables.tables
        ]
        self._between: dict[tuple[tuple[int, int], tuple[int, int]], tuple[Conflict, ...]] = {}

    def between(self, one: tuple[int, int], other: tuple[int, int]) -> tuple[Conflict, ...]:
        """List the sets of positions that two curves cannot share.

        Parameters
        ----------
        one, other : tuple of int
            Number of the position of the switch, and of what its throws leave of the network.

        Returns
        -------
        tuple of Conflict
            One for each product or ratio that must differ.
        """
        key = (one, other)
        if key not in self._between:
            names = (self.tables.tables[one[0]].name, self.tables.tables[other[0]].name)
            these, those = (self._bounds[number][network] for number, network in key)
            made = []
            for refs in these.keys() & those.keys():
                (low, high, sure), (least, most, certain) = these[refs], those[refs]
                gap = max(low - most, least - high)
                if gap > APART:
                    quantity = _quantity(self.tables.topology, refs)
                    apart = float(np.expm1(gap))
                    made.append(Conflict(refs, names, quantity, apart, sure and certain))
            self._between[key] = tuple(made)
        return self._between[key]


def _at_infinity(network: ThrownNetwork) -> tuple[str, str] | None:
    """The two positions that R_inf + Rp + Rs is made of, where the network shows it."""
    resistors = [e for e in network.topology.elements if e.kind is ElementKind.RESISTOR]
    at_output = [e for e in network.topology.elements if "out" in e.nodes]
    shunt = [e for e in at_output if set(e.nodes) == {"out", "0"}]
    last = [e for e in at_output if e not in shunt]
    if len(shunt) != 1 or len(last) != 1 or not {shunt[0], last[0]} <= set(resistors):
        return None
    return last[0].ref, shunt[0].ref


def _zero_products(
    table: ExactTable, network: ThrownNetwork, order: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], float, float]]:
    """Bounds of ln of what pairs that make zeros have for products, alone and together."""
    topology = network.topology
    pairs = zero_pairs(topology) + shorting_pairs(topology)
    if not table.zeros_s or len(pairs) > len(table.zeros_s):
        return
    zeros = np.sort(np.log(table.zeros_s))
    values = table.values(network)
    for count in range(1, len(pairs) + 1):
        for chosen in combinations(pairs, count):
            low, high = float(zeros[:count].sum()), float(zeros[-count:].sum())
            if named_form(topology.form).section in (
                CASCADE_LONG_FIRST,
                CASCADE_SHORT_FIRST,
            ):  # the form's name says which pair makes which zero
                products = values[0, np.array(chosen)].sum(axis=1)
                low = high = float(sum(zeros[np.argmin(np.abs(zeros - p))] for p in products))
            refs = {topology.refs[i] for pair in chosen for i in pair}
            yield tuple(ref for ref in order if ref in refs), low, high


def value_bounds(
    tables: FormTables, table: ExactTable, network: ThrownNetwork
) -> dict[tuple[str, ...], tuple[float, float, bool]]:
    """Bound ln of each value, and of each product or ratio that has no scale.

    Parameters
    ----------
    tables : FormTables
        The form.
    table : ExactTable
        Exact values of one position of the switch.
    network : ThrownNetwork
        What its throws leave of the network.

    Returns
    -------
    dict of tuple of str to tuple
        By the references of the elements the least and the largest, and whether they hold for
        every network that makes the curve.
    """
    topology, ranges = tables.topology, table.ranges
    if len(ranges.values) != len(network.topology.elements):
        return {}  # a flat position of more than two resistors: any values will do
    resistor = {e.ref: e.kind is ElementKind.RESISTOR for e in topology.elements}
    places = network.order or range(len(ranges.values))
    column = {r: ranges.values[i] for r, i in zip(network.topology.refs, places, strict=True)}
    order = [ref for ref in topology.refs if ref in column]
    bounds: dict[tuple[str, ...], tuple[float, float, bool]] = {}
    for ref in order:
        value = column[ref] * ranges.scale if resistor[ref] else column[ref] / ranges.scale
        bounds[(ref,)] = (*value.log_hull(), ranges.proved)
    for one, other in combinations(order, 2):
        alike = resistor[one] == resistor[other]
        quantity = column[one] / column[other] if alike else column[one] * column[other]
        bounds[(one, other)] = (*quantity.log_hull(), ranges.proved)
    ends, whole = _at_infinity(network), ranges.at_infinity
    if ends is not None and whole is not None:
        for one in order:
            if one not in ends:
                quantity = whole / column[one] if resistor[one] else whole * column[one]
                bounds[(one, *ends)] = (*quantity.log_hull(), ranges.proved)
    if not ranges.proved:
        for refs, low, high in _zero_products(table, network, topology.refs):
            bounds[refs] = (low, high, True)
    return bounds


def _quantity(topology: Topology, refs: tuple[str, ...]) -> str:
    if len(refs) == 1:
        return refs[0]
    kinds = [topology.elements[topology.refs.index(ref)].kind for ref in refs]
    if len(refs) > 3:  # products of pairs that make zeros
        return "product " + " ".join(refs)
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
