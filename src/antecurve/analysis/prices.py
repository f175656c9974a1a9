"""Prices with quantity breaks, and the cheapest order that covers what is needed."""

from __future__ import annotations

import math
from dataclasses import dataclass

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.topology import ElementKind
from antecurve.quantities import check_count, check_number, check_tolerance, format_quantity
from antecurve.results import Result

__all__ = ["Order", "PriceBreak", "Prices"]

# Of a value: prices name it in three digits or more, so that equal values differ by rounding alone.
_SAME_VALUE = 1e-6
_COST_DIGITS = 6  # of the currency: finer than prices are quoted, so that equal costs are equal
_MOST_PARTS = 10_000_000  # far beyond a bench; amounts of money stay exact to a hundredth


@checked
@dataclass(frozen=True, slots=True)
class PriceBreak:
    """The price of one part from a quantity on.

    Attributes
    ----------
    kind : ElementKind
        Resistor or capacitor.
    value : float
        Value [ohm or F], above 0.
    quantity : int
        Smallest number of an order that has this price, 1 or more.
    unit_price : float
        Price of one part, in the currency of the list; 0 or greater.
    tolerance : float or None
        Tolerance as a fraction; ``None`` where the price holds for any.
    """

    kind: ElementKind
    value: float
    quantity: int
    unit_price: float
    tolerance: float | None = None

    def __post_init__(self) -> None:
        check_number(self.value, field="value", unit=self.kind.unit)
        check_count(self.quantity, field="quantity", most=_MOST_PARTS)
        check_number(self.unit_price, field="price", zero=True)
        if self.tolerance is not None:
            check_tolerance(self.tolerance, field="tolerance")


@dataclass(frozen=True, slots=True)
class Order(Result):
    """How many of a part to order, and what they cost.

    Attributes
    ----------
    quantity : int
        Number to order, what is needed or more.
    unit_price, cost : float
        Price of one part and of all, in the currency of the prices.
    needed_cost : float or None
        Cost of just what is needed; ``None`` where so few are not sold.
    """

    quantity: int
    unit_price: float
    cost: float
    needed_cost: float | None


@checked
@dataclass(frozen=True, slots=True)
class Prices:
    """Prices of parts with their breaks.

    Attributes
    ----------
    breaks : tuple of PriceBreak
        In any order; no two for one part and quantity.

    Raises
    ------
    InputError
        When one part has two prices from the same quantity on.
    """

    breaks: tuple[PriceBreak, ...]

    def __post_init__(self) -> None:
        known: set[tuple[ElementKind, float, float | None, int]] = set()
        for one in self.breaks:
            key = (one.kind, one.value, one.tolerance, one.quantity)
            if key in known:
                shown = format_quantity(one.value, one.kind.unit)
                rule = f"{one.kind.value} {shown} has two prices from {one.quantity} on; keep one"
                raise InputError("prices", one.unit_price, rule)
            known.add(key)

    def cheapest(
        self, kind: ElementKind, *, value: float, tolerance: float, needed: int
    ) -> Order | None:
        """Work out the cheapest order that holds at least what is needed.

        Parameters
        ----------
        kind : ElementKind
            Resistor or capacitor.
        value : float
            Value [ohm or F].
        tolerance : float
            Tolerance as a fraction; prices of this tolerance go before those for any.
        needed : int
            Number needed, spares included.

        Returns
        -------
        Order or None
            The smaller order of two of equal cost; ``None`` where the part has no price.

        Notes
        -----
        The unit price depends on the size of the order alone.  An order is cheapest at what is
        needed or at a break above it: between two breaks the cost only grows.
        """
        priced = self._priced(kind, value, tolerance)
        if not priced:
            return None
        offers = [
            (round(one.unit_price * size, _COST_DIGITS), size, one.unit_price)
            for size in sorted({needed, *(one.quantity for one in priced)})
            if size >= needed
            for one in priced
            if one.quantity <= size
        ]
        cost, quantity, unit_price = min(offers)
        needed_costs = [cost for cost, size, _ in offers if size == needed]
        return Order(quantity, unit_price, cost, min(needed_costs, default=None))

    def _priced(self, kind: ElementKind, value: float, tolerance: float) -> list[PriceBreak]:
        """Breaks of a part: those of its own tolerance, else those for any."""
        of_value = [
            one
            for one in self.breaks
            if one.kind is kind and math.isclose(one.value, value, rel_tol=_SAME_VALUE)
        ]
        own = [
            one
            for one in of_value
            if one.tolerance is not None and math.isclose(one.tolerance, tolerance, rel_tol=1e-9)
        ]
        return own or [one for one in of_value if one.tolerance is None]
