"""Price breaks: the cheapest order against trying every quantity."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from antecurve.analysis.parts_list import parts_list
from antecurve.analysis.prices import PriceBreak, Prices
from antecurve.errors import FileFormatError, InputError
from antecurve.files.parts_file import parts_csv
from antecurve.files.price_file import read_prices
from antecurve.networks.topology import Element, ElementKind, Topology
from antecurve.parts.position import Part, PickedNetwork, Position
from antecurve.report.tables import order_lines, parts_rows

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR

PRICES = """kind,value,quantity,price,tolerance
resistor,1k,1,0.10,
resistor,1k,10,0.06,
resistor,1k,100,0.02,
capacitor,1n,5,0.40,2.5 %
capacitor,1n,1,0.05,10 %
"""


def _picked() -> PickedNetwork:
    """Two resistors of 1 kohm, 1 and 2.2 nF in parallel."""
    elements = (
        Element("R1", R, ("in", "out")),
        Element("C1", C, ("in", "out")),
        Element("R2", R, ("out", "0")),
    )
    k1 = (Part(1e3, 0.01, "E96"),)
    pair = (Part(1e-9, 0.025, "E12"), Part(2.2e-9, 0.025, "E12"))
    return PickedNetwork(
        Topology("own", elements),
        (
            Position(elements[0], k1),
            Position(elements[1], pair, "parallel"),
            Position(elements[2], k1),
        ),
    )


@given(
    breaks=st.dictionaries(st.integers(1, 60), st.integers(0, 200), min_size=1, max_size=6),
    needed=st.integers(1, 60),
)
def test_no_quantity_costs_less(breaks: dict[int, int], needed: int) -> None:
    """The unit price of a quantity is the lowest of the breaks it has reached; every quantity."""
    prices = Prices(tuple(PriceBreak(R, 1e3, q, float(p)) for q, p in breaks.items()))
    costs = {
        size: size * min(p for q, p in breaks.items() if q <= size)
        for size in range(needed, 200)
        if size >= min(breaks)
    }
    order = prices.cheapest(R, value=1e3, tolerance=0.01, needed=needed)
    assert order is not None
    assert order.cost == min(costs.values()) == costs[order.quantity]
    assert order.quantity == min(size for size, cost in costs.items() if cost == order.cost)
    assert order.needed_cost == costs.get(needed)


def _prices(folder: Path, text: str = PRICES) -> Prices:
    file = folder / "prices.csv"
    file.write_text(text, encoding="utf-8")
    return read_prices(file)


def test_spares_count_in_the_order(tmp_path: Path) -> None:
    """Two sets of two 1 kohm and 2 spares: 6 at 0.10 cost 0.60, 10 at 0.06 the same."""
    prices = _prices(tmp_path)
    few = parts_list(_picked(), sets=2, spares=0.5, prices=prices)
    assert few.lines[0].order is not None
    assert (few.lines[0].quantity, few.lines[0].order.quantity) == (6, 6)
    more = parts_list(_picked(), sets=3, spares=0.5, prices=prices)
    assert more.lines[0].order is not None
    # 9 at 0.10 cost 0.90; 10 at 0.06 cost 0.60.
    assert (more.lines[0].quantity, more.lines[0].order.quantity) == (9, 10)
    assert more.lines[0].order.cost == pytest.approx(0.60)
    assert "resistor 1 kΩ: 10 cost 0.60, less than the 9 needed (0.90)." in order_lines(more)
    # 1 nF of 2.5 %: 5 needed with spares, of which the smallest order is 5; 2.2 nF has no price.
    assert more.lines[1].order is not None and more.lines[2].order is None
    assert more.cost == pytest.approx(0.60 + 5 * 0.40)
    assert order_lines(more)[-1].endswith("without capacitor 2.2 nF (on hand, or no price given).")
    assert parts_rows(more).header[:5] == ("references", "quantity", "order", "each", "cost")
    assert parts_csv(more).decode().splitlines()[1].endswith(",10,0.06,0.6")


def test_a_smallest_order_is_said(tmp_path: Path) -> None:
    single = parts_list(_picked(), prices=_prices(tmp_path))
    assert "capacitor 1 nF: 1 needed, sold from 5 on." in order_lines(single)


def test_parts_on_hand_are_not_ordered(tmp_path: Path) -> None:
    picked = _picked()
    own = tuple(replace(part, origin="drawer") for part in picked.positions[0].parts)
    first = replace(picked.positions[0], parts=own)
    held = replace(picked, positions=(first, *picked.positions[1:]))
    lines = parts_list(held, prices=_prices(tmp_path)).lines
    assert [line.order is None for line in lines if line.value_si == 1e3] == [True, False]


def test_a_list_without_prices_stays_as_it_was() -> None:
    plain = parts_list(_picked())
    assert order_lines(plain) == []
    assert plain.rows()[0].keys() == {
        "refs", "quantity", "kind", "value", "value_si", "tolerance", "rating", "description",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("row", "named"),
    [
        ("coil,1k,1,0.10", "column kind"),
        ("resistor,1x,1,0.10", "column value"),
        ("resistor,1k,1.5,0.10", "column quantity"),
        ("resistor,1k,0,0.10", "column quantity"),
        ("resistor,1k,1,-1", "column price"),
        ("resistor,1k,1,free", "column price"),
    ],
)
def test_a_row_that_cannot_be_used_is_named(tmp_path: Path, row: str, named: str) -> None:
    with pytest.raises(FileFormatError, match=f"line 2, {named}"):
        _prices(tmp_path, f"kind,value,quantity,price\n{row}\n")


def test_two_prices_of_one_quantity_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="two prices from 10 on"):
        Prices((PriceBreak(C, 1e-9, 10, 1.0), PriceBreak(C, 1e-9, 10, 2.0)))
    with pytest.raises(FileFormatError, match="two prices"):
        _prices(tmp_path, PRICES + "resistor,1k,10,0.05,\n")
