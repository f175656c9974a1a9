"""A rational function of s by its zeros, poles and gain constant.

.. math:: H(s) = k\\, s^{a - b} \\, \\prod_i (1 + s z_i) \\, / \\, \\prod_j (1 + s p_j)

All time constants are in seconds.  Kept in factors, a product needs no expansion into
polynomials: a pole that a zero nearly cancels keeps a small but accurate residue.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["COINCIDENT", "ZeroPoleGain", "same_time_constant"]

COINCIDENT = 1e-9
"""Relative distance below which two time constants count as the same.  Time constants are given
to at most seven digits; what was computed from them is good to some 1e-12."""

Time = TypeVar("Time", bound=complex, covariant=True)


def same_time_constant(first: complex, second: complex, *, within: float = COINCIDENT) -> bool:
    """Return whether two time constants count as the same.

    Parameters
    ----------
    first, second : complex
        Time constants [s].
    within : float, optional
        Largest difference relative to the second.

    Returns
    -------
    bool
        Whether they are no further apart.
    """
    return abs(first - second) <= within * abs(second)


@dataclass(frozen=True, slots=True)
class ZeroPoleGain(Generic[Time]):
    """A rational function of s by its zeros, poles and gain constant.

    Attributes
    ----------
    zeros_s, poles_s : tuple of float or complex
        Time constants [s], not 0; those of a curve are real, greater than 0, longest first.
    zeros_at_origin, poles_at_origin : int
        Powers of s in numerator and denominator.
    gain_constant : float
        The factor k.
    """

    zeros_s: tuple[Time, ...]
    poles_s: tuple[Time, ...]
    zeros_at_origin: int = 0
    poles_at_origin: int = 0
    gain_constant: float = 1.0

    @property
    def power_at_origin(self) -> int:
        """Power of s that remains: zeros less poles at the origin."""
        return self.zeros_at_origin - self.poles_at_origin

    @property
    def relative_degree(self) -> int:
        """Poles less zeros, those at the origin included; below 0 it rises without end."""
        return len(self.poles_s) - len(self.zeros_s) - self.power_at_origin

    def value(self, s: ArrayLike) -> NDArray[np.complex128]:
        """Return H(s).

        Parameters
        ----------
        s : array_like of complex, shape (...)
            Complex frequencies [rad/s], none of them a pole.

        Returns
        -------
        numpy.ndarray of complex, shape (...)
            The values.

        Examples
        --------
        >>> complex(ZeroPoleGain((3e-3,), (1e-3,)).value(1000.0))
        (2+0j)
        """
        at = np.asarray(s, dtype=complex)
        total = np.asarray(self.gain_constant * at**self.power_at_origin, dtype=np.complex128)
        for zero in self.zeros_s:
            total *= 1.0 + at * zero
        for pole in self.poles_s:
            total /= 1.0 + at * pole
        return total

    def response(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Return H(j 2 pi f).

        Parameters
        ----------
        frequency_hz : array_like, shape (...)
            Frequencies [Hz].

        Returns
        -------
        numpy.ndarray of complex, shape (...)
            The response.
        """
        return self.value(2j * math.pi * np.asarray(frequency_hz, dtype=float))

    def times(self, other: ZeroPoleGain[complex]) -> ZeroPoleGain[complex]:
        """Return the product with another function; equal factors are left to cancel.

        Parameters
        ----------
        other : ZeroPoleGain
            The other function.

        Returns
        -------
        ZeroPoleGain
            The product.
        """
        return ZeroPoleGain(
            self.zeros_s + other.zeros_s,
            self.poles_s + other.poles_s,
            self.zeros_at_origin + other.zeros_at_origin,
            self.poles_at_origin + other.poles_at_origin,
            self.gain_constant * other.gain_constant,
        )

    def inverse(self) -> ZeroPoleGain[Time]:
        """Return 1/H(s).

        Returns
        -------
        ZeroPoleGain
            Zeros and poles change places.
        """
        return ZeroPoleGain(
            self.poles_s,
            self.zeros_s,
            self.poles_at_origin,
            self.zeros_at_origin,
            1.0 / self.gain_constant,
        )

    def lowest_terms(self) -> ZeroPoleGain[Time]:
        """Return the function without the zeros and poles that are the same.

        Returns
        -------
        ZeroPoleGain
            The same function, those at the origin cancelled too; time constants within a
            relative `COINCIDENT` of each other count as the same.
        """
        zeros, poles = list(self.zeros_s), list(self.poles_s)
        for zero in self.zeros_s:
            for pole in poles:
                if same_time_constant(pole, zero):
                    zeros.remove(zero)
                    poles.remove(pole)
                    break
        common = min(self.zeros_at_origin, self.poles_at_origin)
        return replace(
            self,
            zeros_s=tuple(zeros),
            poles_s=tuple(poles),
            zeros_at_origin=self.zeros_at_origin - common,
            poles_at_origin=self.poles_at_origin - common,
        )

    def with_unit_magnitude(self, frequency_hz: float) -> ZeroPoleGain[Time]:
        """Return the function scaled to magnitude 1 at a frequency.

        Parameters
        ----------
        frequency_hz : float
            The frequency [Hz], greater than 0.

        Returns
        -------
        ZeroPoleGain
            The same zeros and poles with another gain constant.
        """
        magnitude = abs(complex(self.response(frequency_hz)))
        return replace(self, gain_constant=self.gain_constant / magnitude)
