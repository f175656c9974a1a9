"""Parts, positions and drawers refuse what they can't be made of."""

from __future__ import annotations

import math
from typing import Any

import pytest

from antecurve.errors import InputError
from antecurve.networks.topology import Element, ElementKind, Topology
from antecurve.parts.drawer import Drawer, DrawerEntry
from antecurve.parts.position import Part, PickedNetwork, Position

R = ElementKind.RESISTOR
R1 = Element("R1", R, ("in", "out"))
PART = Part(1e3, 0.01)


@pytest.mark.parametrize(
    ("make", "arguments", "field"),
    [
        (Part, ("1 kohm", 0.01), "Part.value"),
        (Part, (math.nan, 0.01), "Part.value"),
        (Part, (1e3, 1.0), "Part.tolerance"),
        (Part, (1e3, -0.01), "Part.tolerance"),
        (Position, ("R1", (PART,)), "Position.element"),
        (Position, (R1, PART), "Position.parts"),
        (Position, (R1, ()), "joined"),
        (PickedNetwork, (Topology("own", (R1,)), ()), "PickedNetwork.positions"),
        (DrawerEntry, ("inductor", PART, 1), "DrawerEntry.kind"),
        (DrawerEntry, (R, PART, 0), "DrawerEntry.quantity"),
        (DrawerEntry, (R, PART, 1.5), "DrawerEntry.quantity"),
        (Drawer, ((PART,),), "Drawer.entries"),
    ],
)
def test_wrong_arguments_are_named(make: Any, arguments: tuple[Any, ...], field: str) -> None:
    with pytest.raises(InputError, match=field.replace(".", r"\.")):
        make(*arguments)


def test_a_kind_given_as_text_becomes_one() -> None:
    assert DrawerEntry("resistor", PART, 2).kind is R  # type: ignore[arg-type]
