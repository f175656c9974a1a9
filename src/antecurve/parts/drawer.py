"""The drawer: parts on hand, measured or as marked, each with a quantity."""

from __future__ import annotations

from dataclasses import dataclass

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.topology import ElementKind
from antecurve.parts.position import Part

__all__ = ["Drawer", "DrawerEntry"]


@checked
@dataclass(frozen=True, slots=True)
class DrawerEntry:
    """Like parts on hand.

    Attributes
    ----------
    kind : ElementKind
        Resistor or capacitor.
    part : Part
        The part; its value is the measured one where it was measured.
    quantity : int
        How many there are, at least 1; 1 for a measured part.
    """

    kind: ElementKind
    part: Part
    quantity: int

    def __post_init__(self) -> None:
        if self.quantity < 1:
            raise InputError("DrawerEntry.quantity", self.quantity, "it must be 1 or more")


@checked
@dataclass(frozen=True, slots=True)
class Drawer:
    """Parts on hand; each physical part can be used once.

    Attributes
    ----------
    entries : tuple of DrawerEntry
        In the order of the file.
    name : str
        Where it comes from, for messages.
    """

    entries: tuple[DrawerEntry, ...]
    name: str = "drawer"

    def of_kind(self, kind: ElementKind) -> tuple[DrawerEntry, ...]:
        """Select the entries of one kind.

        Parameters
        ----------
        kind : ElementKind
            Resistor or capacitor.

        Returns
        -------
        tuple of DrawerEntry
            In the order of the file.
        """
        return tuple(e for e in self.entries if e.kind is kind)
