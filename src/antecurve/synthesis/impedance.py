"""RC impedances by their partial fractions."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["RcImpedance"]


@dataclass(frozen=True, slots=True)
class RcImpedance:
    """Z(s) = R_inf + K/s + sum of R_i / (1 + s T_i).

    Attributes
    ----------
    resistance_at_infinity : float
        R_inf [ohm], 0 or greater.
    elastance_at_origin : float
        K = 1/C of the series capacitor [1/F]; 0 when the impedance passes direct current.
    branches : tuple of tuple of float
        Pairs (R_i [ohm], T_i [s]), each above 0, longest time constant first.
    """

    resistance_at_infinity: float
    elastance_at_origin: float
    branches: tuple[tuple[float, float], ...]
