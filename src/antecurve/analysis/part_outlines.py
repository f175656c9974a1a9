"""Outlines of parts on a board: distance of the leads and size of the body.

Common practice, no source: what catalogues of general distributors draw for such parts.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["OUTLINES_SOURCE", "PITCH_MM", "Outline", "part_outline"]

PITCH_MM = 2.54
"""Distance of the holes of a strip board [mm]: a tenth of an inch."""

OUTLINES_SOURCE = "lead pitch and size of bodies: common practice, no source"
"""Where the outlines come from."""


@dataclass(frozen=True, slots=True)
class Outline:
    """A part as a board sees it.

    Attributes
    ----------
    holes : int
        Distance of its leads in holes of the board; no multiple of 5, see `strip_board`.
    length_mm, width_mm : float
        Body along and across the line between the leads [mm].
    axial : bool
        Whether the leads leave at both ends of the body, so that they may be bent further out.
    """

    holes: int
    length_mm: float
    width_mm: float
    axial: bool = False

    @property
    def lead_pitch_mm(self) -> float:
        """Distance of the leads [mm]."""
        return self.holes * PITCH_MM


_BY_PACKAGE = (
    ("0207", Outline(4, 6.5, 2.5, axial=True)),
    ("0411", Outline(6, 11.5, 4.3, axial=True)),
    ("axial, ceramic body", Outline(23, 49.0, 9.5, axial=True)),
    ("axial or chip 1206", Outline(4, 6.5, 2.5, axial=True)),
    ("axial", Outline(9, 17.5, 6.5, axial=True)),
    ("leads at 2.5 or 5 mm", Outline(2, 5.5, 3.2)),
    ("leads at 5 mm", Outline(2, 7.2, 4.5)),
    ("leads at 10 to 15 mm", Outline(6, 18.0, 8.5)),
    ("leads at 22.5 mm", Outline(9, 26.5, 11.0)),
    ("leads at 27.5 mm", Outline(11, 31.5, 14.0)),
)
"""By what the description of a part says of its package, the first that fits."""
_USUAL = {"resistor": _BY_PACKAGE[0][1], "capacitor": _BY_PACKAGE[6][1]}
_OFF_BOARD = ("heat sink", "chip 2512", "no usual")


def part_outline(kind: str, description: str) -> Outline | None:
    """Look up the outline of a part.

    Parameters
    ----------
    kind : str
        ``resistor`` or ``capacitor``.
    description : str
        What the parts list says of it; words of a drawer's own get the usual outline.

    Returns
    -------
    Outline or None
        ``None`` for a part that no strip board carries.

    Examples
    --------
    >>> round(part_outline("resistor", "metal film resistor, axial 0207").lead_pitch_mm, 2)
    10.16
    """
    if any(words in description for words in _OFF_BOARD):
        return None
    fitting = (outline for words, outline in _BY_PACKAGE if words in description)
    return next(fitting, _USUAL[kind])
