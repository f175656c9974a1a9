"""Element values of a network of the user's own for a curve.

The equations of an exact network (`antecurve.synthesis.own_equations`) are solved by Gauss and
Newton from many starts (`antecurve.synthesis.own_starts`); where they have a solution it is exact.
Where they have none, the largest error over the band, level included, is made small: by least
squares from many starts, and from the best of them by minimax.  Directions in which the values
can move without a change of the response follow from the Jacobian.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve, zero_pole_gain
from antecurve.errors import InputError, UnattainableError
from antecurve.networks.centred_error import error_range
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import ElementKind, Loading, Network, Topology
from antecurve.networks.wiring import check_wiring
from antecurve.quantities import DB_PER_NEPER, RESISTANCES, check_count
from antecurve.results import Result
from antecurve.synthesis.free_directions import FreeDirection, free_directions
from antecurve.synthesis.minimax import minimax
from antecurve.synthesis.own_equations import Floats, OwnEquations
from antecurve.synthesis.own_starts import MultiStart
from antecurve.synthesis.remedy import UNBOUNDED_REMEDY
from antecurve.threads import single_threaded_linear_algebra

if TYPE_CHECKING:
    import pandas

__all__ = ["OwnSolution", "solve_own_network"]

_MOST_STARTS = 10_000  # hours of work for the largest network
_NEAR = 1e-4
"""Largest mismatch, in nepers, from which Newton's steps are tried."""
_EXACT = 1e-10
"""Largest mismatch, in nepers, that counts as rounding: 1e-9 dB."""
_RANK = 1e-10
"""Singular values below this part of the largest are free directions, left as they are."""
_NEWTON_STEPS = 20
"""Each doubles the digits; more only where a solution is nearly double."""
_STEP = 1e-15
"""Step, in nepers, below which a double does not change."""
_CHEAPER = 1e-9
"""Relative gain in cost that makes another start better: two starts end in the same minimum."""


@dataclass(frozen=True, slots=True)
class OwnSolution(Result):
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
    stopped : bool
        Whether the time was over before all starts were tried, and none was exact.
    """

    network: Network
    exact: bool
    gain: float
    level_error_db: float
    residual_db: float
    extra_poles_s: tuple[float, ...]
    free_directions: tuple[FreeDirection, ...]
    starts: int
    stopped: bool = False

    def to_frame(self) -> pandas.DataFrame:
        """Tabulate the elements.

        Returns
        -------
        pandas.DataFrame
            See `Network.to_frame`.
        """
        return self.network.to_frame()


@checked
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
    most_seconds: float | None = None,
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
    most_seconds : float, optional
        Time after which no further start is begun [s], 0 or greater; by default no limit.

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
        raise InputError(
            "target.level",
            f"{gain:.4g} times the EMF",
            "the level must lie above 0 and below the generator's EMF",
        )
    check_count(starts, field="starts", most=_MOST_STARTS)
    equations = OwnEquations(
        topology,
        _emphasis(topology, curve),
        loading=loading,
        gain=gain,
        held=_held(topology, held_resistance, held_ref),
        band_hz=band_hz,
    )
    until = math.inf if most_seconds is None else time.perf_counter() + most_seconds
    search = MultiStart(equations, starts=starts, seed=seed, until=until)
    with single_threaded_linear_algebra():
        solved = _exact(equations, search)
        logs = _closest(equations, search) if solved is None else solved[0][: equations.count]
    if solved is None:
        slopes = equations.error(logs)[1]
        beyond: list[float] = []
    else:
        x, extra = solved
        slopes = equations.mismatch(x, extra)[1]
        beyond = sorted(np.exp(_beyond(equations, x, extra)).tolist(), reverse=True)
    if equations.held is not None:
        slopes = slopes[:-1]  # what is held is not determined by the curve
    network = Network(topology, equations.values(logs))
    level = abs(equations.coefficients(logs).response([REFERENCE_FREQUENCY_HZ])[0])
    return OwnSolution(
        network,
        solved is not None,
        gain,
        DB_PER_NEPER * math.log(level / gain),
        error_range(network, Conditions(curve=curve, loading=loading, band_hz=band_hz)).centred_db,
        tuple(beyond),
        free_directions(topology, slopes),
        search.tried,
        search.stopped and solved is None,
    )


def _emphasis(topology: Topology, curve: Curve) -> ZeroPoleGain[float]:
    """The curve in lowest terms, which must end at low frequency and not be flat."""
    emphasis = zero_pole_gain(curve).lowest_terms()
    if emphasis.poles_at_origin:
        raise UnattainableError(
            topology.form,
            "the curve must be finite at zero frequency, but it rises towards DC without end",
            UNBOUNDED_REMEDY,
        )
    if not (emphasis.zeros_s or emphasis.poles_s):
        raise UnattainableError(
            topology.form,
            "the curve must have a zero or a pole left, but they cancel",
            "change the curve's time constants",
        )
    return emphasis


def _held(topology: Topology, level: float | None, ref: str | None) -> tuple[int, float] | None:
    """Index of the resistor to hold and the logarithm of its value."""
    if level is None:
        return None
    RESISTANCES.widened.check(level, field="held_resistance")
    resistors = [e for e in topology.elements if e.kind is ElementKind.RESISTOR]
    across = [e for e in resistors if set(e.nodes) == set(topology.output)]
    names = [e.ref for e in resistors]
    chosen = ref or next(iter([e.ref for e in across] + names), None)
    if chosen not in names:
        raise InputError("held_ref", ref, f"the resistors are {', '.join(names) or 'none'}")
    return topology.refs.index(chosen), math.log(level)


def _exact(equations: OwnEquations, search: MultiStart) -> tuple[Floats, int] | None:
    """Solve the coefficient equations from many starts.

    Returns logarithms of values, poles beyond the curve and common factors, and how many of them
    are poles beyond the curve; of several solutions the one that has these poles highest.
    """
    shape = equations.shape()
    if shape is None:
        return None
    extra, common = shape
    best: Floats | None = None
    for solution in search.solutions(lambda x: equations.mismatch(x, extra), times=extra + common):
        if np.abs(solution.fun).max() > _NEAR:
            continue
        polished = _polished(equations, solution.x, extra)
        # What is not finite is no solution either.
        if not np.abs(equations.mismatch(polished, extra)[0]).max() <= _EXACT:
            continue
        if not extra:
            return polished, extra
        if best is None or (
            _beyond(equations, polished, extra).max() < _beyond(equations, best, extra).max()
        ):
            best = polished
    return None if best is None else (best, extra)


def _beyond(equations: OwnEquations, x: Floats, extra: int) -> Floats:
    """Logarithms of the time constants beyond the curve."""
    return x[equations.count : equations.count + extra]


def _polished(equations: OwnEquations, x: Floats, extra: int) -> Floats:
    """Gauss-Newton steps of least norm to floating-point precision."""
    for _ in range(_NEWTON_STEPS):
        residual, slopes = equations.mismatch(x, extra)
        if not (np.isfinite(residual).all() and np.isfinite(slopes).all()):
            break
        step = np.linalg.lstsq(slopes, residual, rcond=_RANK)[0]
        x = x - step
        if np.abs(step).max() < _STEP:
            break
    return x


def _closest(equations: OwnEquations, search: MultiStart) -> Floats:
    """Least squares of the error in dB over the band, level included, then minimax."""
    best, best_cost = np.zeros(equations.count), math.inf
    for solution in search.solutions(equations.error):
        if solution.cost < best_cost * (1.0 - _CHEAPER):
            best, best_cost = solution.x, solution.cost
    # Where the level is free, the smallest largest error is the smallest centred error.
    points = len(equations.frequency)

    def over_band(logs: Floats) -> tuple[Floats, Floats]:
        residual, slopes = equations.error(logs)
        return residual[:points], slopes[:points]

    return minimax(over_band, best, held=None if equations.held is None else equations.held[0])
