"""Exact rationals of the four canonical forms, and textbook expansions of RC impedances."""

from __future__ import annotations

import csv
from fractions import Fraction
from pathlib import Path

import pytest

from antecurve.curves.model import Curve
from antecurve.errors import UnattainableError
from antecurve.networks.topology import ElementKind, Loading
from antecurve.synthesis.arms.cauer_1 import cauer_1_tree
from antecurve.synthesis.arms.cauer_2 import cauer_2_tree
from antecurve.synthesis.exact import exact_network
from antecurve.synthesis.impedance import Ratio, RcImpedance, polynomials, zeros_of
from antecurve.synthesis.sections import named_form
from antecurve.synthesis.tree import Tree, lay_out, leaf_values

DATA = Path(__file__).parents[1] / "data"
F = Fraction


def _values(tree: Tree) -> dict[str, Fraction]:
    topology = lay_out("arm", [(tree, "in", "out")])
    return dict(zip(topology.refs, leaf_values(tree), strict=True))


def _arm(form: str, impedance: RcImpedance) -> dict[str, Fraction]:
    arm = named_form(form).arm
    assert arm is not None
    return _values(arm.expand(impedance))


def _disc_impedance() -> RcImpedance:
    """1/E of the disc curve without ultrasonic pole, time constants in us."""
    t1, t2, t3 = F(3180), F(318), F(75)
    return RcImpedance(
        F(0), F(0), (((1 - t2 / t1) / (1 - t3 / t1), t1), ((1 - t2 / t3) / (1 - t1 / t3), t3))
    )


# The elements of each form in the names that disc_impedance_forms.csv gives them.
NAMES = {
    "foster_I": ("foster-1", {"Ra": "R1", "Ca": "C1", "Rb": "R2", "Cb": "C2"}),
    "foster_II": ("foster-2", {"Rp": "R1", "Cp": "C1", "Rs": "R2", "Cs": "C2"}),
    "cauer_I": ("cauer-1", {"Ca": "C1", "Ra": "R1", "Cb": "C2", "Rb": "R2"}),
    "cauer_II": ("cauer-2", {"Ra": "R1", "Ca": "C1", "Rb": "R2", "Cb": "C2"}),
}


def _rows() -> list[dict[str, str]]:
    with (DATA / "disc_impedance_forms.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", _rows(), ids=lambda r: f"{r['form']} {r['quantity']}")
def test_disc_impedance_forms(row: dict[str, str]) -> None:
    # Exact rationals; rounded figures as quoted from J. Audio Eng. Soc. 27(6), 1979 (from memory).
    form, names = NAMES[row["form"]]
    values = _arm(form, _disc_impedance())
    quantity = row["quantity"].split(" ")[0]
    sign = "*" if "*" in quantity else "/"
    first, second = (values[names[n]] for n in quantity.split(sign))
    combined = first * second if sign == "*" else first / second
    exact = F(row["exact_us_or_ratio"])
    # Foster II rests on a root in floating point polished to 1e-30; the others are exact.
    assert abs(combined - exact) <= exact * F(1, 10**25)
    assert float(exact) == pytest.approx(float(row["value"]), rel=1e-15)
    if row["rounded_as_published"]:
        digits = len(row["rounded_as_published"].partition(".")[2])
        assert (
            abs(float(combined) - float(row["rounded_as_published"])) <= 0.5 * 10**-digits + 1e-12
        )


def test_foster_1_of_a_course_problem() -> None:
    # rc_synthesis_vectors E-F1: Z = (s+2)(s+5)/(s(s+4)(s+6)), residues 5/12, 1/4, 1/3.
    impedance = RcImpedance(F(0), F(5, 12), ((F(1, 16), F(1, 4)), (F(1, 18), F(1, 6))))
    numerator, denominator = (
        tuple(x * 24 for x in p)
        for p in (polynomials(impedance).numerator, polynomials(impedance).denominator)
    )
    assert numerator == (10, 7, 1)  # (s+2)(s+5)
    assert denominator == (0, 24, 10, 1)  # s(s+4)(s+6)
    values = _arm("foster-1", impedance)
    assert values == {"C1": F(12, 5), "R1": F(1, 16), "C2": 4, "R2": F(1, 18), "C3": 3}
    assert [float(t) for t in zeros_of(impedance)] == pytest.approx([1 / 2, 1 / 5], rel=1e-15)


# rc_synthesis_vectors E-C1, E-C2, E-F1b, E-F2b:
# Z = (s^2+4s+3)/(s^2+2s) = 1 + (3/2)/s + (1/2)/(s+2).
QUOTED = RcImpedance(F(1), F(3, 2), ((F(1, 4), F(1, 2)),))
QUOTED_RATIO = Ratio((F(3), F(4), F(1)), (F(0), F(2), F(1)))


def test_cauer_expansions_of_a_documented_example() -> None:
    assert _values(cauer_1_tree(QUOTED_RATIO)) == {"R1": 1, "C1": F(1, 2), "R2": 4, "C2": F(1, 6)}
    assert _values(cauer_2_tree(QUOTED_RATIO)) == {
        "C1": F(2, 3), "R1": F(5, 4), "C2": F(2, 25), "R2": 5,
    }  # fmt: skip
    assert _arm("cauer-2-whole", QUOTED) == _values(cauer_2_tree(QUOTED_RATIO))


def test_foster_expansions_of_a_documented_example() -> None:
    assert _arm("foster-1", QUOTED) == {"C1": F(2, 3), "R1": F(1, 4), "C2": 2, "R2": 1}
    elements = _arm("foster-2-whole", QUOTED)
    expected = {"R1": 2, "C1": F(1, 2), "R2": 2, "C2": F(1, 6)}
    assert {k: float(v) for k, v in elements.items()} == pytest.approx(expected, rel=1e-25)


def test_foster_2_branches_of_an_admittance() -> None:
    # rc_synthesis_vectors E-Y1: Y = 2(s^2+4s+3)/(s^2+8s+12): Y(0) = 1/2, R = 4 with C = 1/8 and
    # R = 4/5 with C = 5/24.  Z = (s+2)(s+6)/(2(s+1)(s+3)) = 1/2 + (5/4)/(s+1) + (3/4)/(s+3).
    impedance = RcImpedance(F(1, 2), F(0), ((F(5, 4), F(1)), (F(1, 4), F(1, 3))))
    elements = {k: float(v) for k, v in _arm("foster-2-whole", impedance).items()}
    expected = {"R1": 2, "R2": 4, "C1": 1 / 8, "R3": 4 / 5, "C2": 5 / 24}
    assert elements == pytest.approx(expected, rel=1e-15)


def test_cauer_ladder_round_trip() -> None:
    # rc_synthesis_vectors E-lad: R = 0.1, 0.5, 1.2 and C = 0.3, 0.8, 2.0, shunt C first.
    ratio = Ratio((F(2250), F(1970), F(120)), (F(1250), F(5375), F(1791), F(36)))
    assert _values(cauer_1_tree(ratio)) == {
        "C1": F(3, 10), "R1": F(1, 10), "C2": F(8, 10), "R2": F(5, 10), "C3": 2, "R3": F(12, 10),
    }  # fmt: skip


# rc_synthesis_vectors E-pos1, E-neg1 to E-neg4: zeros and poles of Z in rad/s; 1000 times here.
CONDITIONS = [
    ((1, 4, 8), (0, 2, 6), True),
    ((1, 8), (2, 4), False),
    ((1, 2), (0, 3), False),
    ((1, 4), (3, 5), False),
    ((2, 5), (1, 3), True),  # E-mcq: the one admissible pair of poles for zeros at -2, -5
    ((2, 5), (0, 6), False),
    ((2, 5), (0, 1), False),
    ((2, 5), (3, 4), False),
]


@pytest.mark.parametrize(("zeros", "poles", "holds"), CONDITIONS)
def test_a_half_section_needs_an_rc_impedance(
    zeros: tuple[int, ...], poles: tuple[int, ...], holds: bool
) -> None:
    # The series arm of a half-section is 1/E times a constant, less a constant.
    curve = Curve(
        "own",
        zeros_s=tuple(1e-3 / p for p in poles if p),
        poles_s=tuple(1e-3 / z for z in zeros),
        zeros_at_origin=poles.count(0),
    )
    arguments = {"loading": Loading(0.0, 1e6, 0.0), "gain": 1e-3, "shunt_resistance": 1e3}
    if holds:
        exact = exact_network("foster-1", curve, **arguments)  # type: ignore[arg-type]
        kinds = [e.kind for e in exact.network.topology.elements]
        assert kinds.count(ElementKind.CAPACITOR) == len(poles)
    else:
        with pytest.raises(UnattainableError, match=r"must alternate|number of poles"):
            exact_network("foster-1", curve, **arguments)  # type: ignore[arg-type]
