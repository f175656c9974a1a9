"""ln abs(H/E) of a network about the middle of a tolerance box, with bounds over the box.

Numerator and denominator P of H are affine in each position's value by itself.  Hence on a box
the values of P and of its derivatives lie in the convex hull of their values at the corners: the
mapping theorem of L. A. Zadeh and C. A. Desoer, "Linear System Theory", 1963.  With P_c in the
middle, and P_i, P_ij the derivatives over P_c, that gives discs about the values in the middle:

* abs(P/P_c - 1) <= r, the largest of it at the corners; likewise r_i of P_i, and r_ij of P_ij;
* a quotient x/(1 + d), abs(x - X) <= r_x and abs(d) <= r, differs from X by
  (x - X - X d)/(1 + d), hence by (r_x + abs(X) r)/(1 - r) at most;
* a product x y differs from X Y by abs(X) r_y + r_x abs(Y) + r_x r_y at most (I. Gargantini and
  P. Henrici, "Circular arithmetic and the determination of polynomial zeros", Numerische
  Mathematik 18, 1972);
* second derivatives: d2 ln P = P_ij/P - (P_i/P)(P_j/P), whose real part is that of ln abs(P).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.transfer_function import TransferFunction
from antecurve.curves.model import Curve, response
from antecurve.networks.compiled import loaded_coefficients
from antecurve.networks.topology import Loading
from antecurve.parts.corners import box_corners
from antecurve.parts.position import PickedNetwork

__all__ = ["BoxProblem", "Expansion"]

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
_LARGEST_RADIUS = 0.5  # of abs(P/P_c - 1): beyond, 1/(1 - r) doubles the bounds; halving is better


@dataclass(frozen=True, slots=True, eq=False)
class Expansion:
    """ln abs(H/E) about the middle of a box, in coordinates from -1 to 1 over the box.

    Attributes
    ----------
    free : ndarray
        Indices of the positions that have a range, shape (free,).
    value : ndarray
        ln abs(H/E) in the middle [Np], shape (frequencies,).
    gradient : ndarray
        Derivatives in the middle [Np], shape (free, frequencies).
    slack : ndarray
        By how much the gradient may differ elsewhere in the box [Np], shape (free, frequencies).
    remainder : ndarray
        Bound of the second-order term [Np], shape (frequencies,).
    """

    free: NDArray[np.intp]
    value: Floats
    gradient: Floats
    slack: Floats
    remainder: Floats


class BoxProblem:
    """What the boxes of one network have in common.

    Parameters
    ----------
    picked : PickedNetwork
        Network and parts.
    curve : Curve
        Curve E that the network imposes.
    loading : Loading
        Generator and unit.
    frequency : ndarray
        Frequencies of the grid [Hz], shape (frequencies,).
    """

    def __init__(
        self, picked: PickedNetwork, curve: Curve, loading: Loading, frequency: Floats
    ) -> None:
        self.topology, self.loading, self.frequency = picked.topology, loading, frequency
        self.curve_level = np.log(np.abs(response(curve, frequency)))

    def polynomials(self, values: Floats) -> tuple[Complexes, ...]:
        """Evaluate numerator and denominator of H at all frequencies.

        Parameters
        ----------
        values : ndarray
            Values of the positions [ohm or F], shape (..., positions).

        Returns
        -------
        tuple of ndarray
            Numerator and denominator, each of shape (..., frequencies).
        """
        responses = loaded_coefficients(self.topology, values, loading=self.loading)
        one = np.ones(1)
        return tuple(
            TransferFunction(part, one).response(self.frequency)
            for part in (responses.numerator, responses.denominator)
        )

    def error(self, values: Floats) -> Floats:
        """Evaluate ln abs(H/E) at all frequencies.

        Parameters
        ----------
        values : ndarray
            Values of the positions [ohm or F], shape (..., positions).

        Returns
        -------
        ndarray
            ln abs(H/E) [Np], shape (..., frequencies).
        """
        top, bottom = self.polynomials(values)
        return np.asarray(np.log(np.abs(top / bottom)) - self.curve_level)

    def expand(self, low: Floats, high: Floats) -> Expansion | None:
        """Expand about the middle of a box.

        Parameters
        ----------
        low, high : ndarray
            Ends of each position's range [ohm or F], shape (positions,).

        Returns
        -------
        Expansion or None
            ``None`` where the box is too large for a bound.

        Notes
        -----
        With B_ij the bound of the second derivatives of ln abs(H) over the box (Taylor):

        * slack_i = sum over j of B_ij
        * remainder = (sum over i and j of B_ij)/2
        """
        free = np.flatnonzero(low < high)
        shape = (2,) * len(free) + (len(self.frequency),)
        bounds = []
        for polynomial in self.polynomials(box_corners(low, high)):
            bound = _logarithm_bounds(polynomial.reshape(shape))
            if bound is None:
                return None
            bounds.append(bound)
        top, bottom = bounds
        second = np.abs(top.curvature - bottom.curvature) + top.radius + bottom.radius
        return Expansion(
            free=free,
            value=top.value - bottom.value - self.curve_level,
            gradient=top.gradient - bottom.gradient,
            slack=second.sum(axis=1),
            remainder=0.5 * second.sum(axis=(0, 1)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class _LogarithmBounds:
    """ln abs(P) in the middle of a box.

    gradient : shape (free, frequencies).  curvature : second derivatives, shape (free, free,
    frequencies).  radius : how far those may be from that within the box, the same shape.
    """

    value: Floats
    gradient: Floats
    curvature: Floats
    radius: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Discs:
    """Discs that hold the derivatives P_i (first) and P_ij (second) over the box."""

    first: Complexes
    first_radius: Floats
    second: Complexes
    second_radius: Floats


def _logarithm_bounds(corners: Complexes) -> _LogarithmBounds | None:
    """Expand ln abs(P) of a multi-affine P given at the corners of a box.

    ``None`` where the bounds would be too wide, as where P may vanish in the box.
    """
    axes = tuple(range(corners.ndim - 1))
    middle = corners.mean(axis=axes)
    relative = corners / middle
    radius = np.abs(relative - 1.0).max(axis=axes)
    if radius.max() >= _LARGEST_RADIUS:
        return None
    discs = _derivative_discs(relative)
    first, second = discs.first, discs.second
    return _LogarithmBounds(
        value=np.log(np.abs(middle)),
        gradient=first.real,
        curvature=(second - first[:, None] * first[None]).real,
        radius=_second_derivative_radius(discs, radius),
    )


def _derivative_discs(relative: Complexes) -> _Discs:
    """Take the derivatives of P/P_c as differences of its corners: exact, as P is multi-affine."""
    axes = range(relative.ndim - 1)
    count, frequencies = len(axes), relative.shape[-1]
    first = np.empty((count, frequencies), dtype=complex)
    first_radius = np.empty((count, frequencies))
    second = np.zeros((count, count, frequencies), dtype=complex)
    second_radius = np.zeros((count, count, frequencies))
    for i in axes:
        low, high = np.moveaxis(relative, i, 0)
        slope = high - low  # over a range of 2, which is divided by below
        first[i], first_radius[i] = _disc(slope)
        for j in range(i):
            low, high = np.moveaxis(slope, j, 0)
            mixed = _disc(high - low)
            second[i, j], second_radius[i, j] = mixed
            second[j, i], second_radius[j, i] = mixed
    for values, share in ((first, 2.0), (first_radius, 2.0), (second, 4.0), (second_radius, 4.0)):
        values /= share
    return _Discs(first, first_radius, second, second_radius)


def _disc(corners: Complexes) -> tuple[Complexes, Floats]:
    """Centre and radius of the disc about the mean of the corners, at each frequency."""
    axes = tuple(range(corners.ndim - 1))
    centre = corners.mean(axis=axes)
    apart = corners - centre
    square = apart.real**2 + apart.imag**2
    return centre, np.sqrt(square.max(axis=axes))


def _second_derivative_radius(discs: _Discs, radius: Floats) -> Floats:
    """Radius of the discs of P_ij/P - (P_i/P)(P_j/P), `radius` being that of P/P_c about 1.

    * P_i/P: s_i = (r_i + abs(P_i) r)/(1 - r); P_ij/P likewise
    * (P_i/P)(P_j/P): abs(P_i) s_j + s_i abs(P_j) + s_i s_j
    """
    shrink = 1.0 / (1.0 - radius)
    size = np.abs(discs.first)
    slope = (discs.first_radius + size * radius) * shrink
    mixed = (discs.second_radius + np.abs(discs.second) * radius) * shrink
    product = (
        size[:, None] * slope[None] + slope[:, None] * size[None] + slope[:, None] * slope[None]
    )
    return np.asarray(mixed + product)
