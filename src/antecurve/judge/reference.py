"""The capture chain from a reference capture taken with the unit bypassed.

The generator's square wave (or sweep) goes into the chain either straight or through the
network.  Which of the two is told by the record itself: through the network its harmonics rise
with the emphasis.  A reference through the network also cancels the network, but for the
difference between the unit's input and the chain's as its load.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.judge.capture import Capture, DirectResponse
from antecurve.judge.network_estimate import NetworkEstimate, network_log_response
from antecurve.networks.topology import Loading

__all__ = ["MeasuredChain", "measured_chains"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_LIKE_FREQUENCY = 0.05  # the table is interpolated between harmonics; 5 % moves none far


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredChain:
    """A chain's response as a reference capture shows it.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Where it was seen [Hz].
    log_response : numpy.ndarray of complex, shape (frequencies,)
        Natural logarithm, level and delay arbitrary; without phase the imaginary part is 0.
    relative_variance : numpy.ndarray of float, shape (frequencies,)
        Variance of each component of the logarithm, by what frequencies do not share.
    shared_errors : numpy.ndarray of complex, shape (errors, frequencies)
        What errors that frequencies and references share do to the logarithm, each by one
        standard uncertainty and independent of the others.
    beyond : NetworkEstimate or None
        The network as the reference saw it, when it went through; ``None`` when straight.
    kind : str
        Kind of the capture that showed it; of a square wave the generator's edge is included.
    polarity : int
        -1 where the chain turns a signal upside down, else 1.
    """

    frequency_hz: Floats
    log_response: Complex
    relative_variance: Floats
    shared_errors: Complex
    beyond: NetworkEstimate | None
    kind: str
    polarity: int = 1

    def mistuning(self, frequency_hz: float) -> float:
        """Compute how far its fundamental is off another frequency.

        Parameters
        ----------
        frequency_hz : float
            Fundamental of a capture [Hz].

        Returns
        -------
        float
            A fraction of that frequency, 0 or greater.
        """
        return abs(float(self.frequency_hz[0]) / frequency_hz - 1.0)

    def check_frequency(self, frequency_hz: float, name: str) -> None:
        """Refuse a capture at another frequency than the reference.

        Parameters
        ----------
        frequency_hz : float
            Fundamental of the capture [Hz].
        name : str
            How messages call the capture.

        Raises
        ------
        InputError
            When the fundamentals differ by more than 5 %.
        """
        if self.mistuning(frequency_hz) > _LIKE_FREQUENCY:
            raise InputError(
                f"reference for {name}",
                f"{self.frequency_hz[0]:.4g} Hz",
                f"take the reference at the capture's frequency, {frequency_hz:.4g} Hz",
            )

    def at(self, frequency_hz: Floats) -> Complex:
        """Interpolate the logarithm at other frequencies, linear between those seen.

        Parameters
        ----------
        frequency_hz : numpy.ndarray of float, shape (...)
            Frequencies [Hz]; below those seen the end value holds, above them a high corner of
            first order that meets the level at the end.

        Returns
        -------
        numpy.ndarray of complex, shape (...)
            Natural logarithm.
        """
        position, seen = np.log(frequency_hz), np.log(self.frequency_hz)
        real = np.interp(position, seen, self.log_response.real)
        inside = real + 1j * np.interp(position, seen, self.log_response.imag)
        return np.asarray(inside + self._beyond_end(frequency_hz))

    def _beyond_end(self, frequency_hz: Floats) -> Complex:
        """What a first-order corner does more than at the highest frequency seen."""
        from scipy.optimize import nnls

        # exp(-2 ln|H|) = a + b f^2 for a first-order corner; b/a is 1/corner^2.
        top = self.frequency_hz > self.frequency_hz[-1] / 4.0
        columns = np.stack([np.ones(top.sum()), self.frequency_hz[top] ** 2], axis=1)
        scale = columns[-1]
        coefficients, _ = nnls(columns / scale, np.exp(-2.0 * self.log_response.real[top]))
        level, curvature = coefficients / scale
        if level <= 0 or curvature <= 0:
            return np.zeros(frequency_hz.shape, dtype=complex)
        corner = math.sqrt(level / curvature)
        end = self.frequency_hz[-1]
        above = np.maximum(frequency_hz, end)
        more = np.log1p(1j * end / corner) - np.log1p(1j * above / corner)
        # The delay of the table is arbitrary; take off its share of the corner's phase.
        return np.asarray(more + 1j * (above - end) / corner)

    def seen_by_reference(self, sources: Floats, frequency_hz: Floats) -> Complex:
        """Look up what the table holds of the network's errors, to be taken off.

        The table holds the reference less the network by its best values; what the real network
        has more is in the reference and the captures alike and cancels.

        Parameters
        ----------
        sources : numpy.ndarray of float, shape (sources,)
            Settings of the sources of error.
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz].

        Returns
        -------
        numpy.ndarray of complex, shape (frequencies,)
            Natural logarithm; 0 when the reference did not go through the network.
        """
        if self.beyond is None:
            return np.zeros(frequency_hz.shape, dtype=complex)
        both = np.stack([np.zeros_like(sources), sources])
        best, real = network_log_response(self.beyond, both, frequency_hz)
        return np.asarray(best - real)

    def errors_at(self, frequency_hz: Floats) -> Complex:
        """Interpolate the shared errors at other frequencies.

        Parameters
        ----------
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz].

        Returns
        -------
        numpy.ndarray of complex, shape (errors, frequencies)
            What each does to the logarithm by one standard uncertainty.
        """
        position, seen = np.log(frequency_hz), np.log(self.frequency_hz)
        errors = np.empty((len(self.shared_errors), position.size), dtype=complex)
        for row, error in zip(errors, self.shared_errors, strict=True):
            row.real = np.interp(position, seen, error.real)
            row.imag = np.interp(position, seen, error.imag)
        return errors

    def variance_at(self, frequency_hz: Floats) -> Floats:
        """Interpolate the variance at other frequencies.

        Parameters
        ----------
        frequency_hz : numpy.ndarray of float, shape (...)
            Frequencies [Hz].

        Returns
        -------
        numpy.ndarray of float, shape (...)
            Variance of each component of the logarithm.
        """
        return np.interp(np.log(frequency_hz), np.log(self.frequency_hz), self.relative_variance)


def measured_chains(
    references: Sequence[Capture],
    *,
    estimate: NetworkEstimate,
    highest_hz: float,
    chain_loading: Loading | None = None,
) -> tuple[MeasuredChain, ...]:
    """Derive the chain's response from captures with the unit bypassed.

    Parameters
    ----------
    references : sequence of Capture
        The references; of the same kinds as the captures they serve.
    estimate : NetworkEstimate
        The network.
    highest_hz : float
        Highest frequency that counts [Hz].
    chain_loading : Loading, optional
        Load of the network during a reference through it; by default the unit's.

    Returns
    -------
    tuple of MeasuredChain
        One per reference, with the network as it saw it when it went through it.  The generator's
        edge is part of it.  The rows of their shared errors are the same sources.
    """
    through = replace(estimate, loading=chain_loading or estimate.loading)
    by_kind: dict[type[Capture], list[int]] = {}
    for number, reference in enumerate(references):
        by_kind.setdefault(type(reference), []).append(number)
    alike = [
        (numbers, kind.direct_responses([references[n] for n in numbers], highest_hz, through))
        for kind, numbers in by_kind.items()
    ]
    sources = sum(len(responses[0].shared_errors) for _, responses in alike)
    chains, first = dict[int, MeasuredChain](), 0
    for numbers, responses in alike:
        for number, direct in zip(numbers, responses, strict=True):
            errors = np.zeros((sources, direct.frequency_hz.size), dtype=complex)
            errors[first : first + len(direct.shared_errors)] = direct.shared_errors
            shown = replace(direct, shared_errors=errors)
            chains[number] = _chain(shown, through, references[number].kind)
        first += len(responses[0].shared_errors)
    return tuple(chains[number] for number in range(len(references)))


def _chain(direct: DirectResponse, through: NetworkEstimate, kind: str) -> MeasuredChain:
    frequency, response = direct.frequency_hz, direct.log_response
    emphasis = network_log_response(through, np.zeros(through.sources), frequency)
    straight = float(np.std(response.real))
    beyond = through if float(np.std((response - emphasis).real)) < straight else None
    if beyond is not None:
        response = response - emphasis
    middle = response.real[len(response) // 2]
    return MeasuredChain(
        frequency,
        _without_delay(frequency, response) + (middle if direct.gain_told else 0.0),
        direct.relative_variance,
        direct.shared_errors,
        beyond,
        kind,
        direct.polarity,
    )


def _without_delay(frequency: Floats, response: Complex) -> Complex:
    """Level at the middle and straight part of the phase taken off, both arbitrary."""
    if np.all(response.imag == 0):
        return np.asarray(response - response.real[len(response) // 2])
    slope = float(frequency @ response.imag / (frequency @ frequency))
    turned = response.imag - slope * frequency
    turned = turned - math.pi * round(float(np.median(turned)) / math.pi)
    return np.asarray(response.real - response.real[len(response) // 2] + 1j * turned)
