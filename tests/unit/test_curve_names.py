"""Curves by the name of their standard, and near misses."""

from __future__ import annotations

import pytest

from antecurve.curves.catalogue import catalogue, named_curve
from antecurve.errors import InputError


@pytest.mark.parametrize(
    ("written", "name"),
    [
        # IEC 60098 gives what the trade calls the RIAA characteristic.
        ("RIAA", "disc"),
        ("riaa", "disc"),
        ("IEC 60098", "disc"),
        ("IEC-60908", "cd-emphasis"),
        ("J.17", "j17"),
        ("Tape 9.5 NAB", "tape-9.5-nab"),
    ],
)
def test_a_curve_goes_by_the_name_of_its_standard(written: str, name: str) -> None:
    assert named_curve(written).name == name


def test_names_without_case_and_dashes_stay_apart() -> None:
    assert [named_curve(c.name) for c in catalogue()] == list(catalogue())


@pytest.mark.parametrize(("written", "name"), [("dsc", "disc"), ("tape-19-nb", "tape-19-nab")])
def test_a_near_miss_is_asked_for(written: str, name: str) -> None:
    with pytest.raises(InputError, match=f"did you mean {name}"):
        named_curve(written)


def test_what_is_near_nothing_is_answered_by_the_list() -> None:
    with pytest.raises(InputError, match="received 'xyzzy'; the catalogue has disc"):
        named_curve("xyzzy")
