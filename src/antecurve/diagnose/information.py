"""What captures say of a unit's response, as the judge's own least squares sees it.

Whitened residuals are linear in small changes d of ln U at a few frequencies.  With gain, delay
and duty of each capture and the network's sources of error integrated out, all that captures tell
is a vector u and a matrix W: chi-square of a response is a constant plus |u + W d|^2.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.problem import FitProblem, with_observations
from antecurve.judge.unit_model import LogResponse, UnitModel

__all__ = [
    "ResponseInformation",
    "information_about",
    "node_frequencies",
    "real_columns",
    "without_delay",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
LogUnit = Callable[[Floats], Complex]

_PER_DECADE = 12  # a cubic between nodes errs by less than 1e-4 of what bends at one corner
_CAPTURED_HZ = (20.0, 20e3)  # that other captures of the unit may tell apart what these do not
_TOP_HZ = 1e9  # far above any corner: a quarter turn there is a delay of a quarter nanosecond
_ROUNDS = 4  # gain, delay and duty from their start to where they stay
_SHARES = (1.0, 0.3, 0.1)  # of a step, where the whole one leads too far
_RIDGE = 1e-12  # of the diagonal: rounding of the normal equations
_SEEN = 1e-11  # of the largest eigenvalue: less is rounding


@dataclass(frozen=True, slots=True, eq=False)
class ResponseInformation:
    """What captures say of ln U at nodes.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (nodes,)
        The nodes [Hz].
    centre : numpy.ndarray of complex, shape (nodes,)
        ln U about which residuals were linearised.
    matrix : numpy.ndarray of float, shape (rank, 2 nodes)
        W above, for real parts first, then imaginary parts.
    vector : numpy.ndarray of float, shape (rank,)
        u above.
    constant : float
        The least chi-square that any response leaves.
    rows : int
        Number of residuals.
    power : float
        Sum of squares of what the reduced records leave [V^2], 0 for captures that are no records.
    asked_hz : tuple of float
        What the captures ask for [Hz].
    """

    frequency_hz: Floats
    centre: Complex
    matrix: Floats
    vector: Floats
    constant: float
    rows: int
    power: float = 0.0
    asked_hz: tuple[float, float] = (0.0, math.inf)

    def within(self, band_hz: tuple[float, float]) -> NDArray[np.bool_]:
        """Select the nodes of a band that the captures ask for.

        Parameters
        ----------
        band_hz : tuple of float
            The band [Hz].

        Returns
        -------
        numpy.ndarray of bool, shape (nodes,)
            Which nodes.
        """
        low, high = max(band_hz[0], self.asked_hz[0]), min(band_hz[1], self.asked_hz[1])
        return (self.frequency_hz >= low) & (self.frequency_hz <= high)

    @property
    def excess(self) -> float:
        """Mean square residual about the centre itself."""
        return (self.constant + float(self.vector @ self.vector)) / self.rows

    @property
    def unaccounted(self) -> float:
        """What the centre does not account for, of records in V^2: noise differs by reduction."""
        return self.power or self.excess

    def change(self, log_response: Complex) -> Floats:
        """Compute d above for other responses, gain and polarity apart.

        Parameters
        ----------
        log_response : numpy.ndarray of complex, shape (candidates, nodes)
            Natural logarithms, the phase with or without whole turns.

        Returns
        -------
        numpy.ndarray of float, shape (candidates, 2 nodes)
            Real parts, then imaginary parts.
        """
        change = log_response - self.centre
        middle = change.shape[-1] // 2
        level = change.real - change.real[..., middle, None]
        phase = np.unwrap(change.imag, axis=-1)
        turned = math.pi * np.round(phase[..., middle, None] / math.pi)
        return np.concatenate([level, phase - turned], axis=-1)


def real_columns(columns: Complex) -> Floats:
    """Lay real parts and imaginary parts side by side.

    Parameters
    ----------
    columns : numpy.ndarray of complex, shape (..., nodes)
        Logarithmic changes.

    Returns
    -------
    numpy.ndarray of float, shape (..., 2 nodes)
        Real parts, then imaginary parts.
    """
    return np.concatenate([columns.real, columns.imag], axis=-1)


def _asked_hz(problem: FitProblem) -> tuple[float, float]:
    asked = np.concatenate([o.evaluated_hz for o in problem.observations])
    return 0.999 * float(asked.min()), 1.001 * float(asked.max())


def node_frequencies(problem: FitProblem) -> Floats:
    """Choose the frequencies at which responses are compared.

    Parameters
    ----------
    problem : FitProblem
        Captures and bench.

    Returns
    -------
    numpy.ndarray of float, shape (nodes,)
        Over all that the captures ask for, and that others may [Hz].
    """
    low, high = _asked_hz(problem)
    low, high = min(low, _CAPTURED_HZ[0]), max(high, _CAPTURED_HZ[1])
    count = math.ceil(_PER_DECADE * math.log10(high / low)) + 4
    return np.geomspace(low, high, count)


@dataclass(frozen=True, slots=True, eq=False)
class _Nodes:
    """A unit whose ln U moves at nodes; in the place of a model of time constants."""

    log_unit: LogUnit
    nodes: Floats

    @property
    def parameters(self) -> range:
        return range(2 * self.nodes.size)

    def linearised(self, coordinates: Floats, frequency_hz: Floats) -> LogResponse:
        from scipy.interpolate import CubicSpline

        value = self.log_unit(frequency_hz)
        if not self.nodes.size:
            return LogResponse(value, np.zeros((frequency_hz.size, 0), dtype=complex))
        spline = CubicSpline(np.log(self.nodes), np.eye(self.nodes.size))(np.log(frequency_hz))
        return LogResponse(value, np.hstack([spline, 1j * spline]))

    def priors(self, coordinates: Floats) -> tuple[Floats, Floats]:
        return np.zeros(2 * self.nodes.size), np.zeros(2 * self.nodes.size)

    def log_response(self, coordinates: Floats, frequency_hz: Floats) -> Complex:
        return self.log_unit(frequency_hz)


def _with_unit(problem: FitProblem, log_unit: LogUnit, nodes: Floats) -> FitProblem:
    # The problem asks of its model what `_Nodes` has.
    model = cast("UnitModel", cast("Any", _Nodes(log_unit, nodes)))
    return replace(problem, model=model)


def _bench_unknowns(problem: FitProblem, start: Floats) -> Floats:
    """Sources of error, rise time and each capture's own unknowns, fitted for one response."""
    unknowns, evaluation = start, problem.evaluate(start)
    for _ in range(_ROUNDS):
        jacobian, residual = evaluation.jacobian, evaluation.residual
        step = np.linalg.lstsq(jacobian, residual, rcond=None)[0]
        for share in _SHARES:
            tried = problem.evaluate(unknowns - share * step)
            if tried.residual @ tried.residual < residual @ residual:
                break
        else:
            break
        unknowns, evaluation = unknowns - share * step, tried
    return unknowns


def _started(problem: FitProblem, bench: Floats) -> Floats:
    """The bench's unknowns to start from: as given, or gain and delay found anew for a response."""
    anew = bench.copy()
    first = problem.priors
    for index, observation in enumerate(problem.observations):
        response = problem.log_response(bench, observation.frequency_hz, index)
        last = first + observation.nuisances
        anew[first:last] = observation.start(response)[0]
        first = last
    costs = [float(r @ r) for r in map(problem.residual, (bench, anew))]
    return bench if costs[0] <= costs[1] else anew


def without_delay(log_unit: LogUnit) -> LogUnit:
    """Take the delay off a response, which each capture has of its own.

    Parameters
    ----------
    log_unit : callable
        ln U at frequencies [Hz]; its phase without jumps of whole turns.

    Returns
    -------
    callable
        The same with a phase that stays at the top.
    """
    turned = float(log_unit(np.array([_TOP_HZ]))[0].imag) / _TOP_HZ
    return lambda frequency_hz: log_unit(frequency_hz) - 1j * turned * frequency_hz


def _power(problem: FitProblem, residual: Floats) -> float:
    total, first = 0.0, 0
    for observation in problem.observations:
        total += observation.residual_power(residual[first : first + observation.rows])
        first += observation.rows
    return total


def information_about(
    problem: FitProblem, log_unit: LogUnit, bench: Floats, *, corrected: bool, folded: bool = True
) -> tuple[ResponseInformation, FitProblem, Floats]:
    """Reduce captures to what they say of responses near one.

    Parameters
    ----------
    problem : FitProblem
        Captures and bench; its own model does not count.
    log_unit : callable
        ln U at frequencies [Hz].
    bench : numpy.ndarray of float, shape (unknowns of the bench,)
        Sources of error, rise time and each capture's own unknowns, to start from.
    corrected : bool
        Whether to correct the captures first for what their reduction passes over, as this
        response predicts it.
    folded : bool, optional
        Whether records hold what lies beyond half their sampling rates.

    Returns
    -------
    tuple of ResponseInformation, FitProblem and numpy.ndarray
        About the response, the captures as used, and the bench's unknowns.
    """
    given = problem
    alone = _with_unit(given, log_unit, np.zeros(0))
    unknowns = _bench_unknowns(alone, _started(alone, bench))
    if corrected:
        observations = [
            o.corrected(alone.prediction(unknowns, k), folded=folded) or o
            for k, o in enumerate(alone.observations)
        ]
        given = with_observations(given, observations)
        alone = _with_unit(given, log_unit, np.zeros(0))
        unknowns = _bench_unknowns(alone, unknowns)
    nodes = node_frequencies(given)
    size = 2 * nodes.size
    evaluation = _with_unit(given, log_unit, nodes).evaluate(np.append(np.zeros(size), unknowns))
    jacobian, residual = evaluation.jacobian, evaluation.residual
    normal, gradient = jacobian.T @ jacobian, jacobian.T @ residual
    own = normal[size:, size:] + _RIDGE * np.diag(np.diag(normal)[size:] + 1.0)
    solved = np.linalg.solve(own, np.column_stack([normal[size:, :size], gradient[size:]]))
    matrix = normal[:size, :size] - normal[:size, size:] @ solved[:, :-1]
    slope = gradient[:size] - normal[:size, size:] @ solved[:, -1]
    least = float(residual @ residual - gradient[size:] @ solved[:, -1])
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2.0)
    seen = values > _SEEN * values[-1]
    root = np.sqrt(values[seen])
    vector = (vectors[:, seen].T @ slope) / root
    information = ResponseInformation(
        nodes,
        log_unit(nodes),
        root[:, None] * vectors[:, seen].T,
        vector,
        least - float(vector @ vector),
        evaluation.data_rows,
        _power(given, residual),
        _asked_hz(given),
    )
    return information, given, unknowns
