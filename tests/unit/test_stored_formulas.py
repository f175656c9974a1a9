"""Formulas kept beside the page are what a derivation gives, whatever the curve's numbers.

Written anew by ``python tests/unit/test_stored_formulas.py``.
"""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest

import antecurve.report
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.networks.topology import Topology
from antecurve.report.formula_rows import formula_rows
from antecurve.report.stored_formulas import derived_formulas, page_formulas, storable_forms
from antecurve.synthesis.formulas import form_formulas

FILE = Path(antecurve.report.__file__).parent / "formulas.json.gz"


@pytest.mark.parametrize("form", storable_forms())
def test_kept_formulas_are_the_derived_ones(form: str) -> None:
    assert json.loads(gzip.decompress(FILE.read_bytes()))[form] == derived_formulas(form)


@pytest.mark.parametrize("form", ["foster-1", "cauer-2-inside", "cascade-long-first"])
def test_only_the_order_of_the_time_constants_counts(form: str) -> None:
    curve = with_limits(named_curve("disc"), ultrasonic_poles_hz=(90e3,))
    formulas = form_formulas(form, curve)
    assert page_formulas(formulas.topology, curve) == formula_rows(formulas)


def test_a_curve_of_another_order_has_formulas_of_its_own() -> None:
    curve = named_curve("disc")
    formulas = form_formulas("foster-1", curve)
    shown = page_formulas(formulas.topology, curve)
    assert shown == formula_rows(formulas)
    kept = json.loads(gzip.decompress(FILE.read_bytes()))["foster-1"]["rows"]
    assert list(map(str, shown["Definitions"])) != kept["Definitions"]


def test_a_network_of_ones_own_has_none() -> None:
    elements = form_formulas("foster-1").topology.elements
    assert page_formulas(Topology("own", elements), named_curve("disc")) == {}


if __name__ == "__main__":
    text = json.dumps({form: derived_formulas(form) for form in storable_forms()}, indent=0)
    FILE.write_bytes(gzip.compress(text.encode(), mtime=0))
