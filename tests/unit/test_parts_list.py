"""The parts list: one line per distinct part, doubled where a network or a build doubles it."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest

from antecurve.analysis.part_types import part_type
from antecurve.analysis.parts_list import parts_list
from antecurve.analysis.ratings import PartStress, PartStresses, part_stresses
from antecurve.curves.catalogue import named_curve
from antecurve.errors import InputError
from antecurve.files.parts_file import parts_csv, parts_workbook
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Element, ElementKind, Loading, Topology
from antecurve.parts.position import Part, PickedNetwork, Position
from antecurve.parts.scatter import part_references
from antecurve.report.tables import parts_rows

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR


def _picked(description: str = "") -> PickedNetwork:
    elements = (
        Element("R1", R, ("in", "out")),
        Element("C1", C, ("in", "out")),
        Element("R2", R, ("out", "0")),
    )
    k1 = Part(1e3, 0.01, "E96")
    pair = (Part(1e-9, 0.025, "E12", description=description), Part(2.2e-9, 0.025, "E12"))
    return PickedNetwork(
        Topology("own", elements),
        (
            Position(elements[0], (k1,)),
            Position(elements[1], pair, "parallel"),
            Position(elements[2], (k1,)),
        ),
    )


def test_equal_parts_share_a_line_and_joined_parts_carry_letters() -> None:
    picked = _picked()
    assert part_references(picked.positions[1]) == ("C1a", "C1b")
    stand = [PartStress(ref, R, 20.0, 0.1, "0.25 W") for ref in ("R1", "R2")]
    listing = parts_list(picked, sets=3, stresses=PartStresses(12.0, tuple(stand)))
    assert listing.amplitude_v == 12.0
    assert "rating for EMF within ±12 V" in parts_rows(listing).header
    assert [(line.refs, line.quantity) for line in listing.lines] == [
        (("R1", "R2"), 6),
        (("C1a",), 3),
        (("C1b",), 3),
    ]
    assert listing.lines[0].rating == "0.25 W"
    described = [row["description"] for row in listing.rows()]
    assert described[0] == (
        "metal film resistor, axial 0207 or chip 1206; rating for EMF within ±12 V"
    )
    assert "rating" not in str(described[1])
    assert sum(line.quantity for line in listing.lines) == 3 * picked.part_count
    with pytest.raises(InputError, match="sets"):
        parts_list(picked, sets=0)


def test_a_pair_names_both_networks() -> None:
    listing = parts_list(_picked(), second=_picked())
    assert listing.lines[0].refs == ("R1.1", "R2.1", "R1.2", "R2.2")
    assert listing.lines[0].quantity == 4


def test_each_network_of_a_pair_has_ratings_of_its_own() -> None:
    first, second = (
        PartStresses(10.0, tuple(PartStress(ref, R, 20.0, 0.1, rating) for ref in ("R1", "R2")))
        for rating in ("0.25 W", "0.5 W")
    )
    listing = parts_list(_picked(), second=_picked(), stresses=first, second_stresses=second)
    assert [(line.refs, line.rating) for line in listing.lines[:2]] == [
        (("R1.1", "R2.1"), "0.25 W"),
        (("R1.2", "R2.2"), "0.5 W"),
    ]


def test_parts_on_hand_say_what_is_marked_on_them() -> None:
    picked = _picked()
    own = Part(1.01e-9, 0.002, "drawer", nominal=1e-9, description="blue box")
    position = replace(picked.positions[1], parts=(own,), joined="single")
    listing = parts_list(
        PickedNetwork(picked.topology, (picked.positions[0], position, picked.positions[2]))
    )
    assert listing.lines[-1].description == "on hand, marked 1 nF: blue box"


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\t=1"])
def test_no_cell_is_taken_for_a_formula(text: str) -> None:
    from openpyxl import load_workbook

    listing = parts_list(_picked(text))
    rows = list(csv.DictReader(io.StringIO(parts_csv(listing).decode())))
    assert rows[1]["description"] == "'" + text
    assert float(rows[0]["value_si"]) == 1e3
    sheet = load_workbook(io.BytesIO(parts_workbook(listing))).active
    assert sheet["H3"].value == "'" + text
    assert sheet["H3"].data_type == "s"
    assert sheet["E2"].value == 1e3


@pytest.mark.parametrize(
    ("kind", "value", "rating", "wanted"),
    [
        (R, 47e3, 0.25, "metal film resistor, axial 0207"),
        (R, 47e3, 3.0, "metal oxide"),
        (R, 0.118, 0.25, "wirewound"),
        (R, 0.01, 0.25, "metal strip"),
        (R, 47.0, 820.0, "no usual resistor of 47 Ω above 50 W"),
        (R, 1e-4, None, "raise the impedance"),
        (R, 1e10, None, "lower the impedance"),
        (C, 100e-12, 40.0, "C0G"),
        (C, 6.8e-9, 40.0, "film (polypropylene) or C0G"),
        (C, 6.8e-9, 400.0, "film (polypropylene) capacitor"),
        (C, 15e-6, 40.0, "film (polyester)"),
        (C, 27e-6, 40.0, "no usual capacitor of 27 µF: raise the impedance"),
    ],
)
def test_the_type_follows_value_and_rating(
    kind: ElementKind, value: float, rating: float | None, wanted: str
) -> None:
    advice = part_type(kind, value=value, rating=rating)
    assert wanted in advice
    assert advice.startswith("no usual") == ("impedance" in advice)
    assert not (advice.startswith("no usual") and "film" in advice)


def test_the_list_advises_by_the_stress() -> None:
    """118 milliohm at 410 W, as a network of very low impedance asks for."""
    elements = (Element("R1", R, ("in", "out")), Element("R2", R, ("out", "0")))
    parts = (Part(0.118, 0.01, "E96"), Part(0.118, 0.01, "E96"))
    picked = PickedNetwork(
        Topology("own", elements),
        tuple(Position(e, (p,)) for e, p in zip(elements, parts, strict=True)),
    )
    stand = tuple(PartStress(ref, R, 7.0, 205.0, "410 W or more") for ref in ("R1", "R2"))
    (line,) = parts_list(picked, stresses=PartStresses(10.0, stand)).lines
    assert line.description.startswith("no usual resistor of 118 mΩ above 50 W")


def test_spares_are_rounded_up_and_not_of_parts_on_hand() -> None:
    bought = parts_list(_picked(), sets=5, spares=0.1)
    assert [line.quantity for line in bought.lines] == [11, 6, 6]
    assert [line.quantity for line in parts_list(_picked(), sets=5).lines] == [10, 5, 5]
    own = Part(1.01e-9, 0.002, "drawer", nominal=1e-9)
    first, second, third = _picked().positions
    held = PickedNetwork(
        _picked().topology, (first, replace(second, parts=(own,), joined="single"), third)
    )
    assert [line.quantity for line in parts_list(held, spares=0.5).lines] == [3, 1]
    with pytest.raises(InputError, match="spares"):
        parts_list(_picked(), spares=1.5)


def test_joined_parts_have_stresses_of_their_own() -> None:
    """3 and 1 kohm in series over 10 V, and 3 and 1 nF in parallel: Ohm's law by hand."""
    elements = (Element("R1", R, ("in", "out")), Element("C1", C, ("out", "0")))
    picked = PickedNetwork(
        Topology("own", elements),
        (
            Position(elements[0], (Part(3e3, 0.01), Part(1e3, 0.01)), "series"),
            Position(elements[1], (Part(3e-9, 0.02), Part(1e-9, 0.02)), "parallel"),
        ),
    )
    conditions = Conditions(curve=named_curve("disc"), loading=Loading(0.0, 1e12, 0.0))
    stresses = part_stresses(picked, conditions, amplitude_v=10.0)
    assert [part.ref for part in stresses.parts] == ["R1a", "R1b", "C1a", "C1b"]
    powers = [part.dissipation_w for part in stresses.parts[:2]]
    # All of the EMF stands over R1 at high frequencies: 10 V/4 kohm = 2.5 mA.
    assert powers == pytest.approx([2.5e-3**2 * 3e3, 2.5e-3**2 * 1e3], rel=1e-6)
    # A step of -10 to 10 V doubles it for a moment.
    voltages = [part.voltage_v for part in stresses.parts]
    assert voltages == pytest.approx([15.0, 5.0, 10.0, 10.0], rel=1e-6)
    lines = parts_list(picked, stresses=stresses).lines
    assert [(line.refs, line.rating) for line in lines[:2]] == [
        (("R1b",), "0.25 W"),
        (("R1a",), "0.25 W"),
    ]
