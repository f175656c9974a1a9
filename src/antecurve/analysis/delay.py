"""Phase and group delay of a network, and of network and playback together."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.analysis.correction import TABLE_FREQUENCIES_HZ
from antecurve.analysis.playback import IDEAL, Playback, playback_chain
from antecurve.arrays import hold_read_only
from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.poles_and_zeros import network_zero_pole_gain
from antecurve.results import Result

__all__ = ["DelayTable", "delay_table", "group_delay_s", "phase_deg"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class DelayTable(Result):
    """Phase and group delay over frequency.

    Arrays of shape (frequencies,), read-only.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float
        Frequencies [Hz].
    network_phase_deg, chain_phase_deg : numpy.ndarray of float
        Continuous phase of the network, and of network and playback [degrees].
    network_delay_s, chain_delay_s : numpy.ndarray of float
        Group delay of the network, and of network and playback [s]; negative where the phase
        rises with frequency.
    """

    frequency_hz: Floats
    network_phase_deg: Floats
    network_delay_s: Floats
    chain_phase_deg: Floats
    chain_delay_s: Floats

    def __post_init__(self) -> None:
        hold_read_only(self, *(f.name for f in fields(self)))


def phase_deg(chain: ZeroPoleGain[complex], frequency_hz: ArrayLike) -> Floats:
    """Add the phases of a chain's factors to its continuous phase.

    Parameters
    ----------
    chain : ZeroPoleGain
        Gain above 0.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies [Hz], above 0.

    Returns
    -------
    numpy.ndarray of float, shape (frequencies,)
        Phase [degrees], without jumps of 360 degrees.
    """
    s = 2j * math.pi * np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    phase = np.full(s.shape, 90.0 * chain.power_at_origin)
    for zero in chain.zeros_s:
        phase += np.degrees(np.angle(1.0 + s * zero))
    for pole in chain.poles_s:
        phase -= np.degrees(np.angle(1.0 + s * pole))
    return phase


def group_delay_s(chain: ZeroPoleGain[complex], frequency_hz: ArrayLike) -> Floats:
    """Work out the group delay -d(phase)/d(w) of a chain, in closed form.

    The factor 1 + j w T contributes Re(T/(1 + j w T)), with a minus sign for a zero.

    Parameters
    ----------
    chain : ZeroPoleGain
        The function.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies [Hz], above 0.

    Returns
    -------
    numpy.ndarray of float, shape (frequencies,)
        Group delay [s].
    """
    s = 2j * math.pi * np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    delay = np.zeros(s.shape)
    for pole in chain.poles_s:
        delay += (pole / (1.0 + s * pole)).real
    for zero in chain.zeros_s:
        delay -= (zero / (1.0 + s * zero)).real
    return delay


@checked
def delay_table(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    frequency_hz: ArrayLike = TABLE_FREQUENCIES_HZ,
    playback: Playback = IDEAL,
) -> DelayTable:
    """Work out phase and group delay of a network, and of network and playback.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    frequency_hz : array_like, shape (frequencies,), optional
        Frequencies [Hz], finite and above 0; those of ISO 266 in thirds of octaves by default.
    playback : Playback, optional
        Playback with a fault.

    Returns
    -------
    DelayTable
        The table.

    Raises
    ------
    InputError
        When a frequency is not finite and above 0, or the playback does not fit the curve.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    curve, loading = conditions.playback_curve, conditions.loading
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    if not np.all(np.isfinite(frequency) & (frequency > 0)):
        raise InputError("frequency", frequency_hz, "it must be finite and above 0 Hz")
    alone = network_zero_pole_gain(network, loading=loading)
    whole = alone.times(playback_chain(curve, playback))
    return DelayTable(
        frequency,
        phase_deg(alone, frequency),
        group_delay_s(alone, frequency),
        phase_deg(whole, frequency),
        group_delay_s(whole, frequency),
    )
