"""Quantities as the trade writes them."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from antecurve.errors import InputError
from antecurve.quantities import check_number, format_quantity, parse_quantity, rkm_code

DATA = Path(__file__).parent.parent / "data"


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("47k", "ohm", 47e3),
        ("4k7", "ohm", 4700.0),
        ("47 kΩ", "ohm", 47e3),
        ("47 kohm", "ohm", 47e3),
        ("1M", "ohm", 1e6),
        ("150p", "F", 150e-12),
        ("3.3 nF", "F", 3.3e-9),
        ("3180 us", "s", 3180e-6),
        ("3180 µs", "s", 3180e-6),
        ("50 kHz", "Hz", 50e3),
        ("5 mV", "V", 5e-3),
        ("2.5 %", "%", 0.025),
        ("-13.7 dB", "dB", -13.7),
        ("1e3", "ohm", 1000.0),
        (0, "ohm", 0.0),
        (0.01, "%", 0.01),
    ],
)
def test_reads_what_the_trade_writes(text: object, unit: str, value: float) -> None:
    # The decimal literal and prefix are exact to one rounding of a double.
    assert parse_quantity(text, unit=unit, field="x") == pytest.approx(value, rel=1e-15)


def test_reads_the_codes_of_iec_60062() -> None:
    with (DATA / "rkm_codes.csv").open() as file:
        rows = [r for r in csv.DictReader(file) if r["unit"] in ("ohm", "F")]
    assert len(rows) == 27
    for row in rows:
        if row["code"].startswith("L"):
            continue  # L stands for milliohm, which no network here needs; it is refused
        value = parse_quantity(row["code"], unit=row["unit"], field="x")
        # Codes carry the decimal digits exactly.
        assert value == pytest.approx(float(row["value"]), rel=1e-14), row["source"]


@pytest.mark.parametrize(
    ("value", "unit"),
    [
        ("1,5k", "ohm"),
        ("nan", "ohm"),
        ("inf", "ohm"),
        (math.nan, "ohm"),
        (math.inf, "F"),
        ("47k V", "ohm"),
        ("5 V", "ohm"),
        ("R", "ohm"),
        ("", "ohm"),
        ("4k7k", "ohm"),
        ("0x10", "ohm"),
        ("1_000", "ohm"),
        ("0.01", "%"),
        ("50 kHz", "s"),
        (True, "ohm"),
        (None, "ohm"),
        ([1], "ohm"),
        (10**400, "ohm"),
        ("9" * 5000, "ohm"),
    ],
)
def test_refuses_what_it_would_have_to_guess(value: object, unit: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_quantity(value, unit=unit, field="load.resistance")
    message = str(caught.value)
    assert message.startswith("load.resistance: received ")
    assert "\n" not in message and len(message) < 300


def test_limits_are_named_in_the_message() -> None:
    with pytest.raises(InputError, match=r"it must be greater than 0 and at most 1 MΩ"):
        parse_quantity(-1, unit="ohm", field="x", minimum=0, exclusive=True, maximum=1e6)
    with pytest.raises(InputError, match=r"at least 0"):
        parse_quantity("-1 ohm", unit="ohm", field="x", minimum=0)


def test_unknown_unit_is_refused() -> None:
    with pytest.raises(InputError, match="unit"):
        parse_quantity(1, unit="furlong", field="x")


def test_prints_with_prefix() -> None:
    assert format_quantity(0.0, "V") == "0 V"
    assert format_quantity(2.2e-9, "F") == "2.2 nF"
    assert format_quantity(1e6, "ohm") == "1 MΩ"
    assert format_quantity(75e-6, "s") == "75 µs"


@pytest.mark.parametrize(
    ("value", "unit", "code"),
    [(4700, "ohm", "4K7"), (16.2, "ohm", "16R2"), (0.47, "ohm", "R47"), (150e-12, "F", "150p")],
)
def test_writes_codes_of_iec_60062(value: float, unit: str, code: str) -> None:
    assert rkm_code(value, unit) == code
    assert parse_quantity(code, unit=unit, field="x") == pytest.approx(value, rel=1e-14)


def test_no_code_for_other_units() -> None:
    with pytest.raises(InputError):
        rkm_code(1.0, "V")


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_a_number_that_is_not_above_0_is_refused(value: float) -> None:
    with pytest.raises(InputError, match=r"overload: .* finite and above 0 V$"):
        check_number(value, field="overload", unit="V")


def test_0_can_be_allowed() -> None:
    check_number(0.0, field="rise time", unit="s", zero=True)
    check_number(1e-300, field="rise time")
    with pytest.raises(InputError, match="it must be finite and 0 s or greater"):
        check_number(-1e-300, field="rise time", unit="s", zero=True)
    with pytest.raises(InputError, match="it must be finite and 0 or greater"):
        check_number(math.nan, field="rise time", zero=True)
