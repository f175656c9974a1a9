"""Networks, playback and their product as rational functions by zeros, poles and gain.

.. math:: H(s) = k\\, s^{a} \\, \\prod_i (1 + s z_i) \\, / \\, \\prod_j (1 + s p_j)

Kept in factors, a product of network and playback needs no expansion into polynomials: a pole
that a zero nearly cancels keeps a small but accurate residue.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.networks.compiled import transfer
from antecurve.networks.roots import network_roots
from antecurve.networks.topology import Loading, Network

__all__ = ["Chain", "chain_response", "joined", "network_chain", "unit_gain"]


@dataclass(frozen=True, slots=True)
class Chain:
    """A rational function of s in factors.

    Attributes
    ----------
    gain : float
        Factor k.
    zeros_s, poles_s : tuple of complex
        Time constants [s], not 0; real for poles of RC networks.
    zeros_at_origin : int
        Power of s; negative for poles at the origin.
    """

    gain: float
    zeros_s: tuple[complex, ...]
    poles_s: tuple[complex, ...]
    zeros_at_origin: int = 0

    @property
    def excess(self) -> int:
        """Poles less zeros, those at the origin included: below 0 when it rises without end."""
        return len(self.poles_s) - len(self.zeros_s) - self.zeros_at_origin


def chain_response(chain: Chain, s: ArrayLike) -> NDArray[np.complex128]:
    """Return H(s).

    Parameters
    ----------
    chain : Chain
        The function.
    s : array_like of complex, shape (...)
        Complex frequencies [rad/s], none of them a pole.

    Returns
    -------
    numpy.ndarray of complex, shape (...)
        The values.
    """
    at = np.asarray(s, dtype=complex)
    value = np.asarray(chain.gain * at**chain.zeros_at_origin, dtype=np.complex128)
    for zero in chain.zeros_s:
        value *= 1.0 + at * zero
    for pole in chain.poles_s:
        value /= 1.0 + at * pole
    return value


def joined(first: Chain, second: Chain) -> Chain:
    """Return one chain after the other; equal factors are left to cancel by themselves.

    Parameters
    ----------
    first, second : Chain
        The functions.

    Returns
    -------
    Chain
        Their product.
    """
    return Chain(
        first.gain * second.gain,
        first.zeros_s + second.zeros_s,
        first.poles_s + second.poles_s,
        first.zeros_at_origin + second.zeros_at_origin,
    )


def unit_gain(found: ZeroPoleGain[float], *, inverse: bool = False) -> Chain:
    """Return factors as a chain whose magnitude is 1 at 1 kHz.

    Parameters
    ----------
    found : ZeroPoleGain
        Time constants.
    inverse : bool, optional
        Whether zeros and poles change places.

    Returns
    -------
    Chain
        The function.
    """
    zeros, poles = found.zeros_s, found.poles_s
    origin = found.zeros_at_origin - found.poles_at_origin
    if inverse:
        zeros, poles, origin = poles, zeros, -origin
    plain = Chain(1.0, tuple(map(complex, zeros)), tuple(map(complex, poles)), origin)
    level = abs(complex(chain_response(plain, 2j * math.pi * REFERENCE_FREQUENCY_HZ)))
    return Chain(1.0 / level, plain.zeros_s, plain.poles_s, origin)


def network_chain(network: Network, *, loading: Loading) -> Chain:
    """Return a network between its source and load as a chain.

    Parameters
    ----------
    network : Network
        The network.
    loading : Loading
        Source and load.

    Returns
    -------
    Chain
        H(s) = output voltage / EMF; its value at 1 kHz is that of the compiled evaluation.
    """
    roots = network_roots(network, loading=loading)
    plain = Chain(1.0, roots.zeros_s, roots.poles_s, roots.zeros_at_origin)
    at_reference = complex(chain_response(plain, 2j * math.pi * REFERENCE_FREQUENCY_HZ))
    found = complex(transfer(network, REFERENCE_FREQUENCY_HZ, loading=loading)[0])
    return Chain((found / at_reference).real, roots.zeros_s, roots.poles_s, roots.zeros_at_origin)
