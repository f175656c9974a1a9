"""Preferred numbers against the library `eseries` and against values printed in IEC 60063."""

from __future__ import annotations

import eseries
import numpy as np
import pytest

from antecurve.errors import InputError
from antecurve.parts.series import SERIES, series_values, significands

# IEC 60063:2015, tables 1 and 2, from memory: first and last values, and the values at which the
# series depart from a rounded 10**(i/n).
PRINTED = {
    "E3": (1.0, 2.2, 4.7),
    "E6": (1.0, 1.5, 2.2, 3.3, 4.7, 6.8),
    "E12": (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2),
}


@pytest.mark.parametrize("series", SERIES)
def test_series_agree_with_the_library(series: str) -> None:
    printed = sorted(eseries.series(getattr(eseries, series)))
    expected = [value / printed[0] for value in printed]  # the library starts at 10 or at 100
    np.testing.assert_allclose(significands(series), expected, rtol=1e-12)


def test_exception_of_e192() -> None:
    """9.20, which 10**(185/192) rounded to three digits would make 9.19 (IEC 60063)."""
    assert round(10 ** (185 / 192), 2) == 9.19
    assert significands("E192")[185] == 9.2


@pytest.mark.parametrize(("series", "values"), PRINTED.items())
def test_series_agree_with_the_standard(series: str, values: tuple[float, ...]) -> None:
    assert significands(series) == values


@pytest.mark.parametrize("series", SERIES)
def test_range_holds_both_ends_and_every_decade(series: str) -> None:
    values = series_values(series, low=10, high=1e6)
    assert values[0] == 10.0
    assert values[-1] == 1e6
    assert len(values) == 5 * len(significands(series)) + 1
    assert np.all(np.diff(values) > 0)


def test_values_are_the_decimal_literals() -> None:
    assert 4.7e-9 in series_values("E12", low=1e-9, high=1e-8)
    assert 2.2e-10 in series_values("E12", low=220e-12, high=470e-9)


def test_series_that_does_not_exist() -> None:
    with pytest.raises(InputError, match="E5"):
        significands("E5")


def test_range_that_is_upside_down() -> None:
    with pytest.raises(InputError, match="range"):
        series_values("E12", low=10, high=1)
