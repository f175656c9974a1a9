"""A rational function of s by its zeros, poles and gain constant.

.. math:: H(s) = k\\, s^{a - b} \\, \\prod_i (1 + s z_i) \\, / \\, \\prod_j (1 + s p_j)

All time constants are in seconds.  Kept in factors, a product needs no expansion into
polynomials: a pole that a zero nearly cancels keeps a small but accurate residue.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Generic, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "COINCIDENT",
    "ZeroPoleGain",
    "product",
    "product_coefficients",
    "same_time_constant",
]

COINCIDENT = 1e-9
"""Relative distance below which two time constants count as the same.  Time constants are given
to at most seven digits; what was computed from them is good to some 1e-12."""

Time = TypeVar("Time", bound=complex, covariant=True)


def same_time_constant(first: complex, second: complex, *, within: float = COINCIDENT) -> bool:
    """Tell whether two time constants count as the same.

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


def product(time_constants: Sequence[Any], s: Any) -> Any:
    """Multiply 1 + s T over time constants, over any field.

    Parameters
    ----------
    time_constants : sequence of scalar
        T [s]: floats, exact fractions, or elements of a symbolic field.
    s : scalar
        s [1/s].

    Returns
    -------
    scalar
        The product; 1 for no time constants.
    """
    return math.prod([1 + s * t for t in time_constants])


def product_coefficients(time_constants: Sequence[Any]) -> list[Any]:
    """Expand the product of 1 + s T over time constants, over any field.

    Parameters
    ----------
    time_constants : sequence of scalar
        T [s]: floats, exact fractions, or elements of a symbolic field.

    Returns
    -------
    list of scalar
        Coefficients of ascending powers of s.
    """
    coefficients: list[Any] = [1]
    for time in time_constants:
        raised = [time * c for c in coefficients]
        middle = [a + b for a, b in zip(raised, coefficients[1:], strict=False)]
        coefficients = [coefficients[0], *middle, raised[-1]]
    return coefficients


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

    _keys: ClassVar = ("zeros_s", "poles_s", "zeros_at_origin", "poles_at_origin")

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
        """Evaluate H(s).

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

    def at(self, s: Any) -> Any:
        """Evaluate H(s) at one s, over any field.

        Parameters
        ----------
        s : scalar
            s [1/s], a float, or an element of the field that the time constants are of.

        Returns
        -------
        scalar
            H(s).
        """
        top = self.gain_constant * s**self.power_at_origin * product(self.zeros_s, s)
        return top / product(self.poles_s, s)

    def leading_ratio(self) -> Any:
        """Divide the highest coefficient of the numerator by that of the denominator.

        Returns
        -------
        scalar
            k prod(z)/prod(p); H at infinite frequency where the relative degree is 0.
        """
        return self.gain_constant * math.prod(self.zeros_s) / math.prod(self.poles_s)

    def response(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Evaluate H(j 2 pi f).

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
        """Multiply by another function; equal factors are left to cancel.

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
        """Invert the function: 1/H(s).

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
        """Cancel the zeros and poles that are the same.

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
        return ZeroPoleGain(
            tuple(zeros),
            tuple(poles),
            self.zeros_at_origin - common,
            self.poles_at_origin - common,
            self.gain_constant,
        )

    def with_gain_constant(self, gain_constant: float) -> ZeroPoleGain[Time]:
        """Set another gain constant.

        Parameters
        ----------
        gain_constant : float
            The factor k.

        Returns
        -------
        ZeroPoleGain
            The same zeros and poles.
        """
        return ZeroPoleGain(
            self.zeros_s, self.poles_s, self.zeros_at_origin, self.poles_at_origin, gain_constant
        )

    def with_magnitude(self, magnitude: float, *, frequency_hz: float) -> ZeroPoleGain[Time]:
        """Scale the function to a magnitude at a frequency.

        Parameters
        ----------
        magnitude : float
            abs(H) there, greater than 0.
        frequency_hz : float
            The frequency [Hz], greater than 0.

        Returns
        -------
        ZeroPoleGain
            The same zeros and poles with another gain constant.
        """
        w = 2.0 * math.pi * frequency_hz
        top = math.prod([math.hypot(1.0 - w * t.imag, w * t.real) for t in self.poles_s])
        bottom = math.prod([math.hypot(1.0 - w * t.imag, w * t.real) for t in self.zeros_s])
        return self.with_gain_constant(magnitude * top / (bottom * w**self.power_at_origin))
