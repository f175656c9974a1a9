"""Too many joined values are refused before they fill the memory."""

from __future__ import annotations

import pytest

from antecurve.errors import InputError
from antecurve.job import Stock
from antecurve.networks.topology import ElementKind
from antecurve.parts.drawer import Drawer, DrawerEntry
from antecurve.parts.position import Part
from antecurve.pick.candidates import MOST_VALUES, candidates


def test_a_huge_drawer_is_refused_with_what_to_do() -> None:
    entries = tuple(
        DrawerEntry(ElementKind.CAPACITOR, Part(1e-9 * (1 + k * 1e-4), 0.01, "drawer"), 1)
        for k in range(3000)
    )
    assert MOST_VALUES < 3000 * 3001 // 2
    stock = Stock(None, 0.01, (1e-10, 1e-6), 2, ("parallel",), "drawer.csv")
    with pytest.raises(InputError, match="a narrower range or fewer parts"):
        candidates(ElementKind.CAPACITOR, stock, Drawer(entries))
