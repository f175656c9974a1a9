"""The catalogue of published curves, each with its source.

Time constants are those of the standards and published documents named with each curve.  A
curve is what the network before the unit imposes.  For discs and transmission that is the
published pre-emphasis.  For tape it is the voltage of an ideal replay head, which is
proportional to frequency times the flux that IEC 60094-1 prescribes:

.. math:: s \\cdot \\frac{1 + s T_2}{s T_2} \\cdot \\frac{1}{1 + s T_1}
          \\;\\propto\\; \\frac{1 + s T_2}{1 + s T_1}

with T2 the bass and T1 the treble time constant; without T2 it is s/(1 + s T1).  Left out are
values on which the sources contradict each other, such as a fine-groove treble time constant of
50 or 75 us in the 1950s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

from antecurve.checked import checked
from antecurve.curves.model import FLAT, Curve
from antecurve.errors import InputError
from antecurve.results import Result

__all__ = ["CatalogueEntry", "catalogue", "curve_label", "named_curve", "unverified"]


@dataclass(frozen=True, slots=True)
class CatalogueEntry(Result):
    """A published curve with its source.

    Attributes
    ----------
    curve : Curve
        The curve.
    """

    _keys: ClassVar = (
        "name:curve.name",
        "zeros_s:curve.zeros_s",
        "poles_s:curve.poles_s",
        "zeros_at_origin:curve.zeros_at_origin",
        "poles_at_origin:curve.poles_at_origin",
        "source:curve.source",
        "year:curve.year",
        "remark:curve.remark",
        "unverified",
    )

    curve: Curve

    @property
    def unverified(self) -> str | None:
        """What no standard was seen to give of the curve, if anything."""
        return unverified(self.curve.name)


_US = 1e6  # microseconds in a second: dividing rounds once
_TAPE = "IEC 60094-1:1981, clause 15; IASA-TC 04, 5.4.10, table 1"
_HEAD = "Voltage of an ideal replay head"
_CASSETTE = (
    "IEC 60094-1:1981, as quoted in the article Cassette Equalization: The 4 dB ambiguity at "
    "16 kHz (2006)"
)
_UNVERIFIED = {
    "cd-emphasis": "both time constants come from an encyclopedia article",
    "disc-amended": "the 7950 µs come from an encyclopedia article",
    "disc-nab-1949": "the 100 µs are from memory; sources differ",
}
"""Curves with a time constant that no standard, nor a paper that quotes one, was seen to give."""
_ALIASES = {
    "riaa": "disc",
    "iec60098": "disc",
    "iec98amendment4": "disc-amended",
    "iecamendment": "disc-amended",
    "aes1951": "disc-aes-1951",
    "nab1949": "disc-nab-1949",
    "bs1928coarsegroove": "disc-coarse-groove",
    "ituj17": "j17",
    "iec60908": "cd-emphasis",
}
"""Names of standards, as letters and digits, for the curve that each gives."""


def _tape(
    name: str, bass: float, treble: float, remark: str, year: int | None, source: str
) -> Curve:
    return Curve(
        name,
        zeros_s=(bass / _US,) if bass else (),
        poles_s=(treble / _US,),
        zeros_at_origin=0 if bass else 1,
        source=source,
        remark=f"{_HEAD}, {remark}.",
        year=year,
    )


_DISCS: tuple[Curve, ...] = (
    Curve(
        "disc",
        zeros_s=(3180 / _US, 75 / _US),
        poles_s=(318 / _US,),
        source="IEC 60098:1987 (the RIAA characteristic of 1954; BS 1928:1955 fine groove)",
        remark="Fine-groove disc: 50.05 Hz, 500.5 Hz and 2122 Hz.",
        year=1954,
    ),
    Curve(
        "disc-amended",
        zeros_s=(7950 / _US, 3180 / _US, 75 / _US),
        poles_s=(318 / _US,),
        poles_at_origin=1,
        source="IEC 98, amendment 4 (1976), as given in an encyclopedia article",
        remark="Inverse of disc playback with its 7950 µs high-pass. The standard puts that on "
        "playback only. The curve rises towards DC and needs a low_end_bound. One source says "
        "1972.",
        year=1976,
    ),
    Curve(
        "disc-coarse-groove",
        zeros_s=(3180 / _US, 50 / _US),
        poles_s=(450 / _US,),
        source="BS 1928:1955 and IEC 98, edition 2, coarse groove",
        remark="Coarse-groove disc, in the AES standards web page on coarse-groove replay.",
        year=1955,
    ),
    Curve(
        "disc-aes-1951",
        zeros_s=(1 / (2 * math.pi * 2500),),
        poles_s=(1 / (2 * math.pi * 400),),
        zeros_at_origin=1,
        source="AES playback curve of 1951, in IASA-TC 04, 5.3.6, table 1",
        remark="Turnover 400 Hz, treble 2500 Hz; -12 dB at 10 kHz is 2595 Hz exactly. No bass "
        "shelf: the 50 Hz that the table lists is doubtful for 1951.",
        year=1951,
    ),
    Curve(
        "disc-nab-1949",
        zeros_s=(100 / _US,),
        poles_s=(318 / _US,),
        zeros_at_origin=1,
        source="NAB 1949, lateral, in IASA-TC 04, 5.3.6, table 1",
        remark="Turnover 500 Hz, -16 dB at 10 kHz; 99.5 µs elsewhere, 0.04 dB apart.",
        year=1949,
    ),
)

_TRANSMISSION: tuple[Curve, ...] = (
    Curve(
        "fm-50",
        zeros_s=(50 / _US,),
        poles_s=(),
        source="ITU-R BS.450-3, clause 1.2",
        remark="Pre-emphasis of FM broadcasting, Europe.",
    ),
    Curve(
        "fm-75",
        zeros_s=(75 / _US,),
        poles_s=(),
        source="ITU-R BS.450-3, clause 1.2",
        remark="Pre-emphasis of FM broadcasting, USA.",
    ),
    Curve(
        "cd-emphasis",
        zeros_s=(50 / _US,),
        poles_s=(15 / _US,),
        source="IEC 60908, as given in an encyclopedia article",
        remark="Optional pre-emphasis of the compact disc.",
    ),
    Curve(
        "j17",
        zeros_s=(1 / 3000,),
        poles_s=(1 / (3000 * math.sqrt(75)),),
        source="ITU-T Rec. J.17",
        remark="Pre-emphasis of sound-programme circuits: insertion loss "
        "10 log10((75 + (w/3000)^2)/(1 + (w/3000)^2)) dB, 18.75 dB at DC.",
    ),
)

_TAPES: tuple[Curve, ...] = (
    _tape("tape-76-iec2", 0, 17.5, "76 cm/s, IEC2 (AES)", 1981, _TAPE),
    _tape("tape-76-iec1", 0, 35, "76 cm/s, CCIR, IEC1, DIN until 1968", 1953, _TAPE),
    _tape("tape-38-iec1", 0, 35, "38 cm/s, IEC1 (CCIR, DIN, BS)", 1968, _TAPE),
    _tape("tape-38-nab", 3180, 50, "38 cm/s, NAB", 1953, _TAPE),
    _tape("tape-19-iec1", 0, 70, "19 cm/s, IEC1", 1968, _TAPE),
    _tape("tape-19-nab", 3180, 50, "19 cm/s, IEC2 (NAB)", 1965, _TAPE),
    _tape("tape-19-ccir", 0, 100, "19 cm/s, CCIR, IEC, DIN, BS until 1965/68", 1965, _TAPE),
    _tape("tape-9.5-nab", 3180, 90, "9.5 cm/s, IEC2 (NAB)", 1968, _TAPE),
    _tape("tape-9.5-din", 3180, 120, "9.5 cm/s, DIN", 1962, _TAPE),
    _tape("tape-9.5-iec", 3180, 140, "9.5 cm/s, IEC from 1962 to 1968", 1962, _TAPE),
    _tape("tape-4.76-type-1", 3180, 120, "cassette, type I", 1981, _CASSETTE),
    _tape("tape-4.76-type-2", 3180, 70, "cassette, types II and IV", 1981, _CASSETTE),
)

_CURVES = _DISCS + _TRANSMISSION + _TAPES


def catalogue() -> tuple[Curve, ...]:
    """List the published curves.

    Returns
    -------
    tuple of Curve
        Each with its source, its year where known, and a remark.
    """
    return _CURVES


@checked
def named_curve(name: str) -> Curve:
    """Look up a curve of the catalogue.

    Parameters
    ----------
    name : str
        Its name, or that of its standard, such as ``RIAA``; case, spaces and dashes don't matter.
        ``flat`` is the curve without time constants, which no standard needs to publish.

    Returns
    -------
    Curve
        The published curve, without limits.

    Raises
    ------
    InputError
        When the catalogue has no such name; the message lists those it has.
    """
    if _letters(name) == FLAT:
        return Curve(FLAT, (), (), source="By definition", remark="No emphasis at all.")
    wanted = _ALIASES.get(_letters(name), name)
    for curve in _CURVES:
        if _letters(curve.name) == _letters(wanted):
            return curve
    names = ", ".join([*(c.name for c in _CURVES), FLAT])
    raise InputError("curve.name", name, _near_miss(name) or f"the catalogue has {names}")


def _letters(name: str) -> str:
    """A name without what differs from one writing to another."""
    return "".join(c for c in name.casefold() if c.isalnum())


def _near_miss(name: str) -> str:
    """Ask for the curve that a mistyped name comes nearest to, if any does."""
    from difflib import get_close_matches

    known = {_letters(c.name): c.name for c in _CURVES} | _ALIASES
    near = get_close_matches(_letters(name), known, n=1)
    return f"did you mean {known[near[0]]}? antecurve curves lists them all" if near else ""


def unverified(name: str) -> str | None:
    """Say what no standard was seen to give of a curve of the catalogue.

    Parameters
    ----------
    name : str
        Its name; any other name is nobody's to verify.

    Returns
    -------
    str or None
        What is unverified, and where it comes from; ``None`` where nothing is.
    """
    return _UNVERIFIED.get(name)


def curve_label(name: str) -> str:
    """Name a curve on a screen or a page, and say so when it is unverified.

    Parameters
    ----------
    name : str
        Its name.

    Returns
    -------
    str
        For example ``cd-emphasis (unverified)``.
    """
    return f"{name} (unverified)" if name in _UNVERIFIED else name
