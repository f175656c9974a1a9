"""Which types of parts are made in which values, ratings and packages.

Common practice, no source: what the catalogues of general distributors hold in small quantities.
The first row of a table that has the value and stands the stress is the one to look for.
"""

from __future__ import annotations

from dataclasses import dataclass

from antecurve.networks.topology import ElementKind
from antecurve.quantities import format_quantity

__all__ = ["CAPACITOR_TYPES", "RESISTOR_TYPES", "TYPES_SOURCE", "PartType", "part_type"]

TYPES_SOURCE = "common practice, what catalogues of distributors hold; no source"
"""Where the tables of types come from."""


@dataclass(frozen=True, slots=True)
class PartType:
    """A type of part in one package.

    Attributes
    ----------
    name : str
        What it is made of.
    low, high : float
        Values made [ohm or F].
    rating : float
        Largest rating made [W or V].
    package : str
        Usual package: body of a chip in hundredths of an inch, or distance of the leads.
    """

    name: str
    low: float
    high: float
    rating: float
    package: str

    @property
    def description(self) -> str:
        """What to look for."""
        return f"{self.name}, {self.package}"


RESISTOR_TYPES = (
    PartType("metal film resistor", 1.0, 10e6, 0.25, "axial 0207 or chip 1206"),
    PartType("metal film resistor", 1.0, 1e6, 1.0, "axial 0411"),
    PartType("metal oxide film resistor", 1.0, 100e3, 5.0, "axial"),
    PartType("wirewound resistor", 0.1, 100e3, 10.0, "axial, ceramic body"),
    PartType("wirewound resistor", 0.1, 100e3, 50.0, "metal case on a heat sink"),
    PartType("metal strip resistor, four-wire", 1e-3, 1.0, 5.0, "chip 2512"),
    PartType("thick film resistor, high resistance", 10e6, 1e9, 0.25, "axial or chip 1206"),
)
"""Resistors, the most stable type first, each in the smaller package first."""

CAPACITOR_TYPES = (
    PartType("C0G capacitor", 1e-12, 1e-9, 100.0, "chip 0603 or leads at 2.5 or 5 mm"),
    PartType("C0G capacitor", 1e-12, 1e-9, 1000.0, "chip 1206"),
    PartType(
        "film (polypropylene) or C0G capacitor", 1e-9, 10e-9, 100.0, "leads at 5 mm or chip 0805"
    ),
    PartType(
        "film (polypropylene) or C0G capacitor", 10e-9, 100e-9, 100.0, "leads at 5 mm or chip 1206"
    ),
    PartType("film (polypropylene) capacitor", 100e-12, 470e-9, 630.0, "leads at 10 to 15 mm"),
    PartType("film (polypropylene) capacitor", 100e-12, 10e-6, 1000.0, "leads at 22.5 mm or more"),
    PartType("film (polyester) capacitor", 1e-9, 22e-6, 100.0, "leads at 27.5 mm"),
)
"""Capacitors, the smallest suitable type first; electrolytic and class 2 ceramic types are no
precision parts."""


def part_type(kind: ElementKind, *, value: float, rating: float | None) -> str:
    """Say which type of part to look for.

    Parameters
    ----------
    kind : ElementKind
        Resistor or capacitor.
    value : float
        Value [ohm or F].
    rating : float or None
        Twice the stress, or what is to be bought [W or V]; ``None`` where it is not known.

    Returns
    -------
    str
        The type; or that none is usual, and what to do.

    Examples
    --------
    >>> part_type(ElementKind.RESISTOR, value=47e3, rating=0.25)
    'metal film resistor, axial 0207 or chip 1206'
    """
    resistor = kind is ElementKind.RESISTOR
    types = RESISTOR_TYPES if resistor else CAPACITOR_TYPES
    made = [t for t in types if t.low <= value <= t.high]
    fitting = [t for t in made if rating is None or rating <= t.rating]
    if fitting:
        return fitting[0].description
    shown = format_quantity(value, kind.unit)
    if made:
        unit = "W" if resistor else "V"
        most = format_quantity(max(t.rating for t in made), unit)
        return (
            f"no usual {kind.value} of {shown} above {most}: raise the impedance or lower the EMF"
        )
    if value > max(t.high for t in types):
        return f"no usual {kind.value} of {shown}: {_other(resistor, large=True)}"
    return f"no usual {kind.value} of {shown}: {_other(resistor, large=False)}"


def _other(resistor: bool, *, large: bool) -> str:
    """What to do where values are beyond what is made."""
    if resistor == large:
        return "lower the impedance of the network"
    return "raise the impedance of the network"
