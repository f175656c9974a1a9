"""Temperature coefficient and loss of parts by technology.

All numbers are common practice, no source, unless said otherwise beside them: what makers of such
parts commonly state.  Where the data sheet of the parts in hand says more, use that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.topology import ElementKind
from antecurve.quantities import check_number

__all__ = ["TECHNOLOGIES", "Technology", "technology"]


@checked
@dataclass(frozen=True, slots=True)
class Technology:
    """How the parts of one technology behave.

    Attributes
    ----------
    name : str
        Name of the technology.
    kind : ElementKind
        Resistor or capacitor.
    coefficient : float
        Typical temperature coefficient [1/K].
    coefficient_low, coefficient_high : float
        Range in which the coefficient of a part lies [1/K].
    loss_tangent : float
        Loss tangent at 1 kHz, 0 for resistors.
    loss_tangent_10k : float
        Loss tangent at 10 kHz, 0 for resistors.
    """

    name: str
    kind: ElementKind
    coefficient: float
    coefficient_low: float
    coefficient_high: float
    loss_tangent: float = 0.0
    loss_tangent_10k: float = 0.0

    def __post_init__(self) -> None:
        low, high = self.coefficient_low, self.coefficient_high
        if not (math.isfinite(low) and math.isfinite(high) and low <= self.coefficient <= high):
            raise InputError(
                f"temperature coefficient of {self.name}",
                [low, self.coefficient, high],
                "low, typical and high must be finite and ascending",
            )
        for value in (self.loss_tangent, self.loss_tangent_10k):
            check_number(value, field=f"loss tangent of {self.name}", zero=True)
        if self.kind is ElementKind.RESISTOR and (self.loss_tangent or self.loss_tangent_10k):
            raise InputError(
                f"loss tangent of {self.name}", self.loss_tangent, "a resistor has none"
            )


_PPM = 1e-6  # parts per million
_R, _C = ElementKind.RESISTOR, ElementKind.CAPACITOR

TECHNOLOGIES: tuple[Technology, ...] = (
    Technology("metal film", _R, 0.0, -50 * _PPM, 50 * _PPM),
    Technology("metal film, 25 ppm/K", _R, 0.0, -25 * _PPM, 25 * _PPM),
    Technology("metal film, 100 ppm/K", _R, 0.0, -100 * _PPM, 100 * _PPM),
    Technology("polypropylene", _C, -200 * _PPM, -400 * _PPM, -150 * _PPM, 1e-4, 2e-4),
    Technology("polystyrene", _C, -120 * _PPM, -180 * _PPM, -60 * _PPM, 2e-4, 2e-4),
    Technology("polyester", _C, 400 * _PPM, 200 * _PPM, 600 * _PPM, 65e-4, 130e-4),
    # 0 +- 30 ppm/K is the code table of EIA-198 for C0G; the loss is the limit of IEC 60384-8.
    Technology("ceramic C0G", _C, 0.0, -30 * _PPM, 30 * _PPM, 15e-4, 15e-4),
)
"""Technologies with their customary values; the first of each kind is the default."""


@checked
def technology(name: str, kind: ElementKind | None = None) -> Technology:
    """Look up a technology by its name.

    Parameters
    ----------
    name : str
        One of the names in `TECHNOLOGIES`.
    kind : ElementKind or None, optional
        The kind of the parts; of any kind by default.

    Returns
    -------
    Technology
        Its customary values.

    Raises
    ------
    InputError
        When there is no such name of that kind; the message lists those there are.
    """
    allowed = [t for t in TECHNOLOGIES if kind is None or t.kind is kind]
    for known in allowed:
        if known.name == name:
            return known
    names = ", ".join(repr(t.name) for t in allowed)
    of_kind = "" if kind is None else f" of a {kind.value}"
    raise InputError(f"technology{of_kind}", name, f"the technologies are {names}")
