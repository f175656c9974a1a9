"""How far the reading of a component meter may be off.

A data sheet states, for each range, per cent of reading and a constant: so many counts of the last
digit, or so many ohms or farads.  The first is the error of the range's standard, which all
readings in it share more or less; the second is rounding, noise and residuals, each reading's own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.topology import ElementKind
from antecurve.quantities import check_count, check_number, check_tolerance, format_quantity

__all__ = ["MeterAccuracy"]

_MOST_COUNTS = 100_000_000  # eight digits: more than any meter shows


@checked
@dataclass(frozen=True, slots=True)
class MeterAccuracy:
    """Limits of error of the meters.

    Attributes
    ----------
    resistors, capacitors : float
        A fraction of the reading, for example 0.005 for 0.5 %; 0 or greater, below 1.
    correlation : float
        Correlation between the errors of two readings in one range, as far as they go with the
        reading; 0 to 1.  The default is the middle, by judgement: no data sheet states it.
    one_meter : bool
        Whether one meter read resistors and capacitors by one standard: all its readings then
        correlate.
    resistor_counts, capacitor_counts : float
        Counts of the last digit on top, 0 or greater.
    resistor_constant, capacitor_constant : float
        Constant on top [ohm or F], 0 or greater.
    display : int
        Counts of the display, 1 or more: 6000 for one that reads to 5.999.  A range ends where
        the display is full; the next has one digit less.

    Raises
    ------
    InputError
        When a value is out of range.
    """

    resistors: float = 0.002
    capacitors: float = 0.005
    correlation: float = 0.5
    one_meter: bool = False
    resistor_counts: float = 0.0
    capacitor_counts: float = 0.0
    resistor_constant: float = 0.0
    capacitor_constant: float = 0.0
    display: int = 10_000

    def __post_init__(self) -> None:
        if not 0.0 <= self.correlation <= 1.0:
            raise InputError("meter correlation", self.correlation, "it must be from 0 to 1")
        check_count(self.display, field="meter display", most=_MOST_COUNTS)
        for kind, unit in (("resistor", "ohm"), ("capacitor", "F")):
            check_tolerance(getattr(self, f"{kind}s"), field=f"meter accuracy for {kind}s")
            for name, of in (("counts", ""), ("constant", unit)):
                value = getattr(self, f"{kind}_{name}")
                check_number(value, field=f"{name} of the meter for {kind}s", unit=of, zero=True)

    def range_of(self, value: float) -> int:
        """Name the range that a value is read in, by the power of ten of its last digit.

        Parameters
        ----------
        value : float
            Value [ohm or F], above 0.

        Returns
        -------
        int
            Power of ten of one count.

        Examples
        --------
        >>> MeterAccuracy(display=6000).range_of(5.9e3), MeterAccuracy(display=6000).range_of(6e3)
        (0, 1)
        """
        return math.floor(math.log10(value / self.display)) + 1

    def of_reading(self, kind: ElementKind) -> float:
        """Compute the part of the limit that goes with the reading.

        Parameters
        ----------
        kind : ElementKind
            Resistor or capacitor.

        Returns
        -------
        float
            A fraction of the reading.
        """
        return self.resistors if kind is ElementKind.RESISTOR else self.capacitors

    def constant(self, kind: ElementKind, value: float) -> float:
        """Compute the part of the limit that does not go with the reading.

        Parameters
        ----------
        kind : ElementKind
            Resistor or capacitor.
        value : float
            The reading [ohm or F], above 0.

        Returns
        -------
        float
            A fraction of the reading.
        """
        resistor = kind is ElementKind.RESISTOR
        counts = self.resistor_counts if resistor else self.capacitor_counts
        constant = self.resistor_constant if resistor else self.capacitor_constant
        return float((counts * 10.0 ** self.range_of(value) + constant) / value)

    def limit(self, kind: ElementKind, value: float) -> float:
        """Compute the limit of error of a reading.

        Parameters
        ----------
        kind : ElementKind
            Resistor or capacitor.
        value : float
            The reading [ohm or F], above 0.

        Returns
        -------
        float
            A fraction of the reading.

        Raises
        ------
        InputError
            When it is 1 or more: the meter can't read so small a value.
        """
        limit = self.of_reading(kind) + self.constant(kind, value)
        if limit >= 1.0:
            shown = format_quantity(value, kind.unit)
            rule = (
                f"the meter's limit of error is as large as the reading of {shown}; use a more "
                "accurate meter"
            )
            raise InputError(f"meter accuracy for {kind.value}s", f"±{100.0 * limit:.3g} %", rule)
        return limit
