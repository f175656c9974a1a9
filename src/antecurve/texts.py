"""Texts for a terminal or a page: words, numbers, and no characters that would act there."""

from __future__ import annotations

import math
import re
import unicodedata

from antecurve.errors import InputError

__all__ = [
    "as_sentence",
    "capitalised",
    "check_text",
    "counted",
    "format_digits",
    "power_of_ten",
    "printable",
    "unbroken",
]

_TURNING = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""The characters that turn the direction of what follows them (Unicode Standard Annex 9)."""
_ACTING = frozenset({"Cc", "Cs", "Zl", "Zp"})
"""Control characters, halves of surrogate pairs, separators of lines and paragraphs."""

_BEFORE_UNIT = re.compile(
    r"(?:(?<=[RC]\d)|(?<=[RC]\d[a-z]))\ (?=\d)|"
    r"(?<=[\d.])\ (?=(?:dB|%|°C|counts|builds|parts|[GMkmµnpf]?(?:Ω|F|Hz|V|W|s))(?![\w]))"
)


def _acts(character: str) -> bool:
    return unicodedata.category(character) in _ACTING or character in _TURNING


def capitalised(text: str) -> str:
    """Write a text with a capital at its beginning, all else as it is.

    Parameters
    ----------
    text : str
        The text.

    Returns
    -------
    str
        The same with its first letter a capital.

    Examples
    --------
    >>> capitalised("pink noise of 1 kHz")
    'Pink noise of 1 kHz'
    """
    return text[:1].upper() + text[1:]


def as_sentence(text: str) -> str:
    """Begin a text with a capital and end it with a full stop, where it has neither.

    Parameters
    ----------
    text : str
        A sentence or more; one that begins with the name of a file, with a suffix, keeps that.

    Returns
    -------
    str
        The text as it stands by itself.

    Examples
    --------
    >>> as_sentence("noise: none seen"), as_sentence("unit-a.csv: the output drifts")
    ('Noise: none seen.', 'unit-a.csv: the output drifts.')
    """
    first = text.split(maxsplit=1)[0] if text.strip() else ""
    begun = capitalised(text) if first.rstrip(",:").isalpha() else text
    return begun if begun.endswith((".", "?", "!")) else f"{begun}."


def check_text(text: str, *, field: str) -> None:
    """Refuse a text with a line break or another character that is not printed but acted upon.

    Parameters
    ----------
    text : str
        The text.
    field : str
        Where it stands; it opens the message.

    Raises
    ------
    InputError
        When there is a control character, a line break, half of a surrogate pair or a character
        that turns the direction of writing.

    Examples
    --------
    >>> check_text("Bench 2, 47 kΩ", field="title")
    """
    if text.isprintable():
        return
    for character in text:
        if _acts(character):
            raise InputError(
                printable(field),
                text,
                f"the character U+{ord(character):04X} can't be printed; write it on one line "
                "without control characters",
            )


def counted(number: int, what: str) -> str:
    """Write how many things there are.

    Parameters
    ----------
    number : int
        How many.
    what : str
        One of them; its plural ends in s.

    Returns
    -------
    str
        The number, and the thing in the plural unless it is one.

    Examples
    --------
    >>> counted(1, "pole"), counted(2, "pole")
    ('1 pole', '2 poles')
    """
    return f"{number} {what}{'' if number == 1 else 's'}"


def printable(text: str) -> str:
    """Replace each character that a terminal would act upon by a question mark.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        As long as the text, on one line.

    Examples
    --------
    >>> printable("bench\\x1b[2J")
    'bench?[2J'
    """
    if text.isprintable():
        return text
    return "".join("?" if _acts(c) else c for c in text)


def power_of_ten(text: str) -> str:
    """Write the exponent of a number as a power of ten that no line breaks.

    Parameters
    ----------
    text : str
        A number as Python writes it.

    Returns
    -------
    str
        The same number; as it is where it has no exponent.

    Examples
    --------
    >>> power_of_ten("9.34e-07").split("\\xa0"), power_of_ten("62664")
    (['9.34', '×', '10⁻⁷'], '62664')
    """
    mantissa, exponent, power = text.partition("e")
    if not exponent:
        return text
    raised = str(int(power)).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return f"{mantissa}\N{NO-BREAK SPACE}×\N{NO-BREAK SPACE}10{raised}"


def unbroken(text: str) -> str:
    """Join numbers and their units by spaces at which no line breaks.

    Parameters
    ----------
    text : str
        A text to be wrapped.

    Returns
    -------
    str
        As long as the text.

    Examples
    --------
    >>> unbroken("3.3 nF and 2 pads")
    '3.3\\xa0nF and 2 pads'
    """
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text)


def format_digits(value: float, *, digits: int) -> str:
    """Write a number with all of its significant digits, zeros at its end as well.

    Parameters
    ----------
    value : float
        The number, finite.
    digits : int
        Significant digits, at least 1.

    Returns
    -------
    str
        Without an exponent.

    Examples
    --------
    >>> format_digits(61.0, digits=3), format_digits(3184.0, digits=3)
    ('61.0', '3180')
    """
    rounded = float(f"{value:.{digits - 1}e}")
    leading = math.floor(math.log10(abs(rounded))) if rounded else 0
    return f"{rounded:.{max(0, digits - 1 - leading)}f}"
