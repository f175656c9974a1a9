"""Poles and zeros of a network as time constants."""

from __future__ import annotations

from collections.abc import Sequence

from antecurve.algebra.zero_pole_gain import ZeroPoleGain, same_time_constant
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve, zero_pole_gain
from antecurve.networks.compiled import loaded_coefficients
from antecurve.networks.topology import Loading, Network

__all__ = ["extra_poles", "network_zero_pole_gain"]

_SAME = 1e-3
"""Relative difference within which two time constants count as one.  Roots are good to 1e-9, but
values solved numerically for a network of the user's own leave a pole off by some 1e-5, and
poles that differ by less than this could not be told apart on any bench."""


def network_zero_pole_gain(network: Network, *, loading: Loading) -> ZeroPoleGain[complex]:
    """Find the zeros, poles and gain of a network between its source and load.

    Parameters
    ----------
    network : Network
        The network.
    loading : Loading
        Source and load.

    Returns
    -------
    ZeroPoleGain
        H(s) = output voltage / EMF; its value at 1 kHz is that of the compiled evaluation.
    """
    function = loaded_coefficients(network.topology, network.values, loading=loading)
    return function.zero_pole_gain(matched_at_hz=REFERENCE_FREQUENCY_HZ)


def extra_poles(network: Network, curve: Curve, *, loading: Loading) -> tuple[float, ...]:
    """List the poles that a network has and its curve has not.

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
    roots = network_zero_pole_gain(network, loading=loading)
    wanted = zero_pole_gain(curve)
    surplus = _without_nearest(roots.zeros_s, wanted.zeros_s)
    extra = _without_nearest(roots.poles_s, (*wanted.poles_s, *surplus))
    return tuple(t.real for t in extra)


def _without_nearest(times: Sequence[complex], known: Sequence[complex]) -> tuple[complex, ...]:
    """Time constants without the one next to each known one, where they count as the same."""
    remaining = list(times)
    for time in known:
        nearest = min(remaining, key=lambda t: abs(t - time), default=None)
        if nearest is not None and same_time_constant(nearest, time, within=_SAME):
            remaining.remove(nearest)
    return tuple(remaining)
