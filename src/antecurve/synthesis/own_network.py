"""Element values of a network of the user's own for a curve.

The coefficients of H(s) are polynomials with positive terms, each linear in every element.
Setting them equal to those of

.. math:: g\\, s^a N(s)\\, F(s) \\,/\\, \\bigl(D(s)\\, F(s)\\, X(s)\\bigr)

gives one equation a coefficient, in logarithms; F is a common factor the network may have, X
holds the poles beyond the curve (at most one for the load's capacitance and one for a curve that
has no ultrasonic pole).  They are solved by Gauss and Newton from many starts; where they have a
solution it is exact.  Where they have none, the largest error over the band, level included, is
made small: by least squares from many starts, and from the best of them by minimax.  Directions
in which the values can move without a change of the response are found from the Jacobian.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve, zero_pole_gain
from antecurve.errors import InputError, UnattainableError
from antecurve.networks.centred_error import log_frequencies
from antecurve.networks.compiled import (
    Coefficients,
    evaluate,
    magnitude_squared_coefficients,
    transfer_coefficients,
)
from antecurve.networks.deviation import error_range
from antecurve.networks.topology import ElementKind, Loading, Network, Topology
from antecurve.networks.wiring import check_wiring
from antecurve.synthesis.free_directions import FreeDirection, free_directions
from antecurve.synthesis.impedance import product_of
from antecurve.synthesis.minimax import minimax
from antecurve.synthesis.rational import level_constant
from antecurve.synthesis.remedy import UNBOUNDED_REMEDY
from antecurve.threads import single_threaded_linear_algebra

__all__ = ["OwnSolution", "solve_own_network"]

_NEAR = 1e-4
_EXACT = 1e-10
_SPAN = 12.0
_POINTS_PER_DECADE = 12
_LONGEST = 200
"""Most evaluations from one start."""
_EFFORT = 24_000
"""Evaluations of one element's slopes that the starts may take; a dozen elements: 2,000 each."""
_NEPER_DB = 20.0 / math.log(10.0)

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class OwnSolution:
    """Element values found for a network of the user's own.

    Attributes
    ----------
    network : Network
        The values.
    exact : bool
        Whether the coefficient equations are met, so that the curve is made exactly but for
        `extra_poles_s`.
    gain : float
        Magnitude of H at 1 kHz that was asked for.
    level_error_db : float
        Level at 1 kHz less the level asked for [dB].
    residual_db : float
        Centred error over the band [dB].
    extra_poles_s : tuple of float
        Poles beyond the curve of an exact solution [s], longest first.
    free_directions : tuple of FreeDirection
        Directions that the curve and the level do not determine, whether or not a resistor was
        held.
    starts : int
        Number of starts tried: those asked for, fewer for a large network.
    """

    network: Network
    exact: bool
    gain: float
    level_error_db: float
    residual_db: float
    extra_poles_s: tuple[float, ...]
    free_directions: tuple[FreeDirection, ...]
    starts: int


def solve_own_network(
    topology: Topology,
    curve: Curve,
    *,
    loading: Loading,
    gain: float,
    held_resistance: float | None = None,
    held_ref: str | None = None,
    band_hz: tuple[float, float] = (20.0, 20e3),
    starts: int = 30,
    seed: int = 1,
) -> OwnSolution:
    """Solve the element values of a network of the user's own for a curve.

    Parameters
    ----------
    topology : Topology
        The network.
    curve : Curve
        The curve to impose.
    loading : Loading
        Source and load.
    gain : float
        Magnitude of output level / EMF at 1 kHz, above 0 and below 1.
    held_resistance : float, optional
        Value to hold one resistor at [ohm]; without it all values are free.
    held_ref : str, optional
        Which resistor: by default one across the output, else the first.
    band_hz : tuple of float, optional
        Band of the error [Hz], low and high end.
    starts : int, optional
        Largest number of starts, 1 or more; the same seed gives the same result.  For a large
        network there are fewer, so that the time stays within some seconds.
    seed : int, optional
        Seed of the starts.

    Returns
    -------
    OwnSolution
        The values, exact or as close as they come.

    Raises
    ------
    WiringError
        When the elements don't make a network.
    InputError
        When a number is out of range, or there is no such resistor.
    UnattainableError
        When the curve does not end at low frequency (no bound), or is flat.
    """
    check_wiring(topology)
    if not 0 < gain < 1:
        raise InputError("target.level", gain, "the level must lie above 0 and below the EMF")
    if starts < 1:
        raise InputError("starts", starts, "it must be a whole number, 1 or more")
    found = zero_pole_gain(curve).lowest_terms()
    if found.poles_at_origin:
        raise UnattainableError(
            topology.form,
            "the curve must be finite at zero frequency, but it rises towards DC without end",
            UNBOUNDED_REMEDY,
        )
    if not (found.zeros_s or found.poles_s):
        raise UnattainableError(
            topology.form,
            "the curve must have a zero or a pole left, but they cancel",
            "change the curve's time constants",
        )
    problem = _Problem(
        topology, found, loading, gain, _held(topology, held_resistance, held_ref), band_hz
    )
    with single_threaded_linear_algebra():
        solved = problem.exact(starts, seed)
        logs = problem.closest(starts, seed) if solved is None else solved[0][: problem.count]
    if solved is None:
        slopes = problem.error(logs)[1]
        beyond: list[float] = []
    else:
        x, extra = solved
        slopes = problem.mismatch(x, extra)[1]
        beyond = sorted(np.exp(x[problem.count : problem.count + extra]).tolist(), reverse=True)
    if problem.held is not None:
        slopes = slopes[:-1]  # what is held is not determined by the curve
    network = Network(topology, problem.values(logs))
    level = abs(evaluate(problem.coefficients(logs), [REFERENCE_FREQUENCY_HZ])[0])
    return OwnSolution(
        network,
        solved is not None,
        gain,
        _NEPER_DB * math.log(level / gain),
        error_range(network, curve, band_hz=band_hz, loading=loading).centred_db,
        tuple(beyond),
        free_directions(topology, slopes),
        problem.tried,
    )


def _held(topology: Topology, level: float | None, ref: str | None) -> tuple[int, float] | None:
    """Index of the resistor to hold and the logarithm of its value."""
    if level is None:
        return None
    if not (math.isfinite(level) and level > 0):
        raise InputError("held_resistance", level, "it must be finite and above 0 ohm")
    resistors = [e for e in topology.elements if e.kind is ElementKind.RESISTOR]
    across = [e for e in resistors if set(e.nodes) == set(topology.output)]
    names = [e.ref for e in resistors]
    chosen = ref or next(iter([e.ref for e in across] + names), None)
    if chosen not in names:
        raise InputError("held_ref", ref, f"the resistors are {', '.join(names) or 'none'}")
    return topology.refs.index(chosen), math.log(level)


class _Problem:
    """The equations for one network and one curve."""

    def __init__(
        self,
        topology: Topology,
        found: ZeroPoleGain[float],
        loading: Loading,
        gain: float,
        held: tuple[int, float] | None,
        band_hz: tuple[float, float],
    ) -> None:
        self.topology, self.found, self.loading = topology, found, loading
        self.gain, self.held = gain, held
        self.spent = self.tried = 0
        self._last: tuple[tuple[object, ...], tuple[Floats, Floats]] | None = None
        self.count = len(topology.elements)
        self.frequency = log_frequencies(*band_hz, points_per_decade=_POINTS_PER_DECADE)
        probe = self.coefficients(np.zeros(self.count))
        self.top = np.flatnonzero(probe.numerator > 0)
        self.bottom = np.flatnonzero(probe.denominator > 0)

    def coefficients(self, logs: Floats) -> Coefficients:
        """H(s) for logarithms of values, shape (..., elements)."""
        return transfer_coefficients(
            self.topology,
            np.exp(logs),
            source_resistance=self.loading.source_resistance,
            load_resistance=self.loading.load_resistance,
            load_capacitance=self.loading.load_capacitance,
        )

    def with_slopes(self, logs: Floats) -> tuple[Coefficients, Coefficients]:
        """Coefficients, and their derivatives by each log value, shape (elements, powers).

        Each coefficient is linear in each element, so that doubling one element adds exactly
        the derivative by its logarithm.
        """
        batch = np.vstack([logs, logs + math.log(2.0) * np.eye(self.count)])
        found = self.coefficients(batch)
        base = Coefficients(found.numerator[0], found.denominator[0])
        slopes = Coefficients(
            found.numerator[1:] - found.numerator[0], found.denominator[1:] - found.denominator[0]
        )
        return base, slopes

    def shape(self) -> tuple[int, int] | None:
        """Degrees of X and of F with which the coefficients can match the curve's."""
        zeros = self.found.zeros_at_origin
        if self.top[0] != zeros or self.bottom[0] != 0:
            return None
        common = int(self.top[-1]) - zeros - len(self.found.zeros_s)
        extra = int(self.bottom[-1]) - len(self.found.poles_s) - common
        lacking = len(self.found.zeros_s) + zeros > len(self.found.poles_s)
        allowed = int(self.loading.load_capacitance > 0) + int(lacking)
        return (extra, common) if common >= 0 and 0 <= extra <= allowed else None

    def exact(self, starts: int, seed: int) -> tuple[Floats, int] | None:
        """Solve the coefficient equations from many starts.

        Returns logarithms of values, poles beyond the curve and common factors, and how many
        of them are poles beyond the curve; of several solutions the one that has these poles
        highest.
        """
        from scipy.optimize import least_squares

        shape = self.shape()
        if shape is None:
            return None
        extra, common = shape
        best: Floats | None = None
        for start in self.within_effort(self.starts(starts, seed, extra + common)):
            found = least_squares(
                lambda x: self.mismatch(x, extra)[0],
                start,
                jac=lambda x: self.mismatch(x, extra)[1],
                bounds=(start - 2 * _SPAN, start + 2 * _SPAN),
                max_nfev=_LONGEST,
            )
            self.spent += int(found.nfev)
            if np.abs(found.fun).max() > _NEAR:
                continue
            polished = self.polished(found.x, extra)
            # What is not finite is no solution either.
            if not np.abs(self.mismatch(polished, extra)[0]).max() <= _EXACT:
                continue
            if not extra:
                return polished, extra
            if best is None or self.lowest(polished, extra) < self.lowest(best, extra):
                best = polished
        return None if best is None else (best, extra)

    def lowest(self, x: Floats, extra: int) -> float:
        """Logarithm of the longest time constant beyond the curve."""
        return float(x[self.count : self.count + extra].max())

    def polished(self, x: Floats, extra: int) -> Floats:
        """Gauss-Newton steps of least norm to floating-point precision."""
        for _ in range(20):
            residual, slopes = self.mismatch(x, extra)
            if not (np.isfinite(residual).all() and np.isfinite(slopes).all()):
                break
            step = np.linalg.lstsq(slopes, residual, rcond=1e-10)[0]
            x = x - step
            if np.abs(step).max() < 1e-15:
                break
        return x

    def mismatch(self, x: Floats, extra: int) -> tuple[Floats, Floats]:
        """Logarithms of coefficients over the curve's, and the Jacobian."""
        return self._once(("mismatch", extra, x.tobytes()), lambda: self._mismatch(x, extra))

    def _once(
        self, key: tuple[object, ...], make: Callable[[], tuple[Floats, Floats]]
    ) -> tuple[Floats, Floats]:
        """What was made last, where it is asked for again: a value, then its Jacobian."""
        if self._last is None or self._last[0] != key:
            self._last = (key, make())
        return self._last[1]

    def _mismatch(self, x: Floats, extra: int) -> tuple[Floats, Floats]:
        logs, times = x[: self.count], np.exp(x[self.count :])
        base, slopes = self.with_slopes(logs)
        target_top, target_bottom = self.targets(times, extra)
        lowest = base.denominator[0]
        rows = np.concatenate(
            [base.numerator[self.top] / lowest, base.denominator[self.bottom[1:]] / lowest]
        )
        residual = np.log(rows) - np.concatenate([target_top, target_bottom])
        falling = slopes.denominator[:, 0] / lowest
        by_value = np.concatenate(
            [
                slopes.numerator[:, self.top] / base.numerator[self.top],
                slopes.denominator[:, self.bottom[1:]] / base.denominator[self.bottom[1:]],
            ],
            axis=1,
        )
        jacobian = np.zeros((len(residual), len(x)))
        jacobian[:, : self.count] = (by_value - falling[:, None]).T
        for index in range(len(times)):
            moved = times.copy()
            step = 1e-6
            moved[index] *= math.exp(step)
            up = np.concatenate(self.targets(moved, extra))
            moved[index] *= math.exp(-2 * step)
            down = np.concatenate(self.targets(moved, extra))
            jacobian[:, self.count + index] = -(up - down) / (2 * step)
        if self.held is not None:
            place, value = self.held
            residual = np.append(residual, logs[place] - value)
            jacobian = np.vstack([jacobian, np.eye(len(x))[place]])
        return residual, jacobian

    def targets(self, times: Floats, extra: int) -> tuple[Floats, Floats]:
        """Logarithms of the coefficients of g s^a N F and of D F X."""
        beyond, common = times[:extra].tolist(), times[extra:].tolist()
        zeros = [*self.found.zeros_s, *common]
        poles = [*self.found.poles_s, *beyond, *common]
        level = level_constant(self.gain, zeros, self.found.zeros_at_origin, poles)
        top = math.log(level) + np.log(np.array(product_of(zeros), dtype=float))
        return top, np.log(np.array(product_of(poles)[1:], dtype=float))

    def starts(self, count: int, seed: int, times: int) -> list[Floats]:
        """Starts spread over decades around the impedances and time constants of the job."""
        generator = np.random.default_rng(seed)
        level = math.log(self.loading.load_resistance) - 3.0
        if self.held is not None:
            level = self.held[1]
        known = np.log([*self.found.zeros_s, *self.found.poles_s])
        lift = -math.log(self.gain)
        result = []
        for _ in range(count):
            start = np.empty(self.count + times)
            for index, element in enumerate(self.topology.elements):
                resistance = level + generator.uniform(-1.0, 1.0)
                if "0" not in element.nodes:
                    resistance += generator.uniform(0.0, 1.6 * lift)
                if element.kind is ElementKind.RESISTOR:
                    start[index] = resistance
                else:
                    start[index] = generator.choice(known) - resistance
            if self.held is not None:
                start[self.held[0]] = self.held[1]
            start[self.count :] = known.min() - generator.uniform(0.0, 5.0, times)
            result.append(start)
        return result

    def within_effort(self, starts: list[Floats]) -> Iterator[Floats]:
        """The starts, as many as there is time for."""
        self.spent = self.tried = 0
        for start in starts:
            if self.tried and (self.spent + _LONGEST / 2) * self.count > _EFFORT:
                break
            self.tried += 1
            yield start

    def closest(self, starts: int, seed: int) -> Floats:
        """Least squares of the error in dB over the band, level included, then minimax."""
        from scipy.optimize import least_squares

        best, best_cost = np.zeros(self.count), math.inf
        for start in self.within_effort(self.starts(starts, seed, 0)):
            found = least_squares(
                lambda x: self.error(x)[0],
                start,
                jac=lambda x: self.error(x)[1],
                bounds=(start - 2 * _SPAN, start + 2 * _SPAN),
                max_nfev=_LONGEST,
            )
            self.spent += int(found.nfev)
            if found.cost < best_cost * (1.0 - 1e-9):
                best, best_cost = found.x, found.cost
        # Where the level is free, the smallest largest error is the smallest centred error.
        points = len(self.frequency)
        return minimax(
            lambda x: (self.error(x)[0][:points], self.error(x)[1][:points]),
            best,
            held=None if self.held is None else self.held[0],
        )

    def values(self, logs: Floats) -> Floats:
        """Element values, the resistor that is held exactly at its value."""
        values = np.exp(logs)
        if self.held is not None:
            values[self.held[0]] = math.exp(self.held[1])
        return np.asarray(values)

    def error(self, logs: Floats) -> tuple[Floats, Floats]:
        """Error in dB at the frequencies, level included, and its Jacobian."""
        return self._once(("error", logs.tobytes()), lambda: self._error(logs))

    def _error(self, logs: Floats) -> tuple[Floats, Floats]:
        base, slopes = self.with_slopes(logs)
        square = (2.0 * math.pi * self.frequency) ** 2
        level = np.zeros(len(self.frequency))
        jacobian = np.zeros((len(self.frequency), self.count))
        s = 2j * math.pi * self.frequency
        for sign, value, slope in (
            (1.0, base.numerator, slopes.numerator),
            (-1.0, base.denominator, slopes.denominator),
        ):
            powers = square ** np.arange(value.shape[-1])[:, None]
            level += sign * 0.5 * _NEPER_DB * np.log(magnitude_squared_coefficients(value) @ powers)
            waves = s ** np.arange(value.shape[-1])[:, None]
            jacobian += sign * _NEPER_DB * np.real((slope @ waves) / (value @ waves)).T
        residual = level - self.wanted()
        if self.held is not None:
            place, held = self.held
            residual = np.append(residual, 100.0 * (logs[place] - held))
            jacobian = np.vstack([jacobian, 100.0 * np.eye(self.count)[place]])
        return residual, jacobian

    def wanted(self) -> Floats:
        """Level of the curve in dB at the frequencies, the gain at 1 kHz included."""
        square = (2.0 * math.pi * self.frequency) ** 2
        found = self.found
        level = level_constant(self.gain, found.zeros_s, found.zeros_at_origin, found.poles_s)
        total = np.full(len(square), 2.0 * math.log(level)) + found.zeros_at_origin * np.log(square)
        for zero in found.zeros_s:
            total = total + np.log1p(square * zero**2)
        for pole in found.poles_s:
            total = total - np.log1p(square * pole**2)
        return np.asarray(0.5 * _NEPER_DB * total)
