"""Candidates of a position: singles, joined pairs, the drawer beside a series."""

from __future__ import annotations

import numpy as np
import pytest

from antecurve.errors import InputError, NoCombinationError
from antecurve.job import Stock
from antecurve.networks.topology import Element, ElementKind
from antecurve.parts.drawer import Drawer, DrawerEntry
from antecurve.parts.position import Part, Position
from antecurve.pick.candidates import Candidates, candidates

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR


def _stock(
    kind: ElementKind, parts: int, join: tuple[str, ...], series: str | None = "E3"
) -> Stock:
    span = (10.0, 100.0) if kind is R else (1e-9, 10e-9)
    return Stock(series, 0.01, span, parts, join)


def _by_hand(values: list[float], kind: ElementKind, join: tuple[str, ...]) -> list[float]:
    listed = list(values)
    for i, a in enumerate(values):
        for b in values[i:]:
            for way in join:
                listed.append(a + b if (way == "series") == (kind is R) else a * b / (a + b))
    kept: list[float] = []
    for value in sorted(listed):
        if not kept or value > kept[-1] * (1 + 1e-10):
            kept.append(value)
    return kept


@pytest.mark.parametrize("kind", [R, C])
@pytest.mark.parametrize("join", [("series",), ("parallel",), ("series", "parallel")])
def test_values_of_joined_parts(kind: ElementKind, join: tuple[str, ...]) -> None:
    choices = candidates(kind, _stock(kind, 2, join))
    scale = 1.0 if kind is R else 1e-10
    singles = [v * scale for v in (10, 22, 47, 100)]
    np.testing.assert_allclose(choices.values, _by_hand(singles, kind, join), rtol=1e-12)
    for index, value in enumerate(choices.values):
        position = choices.position(Element("X1", kind, ("a", "b")), index)
        assert position.value == pytest.approx(value, rel=1e-14)


def test_equal_values_keep_the_fewest_parts() -> None:
    stock = Stock("E24", 0.01, (10.0, 30.0), 2, ("series",))
    choices = candidates(R, stock)
    (index,) = np.flatnonzero(np.isclose(choices.values, 22.0))  # also 11 + 11, 10 + 12
    assert choices.second[index] == -1


def test_range_applies_to_each_part_not_to_the_position() -> None:
    choices = candidates(R, _stock(R, 2, ("series",)))
    assert choices.values[-1] == 200.0


def test_range_that_holds_nothing_is_named() -> None:
    stock = Stock("E3", 0.01, (11.0, 12.0), 1, ("series",))
    with pytest.raises(NoCombinationError, match=r"resistors\.range.*11 Ω to 12 Ω"):
        candidates(R, stock)


def _drawer(*quantities: int) -> Drawer:
    values = (10.0, 20.0, 50.0)
    return Drawer(
        tuple(
            DrawerEntry(R, Part(v, 0.01, "drawer"), n)
            for v, n in zip(values, quantities, strict=False)
        )
    )


def test_a_part_is_joined_with_itself_only_if_there_are_two() -> None:
    stock = _stock(R, 2, ("series",), series=None)
    assert 20.0 in candidates(R, stock, _drawer(2)).values
    assert list(candidates(R, stock, _drawer(1)).values) == [10.0]


def test_parts_of_the_drawer_are_all_kept() -> None:
    """10 + 10 from the drawer is no substitute for its 20: each can be used only so often."""
    choices = candidates(R, _stock(R, 2, ("series",), series=None), _drawer(2, 1))
    assert list(choices.values) == [10.0, 20.0, 20.0, 30.0]
    assert choices.limited


def test_drawer_beside_a_series() -> None:
    choices = candidates(R, _stock(R, 1, ("series",)), _drawer(1))
    assert list(choices.values) == [10.0, 10.0, 22.0, 47.0, 100.0]
    assert {choices.parts[i].origin for i in choices.first} == {"drawer", "E3"}


def test_drawer_that_was_not_read() -> None:
    stock = Stock(None, 0.01, (10.0, 100.0), 1, ("series",), drawer="parts.csv")
    with pytest.raises(InputError, match=r"parts\.csv"):
        candidates(R, stock)


def test_what_is_left_when_parts_are_taken() -> None:
    from collections import Counter

    stock = _stock(R, 2, ("series",), series=None)
    remaining = candidates(R, stock, _drawer(2, 1)).without(Counter({0: 1}))
    assert list(remaining.values) == [10.0, 20.0, 30.0]
    assert list(remaining.without(Counter({1: 1})).values) == [10.0]


def test_two_legs_of_a_balanced_network() -> None:
    choices: Candidates = candidates(C, _stock(C, 1, ("parallel",))).balanced()
    np.testing.assert_allclose(choices.values, [0.5e-9, 1.1e-9, 2.35e-9, 5e-9])
    assert choices.uses(0) == (0, 0)


def test_tolerance_of_a_position_is_its_worst_part() -> None:
    parts = (Part(10.0, 0.01), Part(20.0, 0.05))
    assert Position(Element("R1", R, ("a", "b")), parts, "series").tolerance == 0.05
