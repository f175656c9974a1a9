"""Networks whose H(s) would fill pages are refused; every built-in form is far from it."""

from __future__ import annotations

import itertools

import pytest

from antecurve.errors import WiringError
from antecurve.networks.symbolic import solve
from antecurve.networks.topology import Element, ElementKind, Topology


def test_a_dense_mesh_is_refused_with_its_size() -> None:
    pairs = list(itertools.combinations(["in", "out", "0", "a", "b", "c", "d"], 2))[:20]
    elements = tuple(
        Element(f"R{k}", ElementKind.RESISTOR, pair) for k, pair in enumerate(pairs, start=1)
    )
    # Kirchhoff: the number of spanning trees, source and load included.
    with pytest.raises(WiringError, match="fewer elements or nodes"):
        solve(Topology("own", elements))
