"""The least-squares problem of one or more captures of the same unit.

Unknown are the unit's constants, each with its broad prior, the network's sources of error (each
with a prior of variance 1), the generator's rise time within its uncertainty, and for each
capture a gain, a delay and, for a square wave, its duty.  Residuals are whitened: the noise of
the captures has variance 1.  Derivatives are exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.network_estimate import NetworkEstimate, network_log_response, network_slopes
from antecurve.judge.observation import Evaluation, Observation, Prediction, RiseTime
from antecurve.judge.reference import MeasuredChain
from antecurve.judge.signal_path import (
    CaptureChain,
    Generator,
    chain_log_response,
    probe_slopes,
)
from antecurve.judge.unit_model import UnitModel

__all__ = [
    "Bench",
    "FitProblem",
    "with_observations",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """What is given beside the unit.

    Attributes
    ----------
    estimate : NetworkEstimate
        The network with source and load.
    generator : Generator
        The generator.
    chain : CaptureChain
        The chain by its corners, with the probe.
    references : tuple of MeasuredChain
        The chain as references show it.
    """

    estimate: NetworkEstimate
    generator: Generator
    chain: CaptureChain
    references: tuple[MeasuredChain, ...] = ()

    @property
    def sources(self) -> int:
        """Number of sources of error: the network's, the probe's, and those of references."""
        of_references = len(self.references[0].shared_errors) if self.references else 0
        return self.estimate.sources + self.chain.probe_sources + of_references

    def path(self, observation: Observation, sources: Floats, frequency_hz: Floats) -> Complex:
        """Compute ln of all in the path of an observation but the unit.

        Parameters
        ----------
        observation : Observation
            The capture.
        sources : numpy.ndarray of float, shape (sources,)
            Settings of the sources of error.
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz], above 0.

        Returns
        -------
        numpy.ndarray of complex, shape (frequencies,)
            Natural logarithm.
        """
        total = self.fixed_path(observation, frequency_hz)
        known = self.estimate.sources
        if observation.through_network:
            total = total + network_log_response(self.estimate, sources[:known], frequency_hz)
            if observation.reference is not None:
                total += observation.reference.seen_by_reference(sources[:known], frequency_hz)
        return np.asarray(total + sources[known:] @ self.chain_slopes(observation, frequency_hz))

    def fixed_path(self, observation: Observation, frequency_hz: Floats) -> Complex:
        """Evaluate ln of the part of the path without a source of error: the capture chain.

        Parameters
        ----------
        observation : Observation
            The capture.
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz], above 0.

        Returns
        -------
        numpy.ndarray of complex, shape (frequencies,)
            Natural logarithm.
        """
        total = np.zeros(frequency_hz.shape, dtype=complex)
        if observation.through_chain:
            total = chain_log_response(self.chain, frequency_hz)
        reference = observation.reference
        return total if reference is None else total + reference.at(frequency_hz)

    def chain_slopes(self, observation: Observation, frequency_hz: Floats) -> Complex:
        """Derive the path of an observation by the errors of its probe or of its reference.

        Parameters
        ----------
        observation : Observation
            The capture.
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz], above 0.

        Returns
        -------
        numpy.ndarray of complex, shape (sources, frequencies)
            For one standard uncertainty of each source beside those of the network.
        """
        slopes = np.zeros((self.sources - self.estimate.sources, frequency_hz.size), dtype=complex)
        first = self.chain.probe_sources
        if observation.reference is not None:
            slopes[first:] = observation.reference.errors_at(frequency_hz)
        elif observation.through_chain:
            slopes[:first] = probe_slopes(self.chain, frequency_hz)
        return slopes

    def linearised_paths(
        self,
        observations: Sequence[Observation],
        sources: Floats,
        laid_out: LaidOutPaths,
        *,
        slopes: bool = True,
    ) -> tuple[Complex, Complex]:
        """Evaluate `path` of observations where they are evaluated, with its derivatives.

        A reference taken through the network leaves only the difference between the loads.

        Parameters
        ----------
        observations : sequence of Observation
            The captures.
        sources : numpy.ndarray of float, shape (sources,)
            Settings of the sources of error.
        laid_out : LaidOutPaths
            What of the paths does not move.
        slopes : bool, optional
            Whether the derivatives are wanted.

        Returns
        -------
        tuple of numpy.ndarray of complex
            Natural logarithm, shape (frequencies,), and its derivatives by the sources of error,
            shape (sources, frequencies); all frequencies of the first capture first.
        """
        frequency, known = laid_out.frequency_hz, self.estimate.sources
        network = network_slopes(self.estimate, sources[:known], frequency, slopes=slopes)
        total = laid_out.log_response.copy()
        by_source = np.zeros((self.sources if slopes else 0, frequency.size), dtype=complex)
        for observation, own in zip(observations, laid_out.parts, strict=True):
            if not observation.through_network:
                continue
            total[own] += network[0, own]
            by_source[:known, own] = network[1:, own]
            reference = observation.reference
            if reference is not None and reference.beyond is not None:
                total[own] += reference.seen_by_reference(sources[:known], frequency[own])
                if slopes:
                    beyond = network_slopes(reference.beyond, sources[:known], frequency[own])
                    by_source[:known, own] -= beyond[1:]
        if slopes:
            by_source[known:] = laid_out.by_chain
        return total + sources[known:] @ laid_out.by_chain, by_source


@dataclass(frozen=True, slots=True, eq=False)
class LaidOutPaths:
    """Where captures are evaluated, and what of their paths does not move.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        All frequencies of the first capture first [Hz].
    parts : tuple of slice
        Where those of each capture are.
    log_response : numpy.ndarray of complex, shape (frequencies,)
        `Bench.fixed_path`.
    by_chain : numpy.ndarray of complex, shape (sources, frequencies)
        `Bench.chain_slopes`.
    """

    frequency_hz: Floats
    parts: tuple[slice, ...]
    log_response: Complex
    by_chain: Complex

    @classmethod
    def of(
        cls, bench: Bench, observations: Sequence[Observation], at_hz: Sequence[Floats] = ()
    ) -> LaidOutPaths:
        """Lay out the paths of observations.

        Parameters
        ----------
        bench : Bench
            What is given.
        observations : sequence of Observation
            The captures.
        at_hz : sequence of numpy.ndarray of float, optional
            Frequencies for each [Hz]; by default those where it is evaluated.

        Returns
        -------
        LaidOutPaths
            All that the sources of error do not move.
        """
        each = list(at_hz) or [o.evaluated_hz for o in observations]
        ends = np.cumsum([hz.size for hz in each]).tolist()
        parts = tuple(map(slice, [0, *ends[:-1]], ends))
        both = list(zip(observations, each, strict=True))
        fixed = np.concatenate([bench.fixed_path(o, hz) for o, hz in both])
        by_chain = np.hstack([bench.chain_slopes(o, hz) for o, hz in both])
        return cls(np.concatenate(each), parts, fixed, by_chain)


@dataclass(frozen=True, slots=True, eq=False)
class FitProblem:
    """Observations, unit model and bench together.

    Attributes
    ----------
    observations : tuple of Observation
        The captures.
    model : UnitModel
        The family of units.
    bench : Bench
        What is given.
    """

    observations: tuple[Observation, ...]
    model: UnitModel
    bench: Bench
    _paths: LaidOutPaths = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_paths", LaidOutPaths.of(self.bench, self.observations))

    @property
    def unit_count(self) -> int:
        """Number of constants of the unit; they come first among the unknowns."""
        return len(self.model.parameters)

    @property
    def priors(self) -> int:
        """Number of unknowns of the bench: sources of error, and the rise time if uncertain."""
        return self.bench.sources + int(self._rise_uncertain)

    @property
    def _rise_uncertain(self) -> bool:
        return self.bench.generator.rise_time_uncertainty_s > 0

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return self.unit_count + self.priors + sum(o.nuisances for o in self.observations)

    def nuisance(self, unknowns: Floats, index: int) -> Floats:
        """Take one observation's own unknowns.

        Parameters
        ----------
        unknowns : numpy.ndarray of float, shape (size,)
            All unknowns.
        index : int
            Which observation.

        Returns
        -------
        numpy.ndarray of float, shape (nuisances,)
            Gain, delay, duty in the fit's coordinates.
        """
        before = sum(o.nuisances for o in self.observations[:index])
        first = self.unit_count + self.priors + before
        return unknowns[first : first + self.observations[index].nuisances]

    def rise_time(self, unknowns: Floats) -> RiseTime:
        """Take the rise time where the unknowns put it.

        Parameters
        ----------
        unknowns : numpy.ndarray of float, shape (size,)
            All unknowns.

        Returns
        -------
        RiseTime
            Value and standard uncertainty.
        """
        known = self.bench.generator
        if not self._rise_uncertain:
            return RiseTime(known.rise_time_s)
        moved = unknowns[self.unit_count + self.priors - 1] * known.rise_time_uncertainty_s
        return RiseTime(max(0.0, known.rise_time_s + moved), known.rise_time_uncertainty_s)

    def log_response(self, unknowns: Floats, frequency_hz: Floats, index: int) -> Complex:
        """Compute ln of all in the path of an observation.

        Parameters
        ----------
        unknowns : numpy.ndarray of float, shape (size,)
            All unknowns.
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz], above 0.
        index : int
            Which observation.

        Returns
        -------
        numpy.ndarray of complex, shape (frequencies,)
            Natural logarithm, gain and delay apart.
        """
        units, sources = self._split(unknowns)
        total = self.model.log_response(units, frequency_hz)
        return np.asarray(total + self.beside_unit(sources, frequency_hz, index))

    def beside_unit(self, sources: Floats, frequency_hz: Floats, index: int) -> Complex:
        """Compute ln of all in the path of an observation but the unit.

        Parameters
        ----------
        sources : numpy.ndarray of float, shape (sources,)
            Settings of the sources of error.
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz], above 0.
        index : int
            Which observation.

        Returns
        -------
        numpy.ndarray of complex, shape (frequencies,)
            Natural logarithm.
        """
        return self.bench.path(self.observations[index], sources, frequency_hz)

    def prediction(self, unknowns: Floats, index: int) -> Prediction:
        """Predict an observation by a fit.

        Parameters
        ----------
        unknowns : numpy.ndarray of float, shape (size,)
            All unknowns.
        index : int
            Which observation.

        Returns
        -------
        Prediction
            At any frequencies.
        """
        return Prediction(
            self.nuisance(unknowns, index),
            self.rise_time(unknowns).value_s,
            lambda frequency_hz: self.log_response(unknowns, frequency_hz, index),
        )

    def shared_slopes(self, unknowns: Floats, frequency_hz: Floats, index: int) -> Complex:
        """Derive ln of all in the path of an observation by unknowns that captures share.

        Parameters
        ----------
        unknowns : numpy.ndarray of float, shape (size,)
            All unknowns.
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz], above 0.
        index : int
            Which observation.

        Returns
        -------
        numpy.ndarray of complex, shape (frequencies, unknowns)
            By the unit's constants, then by the sources of error.
        """
        paths = LaidOutPaths.of(self.bench, [self.observations[index]], [frequency_hz])
        return self._linearised(unknowns, paths, [self.observations[index]])[1]

    def _linearised(
        self, unknowns: Floats, paths: LaidOutPaths, observations: Sequence[Observation] = ()
    ) -> tuple[Complex, Complex]:
        """ln of all in the paths of observations, all by default, and its derivatives."""
        units, sources = self._split(unknowns)
        unit = self.model.linearised(units, paths.frequency_hz)
        path, slopes = self.bench.linearised_paths(
            observations or self.observations, sources, paths
        )
        # Laid out unknown by unknown, as all that follows reads them.
        return unit.value + path, np.vstack([unit.derivative.T, slopes]).T

    def _split(self, unknowns: Floats) -> tuple[Floats, Floats]:
        count = self.unit_count
        return unknowns[:count], unknowns[count : count + self.bench.sources]

    def evaluate(self, unknowns: Floats) -> Evaluation:
        """Compute whitened residuals and their derivatives.

        Parameters
        ----------
        unknowns : numpy.ndarray of float, shape (size,)
            Unit, sources of error, rise time, then each capture's own.

        Returns
        -------
        Evaluation
            Residuals and derivatives.
        """
        total, shared = self._linearised(unknowns, self._paths)
        units = self._split(unknowns)[0]
        rise = self.rise_time(unknowns)
        data_rows = sum(o.rows for o in self.observations)
        common = self.unit_count + self.priors
        residual = np.empty(data_rows + common)
        jacobian = np.zeros((residual.size, self.size), order="F")
        first, before = 0, common
        for observation, own in zip(self.observations, self._paths.parts, strict=True):
            rows = slice(first, first + observation.rows)
            after = before + observation.nuisances
            part = observation.evaluate(unknowns[before:after], total[own], shared[own], rise)
            residual[rows] = part.residual
            jacobian[rows, :common] = part.jacobian[:, :common]
            jacobian[rows, before:after] = part.jacobian[:, common:]
            first, before = rows.stop, after
        unit_residuals, unit_slopes = self.model.priors(units)
        residual[data_rows:] = np.append(unit_residuals, unknowns[self.unit_count : common])
        priors = np.arange(common)
        jacobian[data_rows + priors, priors] = np.append(unit_slopes, np.ones(self.priors))
        return Evaluation(residual, jacobian, data_rows)

    def residual(self, unknowns: Floats) -> Floats:
        """Compute whitened residuals alone, as `evaluate` does but for rounding.

        Parameters
        ----------
        unknowns : numpy.ndarray of float, shape (size,)
            As in `evaluate`.

        Returns
        -------
        numpy.ndarray of float, shape (rows,)
            Those of the captures, then those of the priors.
        """
        units, sources = self._split(unknowns)
        total = self.model.log_response(units, self._paths.frequency_hz)
        paths = self._paths
        total = (
            total + self.bench.linearised_paths(self.observations, sources, paths, slopes=False)[0]
        )
        rise, common = self.rise_time(unknowns), self.unit_count + self.priors
        parts, before = list[Floats](), common
        for observation, own in zip(self.observations, self._paths.parts, strict=True):
            after = before + observation.nuisances
            nuisance = unknowns[before:after]
            parts.append(observation.residual(nuisance, total[own], rise))
            before = after
        of_bench = unknowns[self.unit_count : common]
        return np.concatenate([*parts, self.model.priors(units)[0], of_bench])


def with_observations(problem: FitProblem, observations: Sequence[Observation]) -> FitProblem:
    """State the problem with other observations.

    Parameters
    ----------
    problem : FitProblem
        The problem.
    observations : sequence of Observation
        The observations.

    Returns
    -------
    FitProblem
        Same model and bench.
    """
    return FitProblem(tuple(observations), problem.model, problem.bench)
