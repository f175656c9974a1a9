"""Harmonics that a reduction passes over, taken off a record as a fit predicts them.

A record holds more harmonics than its reduction: those passed over, and those beyond its reach
that the sampling folds back.  They follow the fit: with d the change of ln of the response since
they were taken off, each is off by its amplitude times d, to first order.  The change is smooth,
so that it is known from its values at a few nodes, and what the nodes do to the reduction is
calculated once for a record.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.judge.harmonics import HarmonicModel, along_record, one_period
from antecurve.judge.observation import Prediction
from antecurve.judge.periodic import HarmonicBasis
from antecurve.judge.record import Record

__all__ = ["PassedOver", "node_frequencies", "passed_over", "with_harmonics_off"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_NODES_PER_OCTAVE = 1.0  # a first-order corner that moves is straight to 3 % between them
_NEAR = 0.1  # of an amplitude: by as much slopes are off, of harmonics that count little
_SLOPE_REACH = 0.25  # of the highest order: beyond, a sixteenth of the power is folded back
_MOST_OF_RECORD = 1e6  # times its swing: far beyond any fit, far from an overflow
_OVERSAMPLING = 4  # of the highest harmonic, of whose slope a chord takes a tenth off


@dataclass(frozen=True, slots=True, eq=False)
class PassedOver:
    """Harmonics taken off a record, linearised about the fit they were predicted by.

    Attributes
    ----------
    node_hz : numpy.ndarray of float, shape (nodes,)
        Frequencies of the nodes [Hz], ascending.
    node_response : numpy.ndarray of complex, shape (nodes,)
        ln of the response that they were predicted by.
    nuisance : numpy.ndarray of float, shape (3,)
        Gain, delay and duty that they were predicted by, in the fit's coordinates.
    slope : numpy.ndarray of float, shape (2 harmonics, 2 nodes + 3)
        Derivative of their reduction q [V] by real and imaginary part of ln of the response at
        the nodes, then by gain, delay and duty.
    turn : numpy.ndarray of float, shape (nodes,)
        Phase at the nodes by the delay's coordinate [rad].
    laid_out_at : numpy.ndarray of complex, shape (nodes,)
        ln of amplitude, gain and delay included, by which the slopes were calculated.
    """

    node_hz: Floats
    node_response: Complex
    nuisance: Floats
    slope: Floats
    turn: Floats
    laid_out_at: Complex

    def at(self, prediction: Prediction) -> PassedOver | None:
        """Predict them by a fit near that by which the slopes were calculated.

        Parameters
        ----------
        prediction : Prediction
            The fit.

        Returns
        -------
        PassedOver or None
            ``None`` where the slopes would be off by more than 10 %.
        """
        response = prediction.log_response(self.node_hz)
        at = _with_nuisance(response, prediction, self.turn)
        if np.abs(at - self.laid_out_at).max() > _NEAR:
            return None
        return replace(self, node_response=response, nuisance=prediction.nuisance)

    def change(self, node_response: Complex, nuisance: Floats) -> Floats:
        """Evaluate by how much their reduction is off another fit.

        Parameters
        ----------
        node_response : numpy.ndarray of complex, shape (nodes,)
            ln of the response at the nodes.
        nuisance : numpy.ndarray of float, shape (3,)
            Gain, delay and duty.

        Returns
        -------
        numpy.ndarray of float, shape (2 harmonics,)
            Change of q [V].
        """
        moved = node_response - self.node_response
        parts = np.concatenate([moved.real, moved.imag, nuisance - self.nuisance])
        return np.asarray(self.slope @ parts)

    def slopes(self, shared: Complex) -> tuple[Floats, Floats]:
        """Differentiate `change`.

        Parameters
        ----------
        shared : numpy.ndarray of complex, shape (nodes, unknowns)
            Derivatives of ln of the response at the nodes.

        Returns
        -------
        tuple of numpy.ndarray of float
            By the unknowns, shape (2 harmonics, unknowns), and by gain, delay and duty.
        """
        parts = 2 * self.node_hz.size
        by_nodes = np.concatenate([shared.real, shared.imag])
        return (by_nodes.T @ self.slope[:, :parts].T).T, self.slope[:, parts:]


def node_frequencies(frequency_hz: Floats) -> Floats:
    """Choose nodes for a smooth change over frequencies.

    Parameters
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        The frequencies [Hz], ascending.

    Returns
    -------
    numpy.ndarray of float, shape (nodes,)
        From the lowest to the highest [Hz], at least two.
    """
    low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    count = math.ceil(_NODES_PER_OCTAVE * math.log2(high / low)) + 1
    return np.geomspace(low, max(high, 2.0 * low), max(count, 2))


def with_harmonics_off(
    basis: HarmonicBasis, orders: Floats, amplitudes: Complex, *, first: bool, name: str
) -> tuple[HarmonicBasis, Floats]:
    """Take harmonics off a record, at the frequency that the remainder asks for.

    Parameters
    ----------
    basis : HarmonicBasis
        The reduction of the record.
    orders : numpy.ndarray of float, shape (harmonics,)
        Orders of the harmonics.
    amplitudes : numpy.ndarray of complex, shape (harmonics,)
        Their amplitudes [V].
    first : bool
        Whether the reduction was made before any were taken off: its column of the frequency
        then lacks them.
    name : str
        How messages call the capture.

    Returns
    -------
    tuple of HarmonicBasis and numpy.ndarray of float, shape (samples,)
        The reduction at that frequency, and what is left of the record [V].

    Raises
    ------
    InputError
        When they are a million times as large as the record.
    """
    record, period = basis.record, one_period(orders, amplitudes[:, None])
    wave = along_record(record, period)[0]
    # Written so that what is no number is refused too.
    if not float(np.abs(wave).max()) < _MOST_OF_RECORD * float(np.ptp(record.volts)):
        raise InputError(
            name,
            "a record that no unit's response describes",
            "check that the square wave reaches the output, well above noise and hum",
        )
    step, own = basis.frequency_step(record.volts - wave)
    if first:
        whole = basis.moved(0.0, own, name=name, unused_slope=_by_frequency(record, wave))
        step, own = whole.frequency_step(record.volts - wave)
    record = replace(record, frequency_hz=record.frequency_hz + step)
    wave = along_record(record, period)[0]
    moved = basis.moved(step, own, name=name, unused_slope=_by_frequency(record, wave))
    return moved, record.volts - wave


def _by_frequency(record: Record, wave: Floats) -> Floats:
    """Derivative of a periodic wave by its frequency [V/Hz]."""
    return np.asarray(np.gradient(wave, record.time_s) * record.time_s / record.frequency_hz)


def passed_over(
    basis: HarmonicBasis,
    orders: Floats,
    model: HarmonicModel,
    by_own: Complex,
    prediction: Prediction,
    delay_unit_s: float,
    edges_within_a_sample: bool = False,
) -> PassedOver:
    """Linearise harmonics about the fit they are predicted by.

    Parameters
    ----------
    basis : HarmonicBasis
        The reduction of the record.
    orders : numpy.ndarray of float, shape (harmonics,)
        Orders of the harmonics.
    model : HarmonicModel
        Their amplitudes.
    by_own : numpy.ndarray of complex, shape (harmonics, 3)
        Derivatives of their amplitudes by gain, delay and duty [V].
    prediction : Prediction
        The fit.
    delay_unit_s : float
        Unit of the delay's coordinate [s].
    edges_within_a_sample : bool, optional
        Whether nothing takes the highest harmonics off: a step of the delay is then too long for
        their slopes, which are left out.

    Returns
    -------
    PassedOver
        To be taken off.
    """
    frequency = orders * basis.record.frequency_hz
    node_hz = node_frequencies(frequency)
    position = np.interp(np.log(frequency), np.log(node_hz), np.arange(node_hz.size))
    reach = _SLOPE_REACH if edges_within_a_sample else 1.0
    count = int(np.searchsorted(orders, reach * orders[-1], "right"))
    parts = []
    for node in range(node_hz.size):
        near = slice(*np.searchsorted(position[:count], (node - 1.0, node + 1.0)))
        part = model.value[near] * np.maximum(0.0, 1.0 - np.abs(position[near] - node))
        parts.append(_summed(basis, orders[near], np.stack([part, 1j * part])))
    real, imaginary = ([part[k] for part in parts] for k in (0, 1))
    waves = np.vstack([*real, *imaginary, _summed(basis, orders[:count], by_own[:count].T)])
    slope, response = basis.reduced(waves).T, prediction.log_response(node_hz)
    turn = 2.0 * math.pi * node_hz * delay_unit_s
    laid_out_at = _with_nuisance(response, prediction, turn)
    return PassedOver(node_hz, response, prediction.nuisance, slope, turn, laid_out_at)


def _summed(basis: HarmonicBasis, orders: Floats, amplitudes: Complex) -> Floats:
    """Waveforms of harmonics, the highest of which decides how finely they are laid out.

    Amplitudes and waveforms have one row each.
    """
    if not orders.size:
        return np.zeros((len(amplitudes), basis.record.time_s.size))
    period = one_period(orders, amplitudes.T, oversampling=_OVERSAMPLING)
    return along_record(basis.record, period)


def _with_nuisance(node_response: Complex, prediction: Prediction, turn: Floats) -> Complex:
    gain, delay, _ = prediction.nuisance
    return np.asarray(node_response + gain - 1j * turn * delay)
