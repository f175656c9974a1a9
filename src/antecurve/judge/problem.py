"""The least-squares problem of one or more captures of the same unit.

Unknown are the unit's constants, the network's sources of error (each with its own prior of
variance 1), the generator's rise time within its uncertainty, and for each capture a gain, a
delay and, for a square wave, its duty.  Residuals are whitened: the noise of the captures has
variance 1.  Derivatives are exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.network_estimate import NetworkEstimate, network_log_response, network_slopes
from antecurve.judge.observations import Block, Evaluation, RiseTime
from antecurve.judge.reference import MeasuredChain
from antecurve.judge.signal_path import CaptureChain, Generator, chain_log_response
from antecurve.judge.unit_model import UnitModel

__all__ = [
    "Bench",
    "FitProblem",
    "with_blocks",
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
        The chain by its corners.
    measured : MeasuredChain or None
        The chain by a reference capture.
    """

    estimate: NetworkEstimate
    generator: Generator
    chain: CaptureChain
    measured: MeasuredChain | None = None

    def fixed_log_response(self, frequency_hz: Floats) -> Complex:
        """Return what the chain does.

        Parameters
        ----------
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz], above 0.

        Returns
        -------
        numpy.ndarray of complex, shape (frequencies,)
            Natural logarithm.
        """
        total = chain_log_response(self.chain, frequency_hz)
        if self.measured is not None:
            total = total + self.measured.at(frequency_hz)
        return total

    def log_response(self, sources: Floats, frequency_hz: Floats) -> Complex:
        """Return what network and chain do.

        Parameters
        ----------
        sources : numpy.ndarray of float, shape (sources,)
            Settings of the sources of error.
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz], above 0.

        Returns
        -------
        numpy.ndarray of complex, shape (frequencies,)
            Natural logarithm.
        """
        total = network_log_response(self.estimate, sources, frequency_hz)
        if self.measured is not None and self.measured.beyond is not None:
            total = total + self.measured.seen_by_reference(sources, frequency_hz)
        return np.asarray(total + self.fixed_log_response(frequency_hz))

    def network(self, sources: Floats, frequency_hz: Floats) -> Complex:
        """Return the network's part and its derivatives by the sources of error.

        A reference taken through the network leaves only the difference between the loads.

        Parameters
        ----------
        sources : numpy.ndarray of float, shape (sources,)
            Settings of the sources of error.
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz], above 0.

        Returns
        -------
        numpy.ndarray of complex, shape (1 + sources, frequencies)
            Natural logarithm, then one derivative per row.
        """
        found = network_slopes(self.estimate, sources, frequency_hz)
        if self.measured is not None and self.measured.beyond is not None:
            found[0] += self.measured.seen_by_reference(sources, frequency_hz)
            found[1:] -= network_slopes(self.measured.beyond, sources, frequency_hz)[1:]
        return found


@dataclass(frozen=True, slots=True, eq=False)
class FitProblem:
    """Blocks, unit model and bench together.

    Attributes
    ----------
    blocks : tuple of SquareBlock or SweepBlock
        The captures.
    model : UnitModel
        The family of units.
    bench : Bench
        What is given.
    """

    blocks: tuple[Block, ...]
    model: UnitModel
    bench: Bench

    @property
    def unit_count(self) -> int:
        """Number of constants of the unit; they come first among the unknowns."""
        return len(self.model.parameters)

    @property
    def priors(self) -> int:
        """Number of unknowns with a prior: sources of error, and the rise time if uncertain."""
        return self.bench.estimate.sources + int(self._rise_uncertain)

    @property
    def _rise_uncertain(self) -> bool:
        return self.bench.generator.rise_time_uncertainty_s > 0

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return self.unit_count + self.priors + sum(b.own for b in self.blocks)

    def own(self, unknowns: Floats, place: int) -> Floats:
        """Return one block's own unknowns.

        Parameters
        ----------
        unknowns : numpy.ndarray of float, shape (size,)
            All unknowns.
        place : int
            Which block.

        Returns
        -------
        numpy.ndarray of float, shape (own,)
            Gain, delay, duty in the fit's coordinates.
        """
        before = self.unit_count + self.priors + sum(b.own for b in self.blocks[:place])
        return unknowns[before : before + self.blocks[place].own]

    def rise_time(self, unknowns: Floats) -> RiseTime:
        """Return the rise time where the unknowns put it.

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

    def log_response(self, unknowns: Floats, frequency_hz: Floats) -> Complex:
        """Return ln of network, unit and chain.

        Parameters
        ----------
        unknowns : numpy.ndarray of float, shape (size,)
            All unknowns.
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz], above 0.

        Returns
        -------
        numpy.ndarray of complex, shape (frequencies,)
            Natural logarithm, gain and delay left out.
        """
        units, sources = self._split(unknowns)
        total = self.model.log_response(units, frequency_hz)
        return np.asarray(total + self.bench.log_response(sources, frequency_hz))

    def _split(self, unknowns: Floats) -> tuple[Floats, Floats]:
        count = self.unit_count
        return unknowns[:count], unknowns[count : count + self.bench.estimate.sources]

    def evaluate(self, unknowns: Floats) -> Evaluation:
        """Return whitened residuals and their derivatives.

        Parameters
        ----------
        unknowns : numpy.ndarray of float, shape (size,)
            Unit, sources of error, rise time, then each capture's own.

        Returns
        -------
        Evaluation
            Residuals and derivatives.
        """
        units, sources = self._split(unknowns)
        frequency = np.concatenate([b.frequency_hz for b in self.blocks])
        unit = self.model.linearised(units, frequency)
        network = self.bench.network(sources, frequency)
        total = unit.value + network[0] + self.bench.fixed_log_response(frequency)
        shared = np.hstack([unit.derivative, network[1:].T])
        rise = self.rise_time(unknowns)
        rows, slopes, first = [], [], 0
        common = self.unit_count + self.priors
        before = common
        for place, block in enumerate(self.blocks):
            last = first + block.frequency_hz.size
            part = block.evaluate(
                self.own(unknowns, place), total[first:last], shared[first:last], rise, units
            )
            wide = np.zeros((part.residual.size, self.size))
            wide[:, :common] = part.jacobian[:, :common]
            wide[:, before : before + block.own] = part.jacobian[:, common:]
            rows.append(part.residual)
            slopes.append(wide)
            first, before = last, before + block.own
        data_rows = sum(r.size for r in rows)
        prior = np.zeros((self.priors, self.size))
        prior[:, self.unit_count : common] = np.eye(self.priors)
        rows.append(unknowns[self.unit_count : common])
        return Evaluation(np.concatenate(rows), np.vstack([*slopes, prior]), data_rows)


def with_blocks(problem: FitProblem, blocks: Sequence[Block]) -> FitProblem:
    """Return the problem with other blocks.

    Parameters
    ----------
    problem : FitProblem
        The problem.
    blocks : sequence of SquareBlock or SweepBlock
        The blocks.

    Returns
    -------
    FitProblem
        Same model and bench.
    """
    return FitProblem(tuple(blocks), problem.model, problem.bench)
