"""Formulas of a page in pieces that a line can break between, without what a browser needs not."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from markupsafe import Markup

__all__ = ["breakable"]

_WIDEST = 34  # characters of a formula that a telephone of 360 px shows in a line
_TIMES = f"<mo>{chr(0x2062)}</mo>"  # invisible, and of no width
_SPACE = ' xmlns="http://www.w3.org/1998/Math/MathML"'
_BREAKS = ("+", "-", "=")
_PREFIX, _INFIX = '<mo form="prefix">', '<mo form="infix">'


def breakable(formula: Markup) -> Markup:
    """Write a formula so that it fits a telephone.

    Parameters
    ----------
    formula : markupsafe.Markup
        One ``math`` element of our own making, or several with spaces between them.

    Returns
    -------
    markupsafe.Markup
        Where it is too wide, long fractions become quotients in the line, in pieces between which
        the line can break.
    """
    from markupsafe import Markup

    plain = str(formula).replace(_SPACE, "").replace(_TIMES, "")
    if plain.count("<math") > 1:
        return Markup(plain)
    element = ET.fromstring(plain)
    if _width(element) <= _WIDEST:
        return Markup(plain)
    pieces, inner = [], ""
    for tag, written in _written(element):
        if tag == "break" and inner:
            pieces.append(inner)
            inner = ""
        inner += written
    pieces.append(inner)
    return Markup(" ".join(f'<math displaystyle="true"><mrow>{p}</mrow></math>' for p in pieces))


def _width(element: ET.Element) -> float:
    """About how many characters wide an element is: of a fraction its wider part."""
    own = len((element.text or "").strip())
    widths = [_width(child) for child in element]
    if element.tag == "mfrac":
        return max(widths)
    return own + (widths[0] + sum(widths[1:]) / 2.0 if element.tag in _SMALL else sum(widths))


_SMALL = ("msub", "msup", "msubsup")  # what follows the first child is written small


def _written(element: ET.Element) -> Iterator[tuple[str, str]]:
    """Elements in their order; before a break a line may end."""
    if element.tag in ("math", "mrow"):
        for number, child in enumerate(element):
            if number == 0 and _is_sign(child):
                yield "", ET.tostring(child, encoding="unicode").replace("<mo>", _PREFIX)
            else:
                yield from _written(child)
    elif element.tag == "mfrac" and _width(element) > _WIDEST:
        yield from _quotient(*element)
    else:
        text, sign = ET.tostring(element, encoding="unicode"), _is_sign(element)
        yield ("break", text.replace("<mo>", _INFIX)) if sign else ("", text)


def _is_sign(element: ET.Element) -> bool:
    return element.tag == "mo" and (element.text or "").strip() in _BREAKS


def _quotient(above: ET.Element, below: ET.Element) -> Iterator[tuple[str, str]]:
    """A fraction in the line, each part in brackets."""
    for sign, part in (("", above), ("/", below)):
        yield ("break" if sign else "", f"<mo>{sign}</mo><mo>(</mo>" if sign else "<mo>(</mo>")
        yield from _written(part)
        yield ("", "<mo>)</mo>")
