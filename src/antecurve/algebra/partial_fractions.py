"""Partial fractions of a rational function of s.

Poles within 30 % of each other are not taken apart, which would lose digits: their joint
contribution is Cauchy's integral on a circle around them.  The trapezoidal rule on a circle
converges geometrically, so a handful of points on it serve as poles with complex residues.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.errors import InputError

__all__ = ["PartialFractions", "partial_fractions"]

Values = NDArray[np.float64] | NDArray[np.complex128]
_CLOSE = 1.3
"""Ratio of neighbouring poles up to which they are not taken apart.  A residue loses about
-log10(ratio - 1) digits for each neighbour; at 1.3 that is half a digit."""
_LEAST_RADIUS = 0.4
"""Least radius of a circle over the distance of the next pole: the rule has to converge in the
points allowed even where the poles in the circle coincide."""
_LOG_PRECISION = 37.0
"""-ln of the error of the rule: exp(-37) is below 1e-16, the precision of the numbers."""
_MOST_POINTS = 512
"""Points on a circle at most: reached only where a next pole is within 8 % of the circle."""


@dataclass(frozen=True, slots=True, eq=False)
class PartialFractions:
    """Partial fractions: H(s) = direct + sum of residues / (s - poles).

    Attributes
    ----------
    direct : float
        Value at infinite frequency.
    poles : numpy.ndarray of complex, shape (terms,)
        Poles [rad/s], or points on a circle around poles that lie close together.
    residues : numpy.ndarray of complex, shape (terms,)
        Residues [rad/s times the unit of H].
    """

    direct: float
    poles: NDArray[np.complex128]
    residues: NDArray[np.complex128]


def partial_fractions(function: ZeroPoleGain[complex]) -> PartialFractions:
    """Expand a rational function in partial fractions.

    Parameters
    ----------
    function : ZeroPoleGain
        At most as many zeros as poles; at most one pole at the origin.

    Returns
    -------
    PartialFractions
        One term per pole, several for poles that lie close together.

    Raises
    ------
    InputError
        When there are more zeros than poles, or several poles at the origin.
    """
    _check_proper(function)
    direct = 0.0
    if function.relative_degree == 0:
        direct = function.gain_constant * float(
            (np.prod(function.zeros_s or [1.0]) / np.prod(function.poles_s or [1.0])).real
        )
    groups = _groups(function)
    terms = [
        _contour(function, group, [p for other in groups if other is not group for p in other])
        if len(group) > 1
        else _residue(function, group[0])
        for group in groups
    ]
    if not terms:
        empty = np.empty(0, dtype=complex)
        return PartialFractions(direct, empty, empty)
    poles, residues = (np.concatenate(parts) for parts in zip(*terms, strict=True))
    return PartialFractions(direct, poles, residues)


def _check_proper(function: ZeroPoleGain[complex]) -> None:
    if function.relative_degree < 0:
        raise InputError(
            "chain",
            f"{-function.relative_degree} more zeros than poles",
            "its square-wave response would hold impulses; give the curve an ultrasonic pole",
        )
    if function.power_at_origin < -1:
        raise InputError(
            "chain",
            f"{-function.power_at_origin} poles at the origin",
            "it may have one at most; give the curve a bass shelf or a bound towards DC",
        )


def _groups(function: ZeroPoleGain[complex]) -> list[list[complex]]:
    """Poles [rad/s] in groups whose neighbours lie within 30 % of each other."""
    poles = sorted((-1.0 / complex(p) for p in function.poles_s), key=abs)
    groups: list[list[complex]] = [[0j]] if function.power_at_origin < 0 else []
    for pole in poles:
        last = groups[-1][-1] if groups else 0j
        if last and abs(pole) <= _CLOSE * abs(last):
            groups[-1].append(pole)
        else:
            groups.append([pole])
    return groups


def _residue(function: ZeroPoleGain[complex], pole: complex) -> tuple[Values, Values]:
    """A pole by itself: every factor at the pole, the pole's own replaced by its 1/T."""
    if pole == 0:
        others = replace(function, zeros_at_origin=0, poles_at_origin=0)
        return np.zeros(1, dtype=complex), others.value([0j])
    own = min(function.poles_s, key=lambda p: abs(p + 1.0 / pole))
    times = list(function.poles_s)
    times.remove(own)
    others = replace(function, poles_s=tuple(times))
    return np.array([pole]), others.value([pole]) / own


def _contour(
    function: ZeroPoleGain[complex], group: list[complex], others: list[complex]
) -> tuple[Values, Values]:
    """Points on a circle around a group of poles, short of the others and of the origin."""
    centre = complex((min(p.real for p in group) + max(p.real for p in group)) / 2.0)
    inner = max(abs(p - centre) for p in group)
    outer = min([abs(p - centre) for p in others] + [abs(centre)])
    radius = max(math.sqrt(inner * outer), _LEAST_RADIUS * outer)
    # Error of the rule: (inner/radius)**n + (radius/outer)**n.
    points = min(_MOST_POINTS, math.ceil(_LOG_PRECISION / math.log(outer / radius)))
    around = radius * np.exp(2j * math.pi * (np.arange(points) + 0.5) / points)
    at = centre + around
    return at, function.value(at) * around / points
