"""The least-squares problem of one or more captures of the same unit.

Unknown are the unit's constants, the network's sources of error (each with its own prior of
variance 1), the generator's rise time within its uncertainty, and for each capture a gain, a
delay and, for a square wave, its duty.  Residuals are whitened: the noise of the captures has
variance 1.  Derivatives are exact but for the network's, which are central differences.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.bench.captures import SweepCapture
from antecurve.bench.generator import CaptureChain, Generator, chain_log_response, square_harmonics
from antecurve.bench.knowledge import NetworkKnowledge, network_log_response, network_slopes
from antecurve.bench.periodic import HarmonicBasis
from antecurve.bench.reference import MeasuredChain
from antecurve.bench.unit_model import UnitModel

__all__ = [
    "Bench",
    "Block",
    "Evaluation",
    "FitProblem",
    "FoldedRest",
    "HarmonicModel",
    "RiseTime",
    "SquareBlock",
    "SweepBlock",
    "with_blocks",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

NEPER_PER_DB = math.log(10.0) / 20.0
DUTY_UNIT = 1e-3
_DELAY_PER_PERIOD = 1e-3
_SWEEP_DELAY = 1e-5


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """What is given beside the unit.

    Attributes
    ----------
    knowledge : NetworkKnowledge
        The network with source and load.
    generator : Generator
        The generator.
    chain : CaptureChain
        The chain by its corners.
    measured : MeasuredChain or None
        The chain by a reference capture.
    """

    knowledge: NetworkKnowledge
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
        total = network_log_response(self.knowledge, sources, frequency_hz)
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
        found = network_slopes(self.knowledge, sources, frequency_hz)
        if self.measured is not None and self.measured.beyond is not None:
            found[0] += self.measured.seen_by_reference(sources, frequency_hz)
            found[1:] -= network_slopes(self.measured.beyond, sources, frequency_hz)[1:]
        return found


@dataclass(frozen=True, slots=True)
class RiseTime:
    """Rise time of the generator's edge, 10 to 90 %.

    Attributes
    ----------
    value_s : float
        Its value [s].
    uncertainty_s : float
        Its standard uncertainty [s]; 0 when it is taken as known.
    """

    value_s: float
    uncertainty_s: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class HarmonicModel:
    """Model amplitudes of harmonics with what their derivatives need.

    Attributes
    ----------
    value : numpy.ndarray of complex, shape (harmonics,)
        Amplitudes [V].
    omega : numpy.ndarray of float, shape (harmonics,)
        Angular frequencies [rad/s].
    by_duty, by_rise_time : numpy.ndarray of complex, shape (harmonics,)
        Derivatives by the duty [V] and by the rise time [V/s].
    """

    value: Complex
    omega: Floats
    by_duty: Complex
    by_rise_time: Complex


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """Residuals at a point.

    Attributes
    ----------
    residual : numpy.ndarray of float, shape (rows,)
        Whitened residuals, data first, then the priors.
    jacobian : numpy.ndarray of float, shape (rows, unknowns)
        Derivatives.
    data_rows : int
        Number of leading rows that belong to data.
    """

    residual: Floats
    jacobian: Floats
    data_rows: int


@dataclass(frozen=True, slots=True, eq=False)
class FoldedRest:
    """The harmonics taken off a record, linearised about the fit they were predicted by.

    Attributes
    ----------
    slope : numpy.ndarray of float, shape (2 harmonics, constants + 3)
        Derivative of their reduction q by the unit's constants, gain, delay and duty [V].
    origin : numpy.ndarray of float, shape (constants + 3,)
        The fit that they were predicted by, in its coordinates.
    """

    slope: Floats
    origin: Floats


@dataclass(frozen=True, slots=True, eq=False)
class SquareBlock:
    """A reduced square-wave capture.

    Attributes
    ----------
    name : str
        How messages call it.
    basis : HarmonicBasis
        The reduction.
    data : numpy.ndarray of float, shape (2 harmonics,)
        q of the reduction [V].
    sigma : float
        Standard deviation of the whitened data [V].
    rest : FoldedRest or None
        How the harmonics taken off beforehand move with the unit.
    """

    name: str
    basis: HarmonicBasis
    data: Floats
    sigma: float
    rest: FoldedRest | None = None

    @property
    def own(self) -> int:
        """Number of own unknowns: gain, delay, duty."""
        return 3

    @property
    def frequency_hz(self) -> Floats:
        """Frequencies of the harmonics [Hz]."""
        return self.basis.orders * self.basis.record.frequency_hz

    @property
    def delay_unit(self) -> float:
        """Unit of the delay coordinate [s]."""
        return _DELAY_PER_PERIOD / self.basis.record.frequency_hz

    def amplitudes(
        self, own: Floats, log_response: Complex, orders: Floats, rise_time_s: float
    ) -> HarmonicModel:
        """Return model amplitudes of any harmonics.

        Parameters
        ----------
        own : numpy.ndarray of float, shape (3,)
            ln gain, delay, duty in the fit's coordinates.
        log_response : numpy.ndarray of complex, shape (harmonics,)
            ln of network, unit and chain.
        orders : numpy.ndarray of float, shape (harmonics,)
            Orders.
        rise_time_s : float
            Rise time [s].

        Returns
        -------
        HarmonicModel
            Amplitudes and derivatives.
        """
        fundamental = self.basis.record.frequency_hz
        omega = 2.0 * math.pi * fundamental * orders
        shape = square_harmonics(
            orders,
            frequency_hz=fundamental,
            duty=0.5 + DUTY_UNIT * own[2],
            rise_time_s=rise_time_s,
        )
        window = np.sinc(orders * fundamental * self.basis.record.averaged_s)
        factor = window * np.exp(own[0] + log_response - 1j * omega * own[1] * self.delay_unit)
        return HarmonicModel(
            shape.value * factor, omega, shape.by_duty * factor, shape.by_rise_time * factor
        )

    def own_slopes(self, model: HarmonicModel) -> Complex:
        """Return derivatives of amplitudes by gain, delay and duty.

        Parameters
        ----------
        model : HarmonicModel
            The amplitudes.

        Returns
        -------
        numpy.ndarray of complex, shape (harmonics, 3)
            In the fit's coordinates [V].
        """
        delay = -1j * model.omega * self.delay_unit * model.value
        return np.stack([model.value, delay, model.by_duty * DUTY_UNIT], axis=1)

    def evaluate(
        self, own: Floats, total: Complex, shared: Complex, rise: RiseTime, units: Floats
    ) -> Evaluation:
        """Return whitened residuals and their derivatives.

        Parameters
        ----------
        own : numpy.ndarray of float, shape (own,)
            Own unknowns in the fit's coordinates.
        total : numpy.ndarray of complex, shape (frequencies,)
            ln of network, unit and chain.
        shared : numpy.ndarray of complex, shape (frequencies, constants + sources)
            Its derivatives by the shared unknowns.
        rise : RiseTime
            Rise time; its column follows the shared ones when it is uncertain.
        units : numpy.ndarray of float, shape (constants,)
            The unit in the fit's coordinates.

        Returns
        -------
        Evaluation
            Columns: shared, rise time, own.
        """
        found = self.amplitudes(own, total, self.basis.orders, rise.value_s)
        value = found.value
        columns = [value[:, None] * shared]
        if rise.uncertainty_s > 0:
            columns.append((found.by_rise_time * rise.uncertainty_s)[:, None])
        columns.append(self.own_slopes(found))
        slopes = np.hstack(columns)
        weight = self.basis.whitener / self.sigma
        residual = weight @ np.concatenate([value.real, value.imag]) - self.data / self.sigma
        jacobian = weight @ np.vstack([slopes.real, slopes.imag])
        if self.rest is not None:
            slope = self.rest.slope / self.sigma
            residual += slope @ (np.concatenate([units, own]) - self.rest.origin)
            jacobian[:, : units.size] += slope[:, : units.size]
            jacobian[:, -own.size :] += slope[:, units.size :]
        return Evaluation(residual, jacobian, residual.size)


@dataclass(frozen=True, slots=True, eq=False)
class SweepBlock:
    """A sweep.

    Attributes
    ----------
    capture : SweepCapture
        The sweep.
    sigma_db : float
        Standard deviation of a level [dB].
    sigma_rad : float
        Standard deviation of a phase [rad].
    """

    capture: SweepCapture
    sigma_db: float
    sigma_rad: float

    @property
    def name(self) -> str:
        """How messages call it."""
        return self.capture.name

    @property
    def own(self) -> int:
        """Number of own unknowns: gain, and a delay when there is a phase."""
        return 1 if self.capture.phase_deg is None else 2

    @property
    def frequency_hz(self) -> Floats:
        """Frequencies [Hz]."""
        return self.capture.frequency_hz

    @property
    def delay_unit(self) -> float:
        """Unit of the delay coordinate [s]."""
        return _SWEEP_DELAY

    def evaluate(
        self, own: Floats, total: Complex, shared: Complex, rise: RiseTime, units: Floats
    ) -> Evaluation:
        """Return whitened residuals and their derivatives.

        Parameters
        ----------
        own : numpy.ndarray of float, shape (own,)
            Own unknowns in the fit's coordinates.
        total : numpy.ndarray of complex, shape (frequencies,)
            ln of network, unit and chain.
        shared : numpy.ndarray of complex, shape (frequencies, constants + sources)
            Its derivatives by the shared unknowns.
        rise : RiseTime
            Rise time; its column follows the shared ones when it is uncertain.
        units : numpy.ndarray of float, shape (constants,)
            The unit in the fit's coordinates.

        Returns
        -------
        Evaluation
            Columns: shared, rise time, own.
        """
        count = total.size
        rise_column = np.zeros((count, int(rise.uncertainty_s > 0)))
        scale = self.sigma_db * NEPER_PER_DB
        residual = (total.real + own[0] - self.capture.level_db * NEPER_PER_DB) / scale
        own_columns = np.zeros((count, self.own))
        own_columns[:, 0] = 1.0
        jacobian = np.hstack([shared.real, rise_column, own_columns]) / scale
        if self.capture.phase_deg is None:
            return Evaluation(residual, jacobian, count)
        omega = 2.0 * math.pi * self.frequency_hz * self.delay_unit
        turn = total.imag - omega * own[1] - np.deg2rad(self.capture.phase_deg)
        turn = np.angle(np.exp(2j * turn)) / 2.0  # inverted polarity does not matter
        phase_columns = np.zeros((count, 2))
        phase_columns[:, 1] = -omega
        phase_jacobian = np.hstack([shared.imag, rise_column, phase_columns]) / self.sigma_rad
        return Evaluation(
            np.concatenate([residual, turn / self.sigma_rad]),
            np.vstack([jacobian, phase_jacobian]),
            2 * count,
        )


Block = SquareBlock | SweepBlock


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
        return self.bench.knowledge.sources + int(self._rise_uncertain)

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
        return unknowns[:count], unknowns[count : count + self.bench.knowledge.sources]

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
