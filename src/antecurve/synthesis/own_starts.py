"""Least squares from many starts, spread over decades, as many as there is time for."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from antecurve.networks.topology import ElementKind
from antecurve.synthesis.own_equations import Floats, OwnEquations

__all__ = ["MultiStart"]

_SPAN = 24.0
"""How far a logarithm may move from its start: ten decades, more than any part's range."""
_LONGEST = 200
"""Most evaluations from one start; what converges does so in some dozens."""
_EFFORT = 24_000
"""Evaluations of one element's slopes that the starts may take; a dozen elements: 2,000 each."""
_BELOW_LOAD = 3.0
"""Impedances start around a twentieth (e^-3) of the load, which loads little."""
_SERIES_RISE = 1.6
"""Series elements start at up to 1/gain to this power times the shunt elements."""
_BEYOND = 5.0
"""Poles beyond the curve start up to two decades (e^5) above its own."""


class MultiStart:
    """Solves least-squares problems for a network from many starts.

    Parameters
    ----------
    equations : OwnEquations
        The network, the curve and what is held.
    starts : int
        Largest number of starts.
    seed : int
        Seed of the starts.
    until : float, optional
        Value of `time.perf_counter` from which no further start is begun but the first.

    Attributes
    ----------
    tried : int
        Number of starts tried for the last problem.
    stopped : bool
        Whether the time was over before all starts of some problem were tried.
    """

    def __init__(
        self, equations: OwnEquations, *, starts: int, seed: int, until: float = math.inf
    ) -> None:
        self.equations, self.starts, self.seed, self._until = equations, starts, seed, until
        self.tried, self.stopped = 0, False

    def solutions(
        self, function: Callable[[Floats], tuple[Floats, Floats]], *, times: int = 0
    ) -> Iterator[Any]:
        """Solve from one start after the other.

        Parameters
        ----------
        function : callable
            From logarithms of element values and of time constants to residuals and Jacobian.
        times : int, optional
            Number of time constants besides the values.

        Yields
        ------
        scipy.optimize.OptimizeResult
            What each start comes to.
        """
        from scipy.optimize import least_squares

        spent = self.tried = 0
        for start in self._points(times):
            if self.tried and (spent + _LONGEST / 2) * self.equations.count > _EFFORT:
                return
            if self.tried and time.perf_counter() > self._until:
                self.stopped = True
                return
            self.tried += 1
            solution = least_squares(
                lambda x: function(x)[0],
                start,
                jac=lambda x: function(x)[1],
                bounds=(start - _SPAN, start + _SPAN),
                max_nfev=_LONGEST,
            )
            spent += int(solution.nfev)
            yield solution

    def _points(self, times: int) -> list[Floats]:
        """Starts around the impedances and time constants of the job."""
        equations = self.equations
        generator = np.random.default_rng(self.seed)
        level = math.log(equations.loading.load_resistance) - _BELOW_LOAD
        if equations.held is not None:
            level = equations.held[1]
        known = np.log([*equations.curve.zeros_s, *equations.curve.poles_s])
        lift = -math.log(equations.gain)
        points = []
        for _ in range(self.starts):
            start = np.empty(equations.count + times)
            for index, element in enumerate(equations.topology.elements):
                resistance = level + generator.uniform(-1.0, 1.0)
                if "0" not in element.nodes:
                    resistance += generator.uniform(0.0, _SERIES_RISE * lift)
                if element.kind is ElementKind.RESISTOR:
                    start[index] = resistance
                else:
                    start[index] = generator.choice(known) - resistance
            if equations.held is not None:
                start[equations.held[0]] = equations.held[1]
            start[equations.count :] = known.min() - generator.uniform(0.0, _BEYOND, times)
            points.append(start)
        return points
