"""Formulas kept beside the page are what a derivation gives, whatever the curve's numbers.

Written anew by ``python tests/unit/test_stored_formulas.py``.
"""

from __future__ import annotations

import gzip
import json
import sys
from pathlib import Path

import pytest

import antecurve.report
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.networks.topology import Topology
from antecurve.pipeline import Design
from antecurve.report.page import report_page
from antecurve.report.stored_formulas import (
    PageFormulas,
    derived_formulas,
    page_formulas,
    storable_forms,
)
from antecurve.synthesis.formulas import form_formulas

FILE = Path(antecurve.report.__file__).parent / "formulas.json.gz"


@pytest.mark.sweep(3)
@pytest.mark.parametrize("form", storable_forms())
def test_kept_formulas_are_the_derived_ones(form: str) -> None:
    assert json.loads(gzip.decompress(FILE.read_bytes()))[form] == derived_formulas(form)


@pytest.mark.sweep(1)
@pytest.mark.parametrize("form", ["foster-1", "cauer-2-inside", "cascade-long-first"])
def test_only_the_order_of_the_time_constants_counts(form: str) -> None:
    curve = with_limits(named_curve("disc"), ultrasonic_poles_hz=(90e3,))
    formulas = form_formulas(form, curve)
    assert page_formulas(formulas.topology, curve) == PageFormulas.derived(formulas)


def test_a_curve_of_another_order_has_formulas_of_its_own() -> None:
    curve = named_curve("disc")
    formulas = form_formulas("foster-1", curve)
    shown = page_formulas(formulas.topology, curve)
    assert shown == PageFormulas.derived(formulas)
    kept = json.loads(gzip.decompress(FILE.read_bytes()))["foster-1"]["rows"]
    assert list(map(str, shown.rows["Definitions"])) != kept["Definitions"]


def test_a_network_of_ones_own_has_none() -> None:
    elements = form_formulas("foster-1").topology.elements
    assert page_formulas(Topology("own", elements), named_curve("disc")) is None


def test_the_page_of_a_kept_form_needs_no_symbolic_algebra(
    default_design: Design, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "sympy", None)  # to import it fails
    assert "Given: T<sub>1</sub>" in report_page(default_design).decode()


if __name__ == "__main__":
    text = json.dumps({form: derived_formulas(form) for form in storable_forms()}, indent=0)
    FILE.write_bytes(gzip.compress(text.encode(), mtime=0))
