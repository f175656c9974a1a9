"""The parts list: what to buy for one or more builds of a network."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from antecurve.analysis.part_types import part_type
from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.topology import ElementKind
from antecurve.parts.position import Part, PickedNetwork
from antecurve.parts.scatter import part_references
from antecurve.quantities import check_count, format_quantity
from antecurve.results import Result

if TYPE_CHECKING:
    import pandas

    from antecurve.analysis.prices import Order, Prices
    from antecurve.analysis.ratings import PartStresses

__all__ = ["PartsLine", "PartsList", "parts_list"]

_MOST_SETS = 100_000  # far beyond a bench; counts of parts stay exact


@dataclass(frozen=True, slots=True)
class PartsLine(Result):
    """One distinct part to buy.

    Attributes
    ----------
    refs : tuple of str
        References of the parts; joined parts of a position carry a letter, as in ``C1a``.
    quantity : int
        Number for all builds, spares included.
    kind : str
        ``resistor`` or ``capacitor``.
    value_si : float
        Value [ohm or F].
    tolerance : float
        Tolerance as a fraction.
    rating : str
        Dissipation or voltage that the part has to stand; empty where not worked out.
    description : str
        What to look for (common practice, no source), or the drawer's own words.
    order : Order or None
        The cheapest order that holds the quantity; ``None`` without a price, or on hand.
    """

    refs: tuple[str, ...]
    quantity: int
    kind: str
    value_si: float
    tolerance: float
    rating: str
    description: str
    order: Order | None = None

    @property
    def value(self) -> str:
        """Value as printed."""
        return format_quantity(self.value_si, ElementKind(self.kind).unit, digits=6)


@dataclass(frozen=True, slots=True)
class PartsList(Result):
    """The lines of a parts list.

    Attributes
    ----------
    lines : tuple of PartsLine
        Resistors first, ascending in value.
    sets : int
        Number of builds.
    amplitude_v : float or None
        Largest magnitude of the EMF that the ratings are for [V]; ``None`` without ratings.
    priced : bool
        Whether prices were given.
    """

    lines: tuple[PartsLine, ...]
    sets: int
    amplitude_v: float | None = None
    priced: bool = False

    @property
    def cost(self) -> float:
        """Cost of all lines with a price, in the currency of the prices."""
        return math.fsum(line.order.cost for line in self.lines if line.order is not None)

    def to_frame(self) -> pandas.DataFrame:
        """Tabulate the list with the columns of ``parts.csv``.

        Returns
        -------
        pandas.DataFrame
            One row a distinct part.
        """
        import pandas

        return pandas.DataFrame(self.rows())

    def rows(self) -> list[dict[str, str | float]]:
        """Write the cells of ``parts.csv``, by the names of its columns.

        Returns
        -------
        list of dict
            One a distinct part; the description says for which EMF the rating holds.  With prices
            also the order; empty where a part has no price or is on hand.
        """
        return [self._row(line) for line in self.lines]

    def _row(self, line: PartsLine) -> dict[str, str | float]:
        holds = ""
        if line.rating and self.amplitude_v is not None:
            holds = f"; rating for EMF within ±{format_quantity(self.amplitude_v, 'V')}"
        row: dict[str, str | float] = {
            "refs": " ".join(line.refs),
            "quantity": line.quantity,
            "kind": line.kind,
            "value": line.value,
            "value_si": line.value_si,
            "tolerance": line.tolerance,
            "rating": line.rating,
            "description": line.description + holds,
        }
        if self.priced:
            order = line.order
            row["order_quantity"] = "" if order is None else order.quantity
            row["unit_price"] = "" if order is None else order.unit_price
            row["cost"] = "" if order is None else order.cost
        return row


def _description(kind: ElementKind, part: Part, wanted_rating: float | None) -> str:
    """What to look for; for a part on hand what is written on it."""
    if part.origin != "drawer":
        return part.description or part_type(kind, value=part.value, rating=wanted_rating)
    marked = f", marked {format_quantity(part.nominal, kind.unit)}" if part.nominal else ""
    return f"on hand{marked}" + (f": {part.description}" if part.description else "")


def _with_spares(needed: int, part: Part, spares: float) -> int:
    # Less a rounding error, so that 10 % of 10 is one.
    return needed + (0 if part.origin == "drawer" else math.ceil(needed * spares - 1e-9))


@checked
def parts_list(
    picked: PickedNetwork,
    *,
    second: PickedNetwork | None = None,
    sets: int = 1,
    spares: float = 0.0,
    prices: Prices | None = None,
    stresses: PartStresses | None = None,
    second_stresses: PartStresses | None = None,
) -> PartsList:
    """Draw up the parts list of a network.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.
    second : PickedNetwork or None, optional
        The other network of a stereo pair; references then end in ``.1`` and ``.2``.
    sets : int, optional
        Number of builds, 1 or more.
    spares : float, optional
        Spare parts as a fraction of those needed, 0 to 1; of each part on a line rounded up, and
        none of parts on hand.
    prices : Prices, optional
        Prices with their breaks, for the cheapest order of each line.
    stresses, second_stresses : PartStresses, optional
        What the parts of the network, and of the other one of a pair, have to stand, with
        their ratings; both for the same EMF.

    Returns
    -------
    PartsList
        One line per distinct part.

    Raises
    ------
    InputError
        When `sets` is not 1 or more, or `spares` out of range.
    """
    if not 0.0 <= spares <= 1.0:
        raise InputError("spares", spares, "it must be from 0 to 100 %")
    check_count(sets, field="sets", most=_MOST_SETS)
    references: dict[tuple[ElementKind, Part, str], list[str]] = {}
    wanted: dict[tuple[ElementKind, Part, str], float] = {}
    networks = [("" if second is None else ".1", picked, stresses)]
    if second is not None:
        networks.append((".2", second, second_stresses))
    for ending, network, stand in networks:
        stressed = {} if stand is None else {part.ref: part for part in stand.parts}
        for position in network.positions:
            for ref, part in zip(part_references(position), position.parts, strict=True):
                stress = stressed.get(ref)
                rating = "" if stress is None else stress.rating
                key = (position.element.kind, part, rating)
                references.setdefault(key, []).append(ref + ending)
                if stress is not None:
                    wanted[key] = max(wanted.get(key, 0.0), stress.wanted_rating)
    order = {ElementKind.RESISTOR: 0, ElementKind.CAPACITOR: 1}
    keys = sorted(references, key=lambda k: (order[k[0]], k[1].value, references[k]))
    lines = tuple(
        PartsLine(
            refs=tuple(references[key]),
            quantity=_with_spares(sets * len(references[key]), key[1], spares),
            kind=key[0].value,
            value_si=key[1].value,
            tolerance=key[1].tolerance,
            rating=key[2],
            description=_description(key[0], key[1], wanted.get(key)),
        )
        for key in keys
    )
    if prices is not None:
        lines = tuple(
            replace(line, order=_order(line, key[1], prices))
            for line, key in zip(lines, keys, strict=True)
        )
    amplitude_v = None if stresses is None else stresses.amplitude_v
    return PartsList(lines, sets, amplitude_v, prices is not None)


def _order(line: PartsLine, part: Part, prices: Prices) -> Order | None:
    if part.origin == "drawer":
        return None
    kind = ElementKind(line.kind)
    return prices.cheapest(
        kind, value=line.value_si, tolerance=line.tolerance, needed=line.quantity
    )
