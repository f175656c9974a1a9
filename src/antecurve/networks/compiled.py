"""Compiled evaluation of a network: the symbolic coefficients as vectorised numbers.

Every number that the package prints about a network comes through here, from the sums that
`antecurve.networks.symbolic` writes out: one source of truth.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.algebra.transfer_function import TransferFunction
from antecurve.checked import checked
from antecurve.networks.forest_sums import ForestSum, forest_sum
from antecurve.networks.symbolic import refuse_large
from antecurve.networks.topology import Loading, Network, Topology

__all__ = [
    "check_solvable",
    "input_impedance",
    "input_impedance_coefficients",
    "loaded_coefficients",
    "lossy_transfer",
    "output_impedance",
    "output_impedance_coefficients",
    "transfer",
    "transfer_coefficients",
]

Floats = NDArray[np.float64]


@lru_cache(maxsize=256)
def _compiled(topology: Topology, which: str) -> ForestSum:
    return forest_sum(topology, which)


def _coefficients(
    topology: Topology,
    which: str,
    values: ArrayLike,
    source_resistance: ArrayLike,
    load_resistance: ArrayLike,
    load_capacitance: ArrayLike,
) -> TransferFunction:
    elements = np.asarray(values, dtype=float)
    loading = (source_resistance, load_resistance, load_capacitance)
    top, bottom = _compiled(topology, which)(
        *(elements[..., i] for i in range(elements.shape[-1])),
        *(v if isinstance(v, float) else np.asarray(v, dtype=float) for v in loading),
    )
    # Coefficients lie contiguous over builds: what is computed per coefficient then streams.
    last = (*range(1, top.ndim), 0)
    return TransferFunction(top.transpose(last), bottom.transpose(last))


def check_solvable(topology: Topology) -> None:
    """Raise when a network can't be evaluated.

    Parameters
    ----------
    topology : Topology
        The network.

    Raises
    ------
    WiringError
        When there is no transmission from ``in`` to the output, or the network is too large.
    """
    refuse_large(topology)
    _compiled(topology, "transfer")


def transfer_coefficients(
    topology: Topology,
    values: ArrayLike,
    *,
    source_resistance: ArrayLike,
    load_resistance: ArrayLike,
    load_capacitance: ArrayLike,
) -> TransferFunction:
    """Compute the coefficients of H(s) = output voltage / EMF.

    Parameters
    ----------
    topology : Topology
        The network's shape.
    values : array_like, shape (..., elements)
        Resistances [ohm] and capacitances [F], greater than 0, for any number of builds.
    source_resistance, load_resistance : array_like, shape (...)
        Loading [ohm]; 0 is allowed for the source.
    load_capacitance : array_like, shape (...)
        Loading [F]; 0 is allowed.

    Returns
    -------
    TransferFunction
        Ascending powers of s; all shapes broadcast together.
    """
    return _coefficients(
        topology, "transfer", values, source_resistance, load_resistance, load_capacitance
    )


def loaded_coefficients(
    topology: Topology, values: ArrayLike, *, loading: Loading
) -> TransferFunction:
    """Compute the coefficients of H(s) with one source and load for all builds.

    Parameters
    ----------
    topology : Topology
        The network's shape.
    values : array_like, shape (..., elements)
        Resistances [ohm] and capacitances [F], greater than 0.
    loading : Loading
        Source and load.

    Returns
    -------
    TransferFunction
        As `transfer_coefficients` returns them.
    """
    return transfer_coefficients(
        topology,
        values,
        source_resistance=loading.source_resistance,
        load_resistance=loading.load_resistance,
        load_capacitance=loading.load_capacitance,
    )


def input_impedance_coefficients(
    topology: Topology,
    values: ArrayLike,
    *,
    load_resistance: ArrayLike,
    load_capacitance: ArrayLike,
) -> TransferFunction:
    """Compute the coefficients of the input impedance, source not counted, load connected.

    Parameters
    ----------
    topology : Topology
        The network's shape.
    values : array_like, shape (..., elements)
        Resistances [ohm] and capacitances [F], greater than 0.
    load_resistance : array_like, shape (...)
        Loading [ohm].
    load_capacitance : array_like, shape (...)
        Loading [F]; 0 is allowed.

    Returns
    -------
    TransferFunction
        Impedance [ohm], ascending powers of s.
    """
    return _coefficients(topology, "input", values, 1.0, load_resistance, load_capacitance)


def output_impedance_coefficients(
    topology: Topology, values: ArrayLike, *, source_resistance: ArrayLike
) -> TransferFunction:
    """Compute the coefficients of the output impedance, source counted, load not.

    Parameters
    ----------
    topology : Topology
        The network's shape.
    values : array_like, shape (..., elements)
        Resistances [ohm] and capacitances [F], greater than 0.
    source_resistance : array_like, shape (...)
        Resistance of the generator [ohm]; 0 is allowed.

    Returns
    -------
    TransferFunction
        Impedance [ohm], ascending powers of s.
    """
    return _coefficients(topology, "output", values, source_resistance, 1.0, 0.0)


@checked
def transfer(
    network: Network, frequency_hz: ArrayLike, *, loading: Loading
) -> NDArray[np.complex128]:
    """Compute H(j 2 pi f) = output voltage / EMF of one network.

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
    numpy.ndarray of complex, shape (frequencies,)
        The response.
    """
    loaded = loaded_coefficients(network.topology, network.values, loading=loading)
    return loaded.response(frequency_hz)


def lossy_transfer(
    network: Network, frequency_hz: ArrayLike, *, loading: Loading, loss_tangent: ArrayLike
) -> NDArray[np.complex128]:
    """Compute H(j 2 pi f) of one network whose capacitors have losses.

    A capacitor with loss tangent tan d has the admittance j w C (1 - j tan d).

    Parameters
    ----------
    network : Network
        The network.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies [Hz].
    loading : Loading
        Source and load; the load's capacitance is taken as free of loss.
    loss_tangent : array_like, shape (elements,) or (elements, frequencies)
        Loss tangent of each element, 0 or greater; that of resistors must be 0.

    Returns
    -------
    numpy.ndarray of complex, shape (frequencies,)
        The response.
    """
    s = 2j * math.pi * np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    tangent = np.asarray(loss_tangent, dtype=float)
    tangent = tangent[:, None] if tangent.ndim == 1 else tangent
    top, bottom = _compiled(network.topology, "transfer")(
        *(network.values[:, None] * (1.0 - 1j * tangent)),
        loading.source_resistance,
        loading.load_resistance,
        loading.load_capacitance,
    )

    # Coefficients of their own at each frequency: no `TransferFunction`, which has them once.
    def value(polynomial: NDArray[Any]) -> NDArray[np.complex128]:
        return np.asarray(sum(c * s**power for power, c in enumerate(polynomial)))

    return value(top) / value(bottom)


@checked
def input_impedance(
    network: Network, frequency_hz: ArrayLike, *, loading: Loading
) -> NDArray[np.complex128]:
    """Compute the input impedance [ohm], source resistance not counted, load connected.

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
    numpy.ndarray of complex, shape (frequencies,)
        The impedance [ohm].
    """
    impedance = input_impedance_coefficients(
        network.topology,
        network.values,
        load_resistance=loading.load_resistance,
        load_capacitance=loading.load_capacitance,
    )
    return impedance.response(frequency_hz)


@checked
def output_impedance(
    network: Network, frequency_hz: ArrayLike, *, loading: Loading
) -> NDArray[np.complex128]:
    """Compute the output impedance [ohm], source resistance counted, load not connected.

    Parameters
    ----------
    network : Network
        The network.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies [Hz].
    loading : Loading
        Source and load; only the source counts.

    Returns
    -------
    numpy.ndarray of complex, shape (frequencies,)
        The impedance [ohm].
    """
    impedance = output_impedance_coefficients(
        network.topology, network.values, source_resistance=loading.source_resistance
    )
    return impedance.response(frequency_hz)
