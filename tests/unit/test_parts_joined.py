"""Values of joined parts, and how much each part counts in them."""

from __future__ import annotations

import numpy as np
import pytest

from antecurve.errors import InputError
from antecurve.networks.topology import Element, ElementKind
from antecurve.parts.joined import JOINS, joined_value, joined_weights, values_add
from antecurve.parts.position import Part, Position

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR
JOINED = [
    # By impedances in series and parallel, worked out by hand.
    (R, (1e3, 1e3), "series", 2e3),
    (R, (1e3, 1e3), "parallel", 500.0),
    (C, (1e-9, 2e-9), "parallel", 3e-9),
    (C, (2e-9, 2e-9), "series", 1e-9),
    (R, (100.0, 200.0, 300.0), "series", 600.0),
    (R, (100.0, 200.0, 200.0), "parallel", 50.0),
    (C, (4.7e-9,), "single", 4.7e-9),
]


@pytest.mark.parametrize(("kind", "values", "joined", "expected"), JOINED)
def test_values_of_joined_parts(
    kind: ElementKind, values: tuple[float, ...], joined: str, expected: float
) -> None:
    adds = values_add(kind, joined)
    assert joined_value(values, adds=adds) == pytest.approx(expected, rel=1e-15)
    position = Position(
        Element("X1", kind, ("in", "out")), tuple(Part(v, 0.01) for v in values), joined
    )
    assert position.value == joined_value(values, adds=adds)
    both = joined_value([np.array([v, 2.0 * v]) for v in values], adds=adds)
    assert list(both) == pytest.approx([expected, 2.0 * expected], rel=1e-15)


@pytest.mark.parametrize("kind", ElementKind)
@pytest.mark.parametrize("joined", JOINS[1:])
def test_weights_are_the_derivatives(kind: ElementKind, joined: str) -> None:
    """Against central differences: their own error is of the order of the step squared, 1e-10."""
    values, adds = np.array([1.0, 3.0, 0.5]), values_add(kind, joined)
    weights = joined_weights(values, adds=adds)
    step = 1e-5
    for part in range(3):
        moved = [values * np.exp(sign * step * (np.arange(3) == part)) for sign in (1.0, -1.0)]
        above, below = (joined_value(m.tolist(), adds=adds) for m in moved)
        assert weights[part] == pytest.approx(np.log(above / below) / (2.0 * step), abs=1e-9)
    assert weights.sum() == pytest.approx(1.0, rel=1e-15)


def test_weights_of_many_positions_at_a_time() -> None:
    """A part that is not there is infinite where reciprocals add, and 0 where values add."""
    values = np.array([[1.0, 1.0, 2.0], [3.0, 3.0, np.inf]])
    adds = np.array([True, False, False])
    weights = joined_weights(values, adds=adds)
    assert weights == pytest.approx(np.array([[0.25, 0.75, 1.0], [0.75, 0.25, 0.0]]))


@pytest.mark.parametrize("joined", ["single", "star"])
def test_positions_refuse_what_does_not_join(joined: str) -> None:
    with pytest.raises(InputError, match="join in series or parallel"):
        Position(Element("R1", R, ("in", "out")), (Part(1.0, 0.01), Part(2.0, 0.01)), joined)


def test_a_single_part_joins_with_nothing() -> None:
    with pytest.raises(InputError, match="a single part stands alone"):
        Position(Element("R1", R, ("in", "out")), (Part(1.0, 0.01),), "series")
