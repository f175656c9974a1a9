"""Exact logarithmic sensitivity of a response to every element, source and load.

The logarithmic (relative, Bode) sensitivity of H = N/D to a value x is

.. math:: S_x = \\frac{\\partial \\ln H}{\\partial \\ln x}
          = \\frac{x N_x}{N} - \\frac{x D_x}{D}

with N_x, D_x the derivatives of N and D.  Both are affine in each value, P = A + x B, so that
x P_x / P = 1 - P(x = 0) / P: no difference quotient, no step, no symbolic derivative.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.algebra.transfer_function import polynomial_values
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.topology import Loading, Network, Topology

__all__ = [
    "ResponseSlopes",
    "each_at_zero",
    "logarithmic_sensitivity",
    "response_slopes",
]

Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class ResponseSlopes:
    """A response and its logarithmic sensitivities.

    Attributes
    ----------
    response : numpy.ndarray of complex, shape (frequencies,)
        H = output voltage / EMF.
    by_element : numpy.ndarray of complex, shape (elements, frequencies)
        d ln H / d ln x of each element; the real part is relative change of magnitude per
        relative change of the value, the imaginary part the change of phase [rad].
    by_loading : numpy.ndarray of complex, shape (3, frequencies)
        Likewise of source resistance, load resistance and load capacitance.
    """

    response: Complex
    by_element: Complex
    by_loading: Complex


def each_at_zero(values: ArrayLike) -> NDArray[np.float64]:
    """Set one value after the other to 0; the last row has all of them.

    Parameters
    ----------
    values : array_like, shape (..., count)
        Values of any quantities.

    Returns
    -------
    numpy.ndarray of float, shape (..., count + 1, count)
        At which to evaluate what is affine in each value, for its slopes.

    Examples
    --------
    >>> each_at_zero([2.0, 3.0])
    array([[0., 3.],
           [2., 0.],
           [2., 3.]])
    """
    given = np.asarray(values, dtype=float)
    count = given.shape[-1]
    stacked = np.repeat(given[..., None, :], count + 1, axis=-2)
    stacked[..., np.arange(count), np.arange(count)] = 0.0
    return stacked


def response_slopes(
    topology: Topology,
    values: ArrayLike,
    frequency_hz: ArrayLike,
    *,
    source_resistance: float,
    load_resistance: float,
    load_capacitance: float,
) -> ResponseSlopes:
    """Compute the response of a network and its sensitivity to all values.

    Parameters
    ----------
    topology : Topology
        The network's shape.
    values : array_like, shape (elements,)
        Resistances [ohm] and capacitances [F], greater than 0.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies [Hz].
    source_resistance, load_resistance : float
        Loading [ohm]; 0 is allowed for the source.
    load_capacitance : float
        Loading [F]; 0 is allowed.

    Returns
    -------
    ResponseSlopes
        H and d ln H / d ln x; the sensitivity to a source or load of 0 is 0.
    """
    count = len(topology.elements)
    rows = each_at_zero(np.append(values, [source_resistance, load_resistance, load_capacitance]))
    coefficients = transfer_coefficients(
        topology,
        rows[:, :count],
        source_resistance=rows[:, count],
        load_resistance=rows[:, count + 1],
        load_capacitance=rows[:, count + 2],
    )
    s = 2j * math.pi * np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    top = polynomial_values(coefficients.numerator, s)
    bottom = polynomial_values(coefficients.denominator, s)
    slopes = bottom[:-1] / bottom[-1] - top[:-1] / top[-1]
    return ResponseSlopes(top[-1] / bottom[-1], slopes[:count], slopes[count:])


def logarithmic_sensitivity(
    network: Network, frequency_hz: ArrayLike, *, loading: Loading
) -> Complex:
    """Compute the logarithmic sensitivity of H to each element.

    Parameters
    ----------
    network : Network
        The network.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies [Hz].
    loading : Loading
        Source and load.

    Returns
    -------
    numpy.ndarray of complex, shape (elements, frequencies)
        d ln H / d ln x, as in `ResponseSlopes.by_element`.
    """
    return response_slopes(
        network.topology,
        network.values,
        frequency_hz,
        source_resistance=loading.source_resistance,
        load_resistance=loading.load_resistance,
        load_capacitance=loading.load_capacitance,
    ).by_element
