"""Values of a circuit, and where each enters its equations."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Port", "Quantity", "complex_frequency"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value of the circuit.

    Attributes
    ----------
    ref : str
        The part it belongs to; ``input`` and ``load`` for what is outside.
    name : str
        ``resistance``, ``capacitance``, ``gain``, ``output resistance``, ``input resistance``,
        ``input capacitance``, ``corner``, ``gain-bandwidth product`` or ``leakage``.
    unit : str
        Its unit, as in `format_quantity`.
    nominal : float
        Nominal value in that unit; 0 for a capacitance and infinite for a resistance that is not
        there.
    tolerance : float
        How far it may be off in a good unit, a fraction.
    """

    ref: str
    name: str
    unit: str
    nominal: float
    tolerance: float


@dataclass(frozen=True, slots=True, eq=False)
class Port:
    """Where a value enters the equations.

    Attributes
    ----------
    quantity : Quantity
        The value.
    factor : float
        k of c = k s^m p^(+-1).
    power : int
        1 for a coefficient that grows with the value, otherwise -1.
    order : int
        m: 1 where the coefficient is proportional to s.
    equations, unknowns : numpy.ndarray of float, shape (unknowns,)
        l and r of c l r' in the equations.
    """

    quantity: Quantity
    factor: float
    power: int
    order: int
    equations: Floats
    unknowns: Floats

    def coefficient(self, value: ArrayLike, s: Complex) -> Complex:
        """Compute c.

        Parameters
        ----------
        value : array_like, shape (...)
            Values in the unit of the quantity.
        s : numpy.ndarray of complex, shape (frequencies,)
            Complex frequencies [rad/s].

        Returns
        -------
        numpy.ndarray of complex, shape (..., frequencies)
            The coefficient.
        """
        sized = self.factor * np.asarray(value, dtype=float)[..., None] ** self.power
        return np.asarray(sized * s**self.order)


def complex_frequency(frequency_hz: Floats) -> Complex:
    """Compute s on the imaginary axis.

    Parameters
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].

    Returns
    -------
    numpy.ndarray of complex, shape (frequencies,)
        s [rad/s].
    """
    return np.asarray(2.0 * math.pi * frequency_hz, dtype=complex) * 1j
