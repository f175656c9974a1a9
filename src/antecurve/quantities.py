"""Quantities as the trade writes them: ``47k``, ``4k7``, ``150p``, ``3180 us``, ``1 %``.

Numbers are SI.  Of text what `rkm_codes` (IEC 60062) and `quantiphy` would guess at is refused.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

from antecurve.checked import checked
from antecurve.errors import InputError

__all__ = [
    "BANDS",
    "CAPACITANCES",
    "CORNER_FREQUENCIES",
    "DB_PER_NEPER",
    "LEVELS",
    "LEVEL_TOLERANCES",
    "LOAD_CAPACITANCES",
    "LOAD_RESISTANCES",
    "RESISTANCES",
    "SOURCE_RESISTANCES",
    "TIME_CONSTANTS",
    "Range",
    "check_band",
    "check_count",
    "check_error_band",
    "check_number",
    "check_tolerance",
    "format_quantity",
    "format_time_constant",
    "parse_percent",
    "parse_positive",
    "parse_quantity",
    "rkm_code",
]

DB_PER_NEPER: Final = 20.0 / math.log(10.0)
"""Decibels per neper: 20 log10(x) = DB_PER_NEPER ln(x)."""

_UNIT_NAMES: Final[dict[str, frozenset[str]]] = {
    "ohm": frozenset({"", "ohm", "ohms", "Ω", "\u2126", "R"}),
    "F": frozenset({"", "F"}),
    "s": frozenset({"", "s"}),
    "Hz": frozenset({"", "Hz"}),
    "V": frozenset({"", "V"}),
    "K": frozenset({"", "K"}),
    "m": frozenset({"", "m"}),
    "F/m": frozenset({"", "F/m"}),
    "dB": frozenset({"", "dB"}),
    "%": frozenset({"%"}),
    "": frozenset({""}),
}
_UNIT_WORDS: Final[dict[str, str]] = {
    "ohm": 'a resistance in ohms such as 47000, "47k" or "4k7"',
    "F": 'a capacitance in farads such as 1.5e-10 or "150p"',
    "s": 'a time in seconds such as 75e-6 or "75 us"',
    "Hz": 'a frequency in hertz such as 50000 or "50 kHz"',
    "V": 'a voltage in volts such as 0.005 or "5 mV"',
    "K": "a temperature in kelvins such as 293.15",
    "m": "a length in metres such as 1.5",
    "F/m": 'a capacitance per metre such as "100 pF/m"',
    "dB": 'a level in decibels such as 13.7 or "13.7 dB"',
    "%": 'a tolerance such as 0.01 or "1 %"',
    "": "a plain number",
}
_RKM = re.compile(r"[0-9]*[RKkMGmuµμnp][0-9]*$")
_LONGEST_TEXT = 100
"""Characters: a number of full precision has 25, and of thousands the library takes seconds."""
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*[A-Za-zµμΩ\u2126%/]*$")


@dataclass(frozen=True, slots=True)
class Range:
    """The values of a quantity that computations are made for, far wider than any bench has.

    Attributes
    ----------
    unit : str
        Unit of the quantity.
    minimum, maximum : float
        Smallest and largest value, both allowed.
    """

    unit: str
    minimum: float
    maximum: float

    def check(self, value: float, *, field: str) -> None:
        """Refuse a value outside.

        Parameters
        ----------
        value : float
            The value, in the unit.
        field : str
            Where it stands; it opens the message.

        Raises
        ------
        InputError
            When it lies outside or is no number.
        """
        if not self.minimum <= value <= self.maximum:
            raise InputError(
                field,
                float(value),
                "it must be finite, " + _limits(self.minimum, self.maximum, self.unit),
            )

    @property
    def widened(self) -> Range:
        """A range a million times wider at either end, for what an analysis varies."""
        return Range(self.unit, self.minimum / 1e6, self.maximum * 1e6)


RESISTANCES: Final = Range("ohm", 1e-3, 1e12)
CAPACITANCES: Final = Range("F", 1e-18, 1.0)
SOURCE_RESISTANCES: Final = Range("ohm", 0.0, 1e9)
LOAD_RESISTANCES: Final = Range("ohm", 1e-3, 1e12)
LOAD_CAPACITANCES: Final = Range("F", 0.0, 1e-3)
LEVELS: Final = Range("V", 1e-12, 1e6)
TIME_CONSTANTS: Final = Range("s", 1e-12, 1e3)
CORNER_FREQUENCIES: Final = Range("Hz", 1e-3, 1e11)
LEVEL_TOLERANCES: Final = Range("dB", 0.0, 120.0)
BANDS: Final = Range("Hz", 1e-3, 1e9)
_LEAST_BAND = 1.01  # high over low end: a narrower band is one frequency
_MOST_DIGITS = 17  # a double holds no more (IEEE 754)


def check_number(value: float, *, field: str, unit: str = "", zero: bool = False) -> None:
    """Refuse a number that is not finite and above 0.

    Parameters
    ----------
    value : float
        The number, in the SI unit.
    field : str
        Where it stands; it opens the message.
    unit : str, optional
        The unit, as the message is to name it.
    zero : bool, optional
        Whether 0 is allowed as well.

    Raises
    ------
    InputError
        When the number is not finite, negative or, without `zero`, 0.
    """
    if not math.isfinite(value) or value < 0 or (value == 0 and not zero):
        least = f"0 {unit}".strip()
        rule = f"{least} or greater" if zero else f"above {least}"
        raise InputError(field, value, f"it must be finite and {rule}")


def check_count(count: int, *, field: str, least: int = 1, most: int) -> None:
    """Refuse a count outside what a computation is made for.

    Parameters
    ----------
    count : int
        The count.
    field : str
        Where it stands; it opens the message.
    least, most : int
        Smallest and largest count, both allowed.

    Raises
    ------
    InputError
        When it lies outside.
    """
    if not least <= count <= most:
        rule = f"it must be a whole number, {least} or more and {most:,} at most"
        raise InputError(field, count, rule)


def check_band(band_hz: tuple[float, float]) -> None:
    """Refuse a band that is not finite, above 0 Hz and ascending.

    Parameters
    ----------
    band_hz : tuple of float
        Low and high end [Hz].

    Raises
    ------
    InputError
        When an end can't be used.
    """
    low, high = band_hz
    if not 0 < low < high < math.inf:
        raise InputError("band", [low, high], "it must be finite, above 0 Hz and ascending")


def check_error_band(band_hz: tuple[float, float], *, field: str = "band") -> None:
    """Refuse a band that errors can't be found in.

    Parameters
    ----------
    band_hz : tuple of float
        Low and high end [Hz].
    field : str, optional
        Where it stands; it opens the message.

    Raises
    ------
    InputError
        When an end lies outside `BANDS` or the high end is not 1 % or more above the low end.
    """
    low, high = band_hz
    for end in band_hz:
        BANDS.check(end, field=field)
    if low >= high:
        raise InputError(
            field, [low, high], "it must be ascending: the low end must lie below the high end"
        )
    if high < _LEAST_BAND * low:
        raise InputError(
            field, [low, high], "the high end must lie 1 % or more above the low end; widen it"
        )


def check_tolerance(value: float, *, field: str) -> None:
    """Refuse a tolerance that is no fraction from 0 to below 1.

    Parameters
    ----------
    value : float
        The tolerance, a fraction.
    field : str
        Where it stands; it opens the message.

    Raises
    ------
    InputError
        When it can't be used.
    """
    if not 0 <= value < 1:
        raise InputError(field, value, "it must be 0 or greater and below 100 %")


@checked
def parse_positive(text: str, unit: str, field: str, *, zero: bool = False) -> float:
    """Read a quantity above 0 from text.

    Parameters
    ----------
    text : str
        Such as ``4k7`` or ``0.5 V``.
    unit, field : str
        As in `parse_quantity`.
    zero : bool, optional
        Whether 0 is allowed as well.

    Returns
    -------
    float
        The value in the SI unit.

    Raises
    ------
    InputError
        When it is no such quantity.
    """
    return parse_quantity(text, unit=unit, field=field, minimum=0.0, exclusive=not zero)


@checked
def parse_percent(text: str, field: str) -> float:
    """Read a fraction from per cent as text; the sign may be left out.

    Parameters
    ----------
    text : str
        Such as ``0.2 %`` or ``0.2``.
    field : str
        Where the value stands; it opens the message when the value can't be used.

    Returns
    -------
    float
        A fraction, 0 to 1.

    Raises
    ------
    InputError
        When it is no number from 0 to 100 %.
    """
    full = text if "%" in text else f"{text} %"
    return parse_quantity(full, unit="%", field=field, minimum=0.0, maximum=1.0)


def parse_quantity(
    value: object,
    *,
    unit: str,
    field: str,
    minimum: float = -math.inf,
    maximum: float = math.inf,
    exclusive: bool = False,
) -> float:
    """Read a number in SI units from a number or from text as the trade writes it.

    Parameters
    ----------
    value : int, float or str
        A number in the SI unit, or text: number, optional SI prefix, optional unit, or a
        code of IEC 60062.  A tolerance (`unit` ``"%"``) is a fraction as a number and
        per cent as text.
    unit : str
        One of ``ohm``, ``F``, ``s``, ``Hz``, ``V``, ``K``, ``m``, ``F/m``, ``dB``, ``%``
        and the empty string for a plain number.
    field : str
        Where the value stands; it opens the message when the value can't be used.
    minimum, maximum : float, optional
        Smallest and largest value allowed, in the unit.
    exclusive : bool, optional
        Whether `minimum` itself is refused.

    Returns
    -------
    float
        The value in the SI unit; a tolerance as a fraction.

    Raises
    ------
    InputError
        When the value is no finite number of the unit within the limits.

    Examples
    --------
    >>> parse_quantity("4k7", unit="ohm", field="load.resistance")
    4700.0
    >>> parse_quantity("3180 us", unit="s", field="zeros")
    0.00318
    >>> parse_quantity("2.5 %", unit="%", field="tolerance")
    0.025
    """
    if unit not in _UNIT_NAMES:
        raise InputError("unit", unit, f"it must be one of {', '.join(sorted(_UNIT_NAMES))}")
    kind = _UNIT_WORDS[unit]
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise InputError(field, value, f"it must be {kind}")
    try:
        number = _from_text(value, unit) if isinstance(value, str) else float(value)
    except (ValueError, OverflowError):
        raise InputError(field, value, f"it must be {kind}") from None
    if not math.isfinite(number):
        raise InputError(field, value, f"it must be finite: {kind}")
    if number < minimum or (exclusive and number == minimum) or number > maximum:
        raise InputError(field, value, _bounds(minimum, maximum, exclusive, unit))
    return number


def _limits(minimum: float, maximum: float, unit: str) -> str:
    return f"from {_plain(minimum, unit)} to {_plain(maximum, unit)}"


def _bounds(minimum: float, maximum: float, exclusive: bool, unit: str) -> str:
    if maximum < math.inf and minimum > 0:
        return "it must be " + _limits(minimum, maximum, unit)
    parts = []
    if minimum > -math.inf:
        word = "greater than" if exclusive else "at least"
        parts.append(f"{word} {_plain(minimum, unit)}")
    if maximum < math.inf:
        parts.append(f"at most {_plain(maximum, unit)}")
    return "it must be " + " and ".join(parts)


def _plain(number: float, unit: str) -> str:
    if unit == "%":
        return f"{number * 100:g} %"
    return format_quantity(number, unit, digits=6) if number else "0"


def _from_text(text: str, unit: str) -> float:
    """Read text by the library that knows the notation; refuse what either would guess at."""
    from quantiphy import InvalidNumber, Quantity

    stripped = text.strip()
    if len(stripped) > _LONGEST_TEXT:
        raise ValueError(text)
    if unit in {"ohm", "F"} and _RKM.match(stripped):
        from rkm_codes import from_rkm

        if not any(c.isdigit() for c in stripped):
            raise ValueError(text)
        code = stripped.replace("k", "K").replace("μ", "µ")
        value = from_rkm(code)
        if value is None:
            raise ValueError(text)
        return float(value)
    if not _NUMBER.match(stripped):
        raise ValueError(text)
    try:
        quantity = Quantity(stripped)
    except InvalidNumber:
        raise ValueError(text) from None
    if quantity.units not in _UNIT_NAMES[unit]:
        raise ValueError(text)
    return float(quantity) / 100.0 if unit == "%" else float(quantity)


@checked
def format_quantity(value: float, unit: str, *, digits: int = 4, padded: bool = False) -> str:
    """Write a value with SI prefix and unit, as printed in tables and sentences.

    Parameters
    ----------
    value : float
        The value in the SI unit.
    unit : str
        The unit; ``ohm`` is printed as Ω.
    digits : int, optional
        Significant digits, at least 1.
    padded : bool, optional
        Whether zeros at the end stay.

    Returns
    -------
    str
        The text.

    Examples
    --------
    >>> format_quantity(47e3, "ohm"), format_quantity(47e3, "ohm", padded=True)
    ('47 kΩ', '47.00 kΩ')
    """
    from quantiphy import Quantity

    check_count(digits, field="digits", most=_MOST_DIGITS)
    if value == 0 and unit == "F":
        return "0 pF"  # nobody measures capacitance in farads
    unit = "Ω" if unit == "ohm" else unit
    text = str(Quantity(value, unit).render(prec=digits - 1, strip_zeros=not padded))
    return text.replace(f"u{unit}", f"µ{unit}")


def format_time_constant(seconds: float) -> str:
    """Write a time constant in microseconds, as standards print it.

    Parameters
    ----------
    seconds : float
        The time constant [s], finite.

    Returns
    -------
    str
        Four significant digits, without an exponent.

    Examples
    --------
    >>> format_time_constant(0.079577)
    '79580 µs'
    """
    return f"{float(f'{seconds * 1e6:.4g}'):.12g} µs"


@checked
def rkm_code(value: float, unit: str) -> str:
    """Write the code of IEC 60062 for a resistance or a capacitance.

    Parameters
    ----------
    value : float
        Resistance [ohm] or capacitance [F], greater than 0.
    unit : str
        ``ohm`` or ``F``.

    Returns
    -------
    str
        For example ``4K7`` or ``150p``.

    Raises
    ------
    InputError
        When the unit has no such code.

    Examples
    --------
    >>> rkm_code(4700, "ohm"), rkm_code(2.2e-9, "F")
    ('4K7', '2n2')
    """
    if unit not in {"ohm", "F"}:
        raise InputError("unit", unit, "a marking code is for ohm or F")
    from quantiphy import Quantity
    from rkm_codes import to_rkm

    if unit == "ohm" and value < 1:
        return "R" + f"{value:.4f}".rstrip("0")[2:]
    code = str(to_rkm(Quantity(value), prec=5, strip_code=False))
    return code.replace("d", "R").replace("u", "µ")
