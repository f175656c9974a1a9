"""Poles and zeros of a network as time constants."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import Curve, zero_pole_gain
from antecurve.networks.compiled import loaded_coefficients
from antecurve.networks.topology import Loading, Network

__all__ = ["NetworkRoots", "extra_poles", "network_roots"]

_SAME = 1e-3
"""Relative difference within which two time constants count as one.  Roots are good to 1e-9, but
values solved numerically for a network of the user's own leave a pole off by some 1e-5, and
poles that differ by less than this could not be told apart on any bench."""


@dataclass(frozen=True, slots=True)
class NetworkRoots:
    """Poles and zeros of H(s) = output voltage / EMF, as time constants -1/s.

    Attributes
    ----------
    zeros_s, poles_s : tuple of complex
        Time constants [s], longest first; real for the poles of any RC network.
    zeros_at_origin : int
        Zeros at s = 0.
    """

    zeros_s: tuple[complex, ...]
    poles_s: tuple[complex, ...]
    zeros_at_origin: int


def network_roots(network: Network, *, loading: Loading) -> NetworkRoots:
    """Return poles and zeros of a network between its source and load.

    Parameters
    ----------
    network : Network
        The network.
    loading : Loading
        Source and load.

    Returns
    -------
    NetworkRoots
        Time constants [s].
    """
    found = loaded_coefficients(network.topology, network.values, loading=loading)
    at_origin = int(np.argmax(found.numerator != 0))
    zeros = _time_constants(found.numerator[at_origin:])
    return NetworkRoots(zeros, _time_constants(found.denominator), at_origin)


def _time_constants(polynomial: NDArray[np.float64]) -> tuple[complex, ...]:
    """Roots of the polynomial in -T = 1/s; scaled so that its ends have like size."""
    trimmed = np.trim_zeros(polynomial, "b")
    order = len(trimmed) - 1
    if order < 1:
        return ()
    scale = abs(trimmed[order] / trimmed[0]) ** (1.0 / order)
    scaled = trimmed / trimmed[0] / scale ** np.arange(order + 1)
    # P(s) = 0 with s = -1/(scale u)  <=>  sum_k scaled_k (-1)^k u^(order-k) = 0
    roots = np.roots(scaled * (-1.0) ** np.arange(order + 1)) * scale
    return tuple(sorted((complex(r) for r in roots), key=abs, reverse=True))


def extra_poles(network: Network, curve: Curve, *, loading: Loading) -> tuple[float, ...]:
    """Return the poles that a network has and its curve has not.

    For the exact network of a curve these are the implied pole of a curve without ultrasonic
    pole, and the pole that the load's capacitance makes.

    Parameters
    ----------
    network : Network
        A network with exact values.
    curve : Curve
        The curve it makes.
    loading : Loading
        Source and load.

    Returns
    -------
    tuple of float
        Time constants [s], longest first, without those that a zero of the network cancels.
    """
    roots = network_roots(network, loading=loading)
    wanted = zero_pole_gain(curve)
    left = list(roots.poles_s)
    for known in (*wanted.poles_s, *_surplus(roots.zeros_s, wanted.zeros_s)):
        nearest = min(left, key=lambda t: abs(t - known), default=None)
        if nearest is not None and abs(nearest - known) <= _SAME * abs(known):
            left.remove(nearest)
    return tuple(t.real for t in left)


def _surplus(zeros: tuple[complex, ...], wanted: tuple[float, ...]) -> tuple[complex, ...]:
    """Zeros of the network that are none of the curve's."""
    left = list(zeros)
    for zero in wanted:
        nearest = min(left, key=lambda t: abs(t - zero), default=None)
        if nearest is not None and abs(nearest - zero) <= _SAME * zero:
            left.remove(nearest)
    return tuple(left)
