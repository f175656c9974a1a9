"""The exact values nearest to a pick, at its own level and impedance."""

from __future__ import annotations

import math
import time
from itertools import product

import numpy as np
from numpy.typing import NDArray

from antecurve.job import Job
from antecurve.networks.topology import ElementKind, Topology
from antecurve.synthesis.exact import (
    ExactNetwork,
    exact_network,
    exact_network_or_none,
    free_parameters,
)

__all__ = ["NEAR", "nearest_exact", "sampled_exact"]

Floats = NDArray[np.float64]

_STEP = 1e-6  # of a logarithm, for differences: far above rounding, far below any curvature
_ROUNDS = 16  # of Gauss and Newton, which converge in a few or not at all
_HALVINGS = 8  # of a step that does not help, down to 1/256 of it
_CLOSE = 1e-4  # of a step: the distance is so flat there that rounding decides what is less
_STARTS = 24  # impedances over their range: about three a decade
_DESCENTS = 3  # nearest starts to descend from: the nearest may lead to another minimum
_ANY_IMPEDANCE = (1.0, 1e7)  # ohm: every impedance that a curve is made at
# Of sections: equal ones first, then about two a decade to either side.
_RATIOS = (1.0, 0.03, 0.1, 0.3, 3.0, 10.0, 30.0)
_SAME = 1e-9  # of a logarithm: solvers end within 1e-12 of each other
NEAR = 0.0025
"""Mean square of ln(exact/given): values within 5 % belong to one order of the branches."""


def sampled_exact(
    form: str, job: Job, *, low: float, high: float, levels: int
) -> tuple[Topology, Floats]:
    """Compute exact networks of a form over the level window and over impedance.

    Parameters
    ----------
    form : str
        Name of the form.
    job : Job
        Curve, loading, level window.
    low, high : float
        Smallest and largest impedance level [ohm].
    levels : int
        Number of impedance levels.

    Returns
    -------
    topology : Topology
        The commonest topology of the form (R_inf is left out where it is 0).
    logs : numpy.ndarray of float, shape (networks, elements)
        Logarithms of the element values.

    Raises
    ------
    UnattainableError
        When the form can't make the curve anywhere in the window.
    """
    tolerance = job.target.level_tolerance_db
    gains = job.gain * 10.0 ** (np.array([0.0, -tolerance, tolerance]) / 20.0)
    ratios = _RATIOS[::2] if "section_ratio" in free_parameters(form) else (1.0,)
    by_topology: dict[Topology, list[Floats]] = {}
    known: dict[tuple[float, float], ExactNetwork] = {}  # at the gain before
    last: dict[float, ExactNetwork] = {}  # of each ratio
    for gain in np.unique(np.minimum(gains, 0.999999)):
        for level in np.geomspace(low, high, levels).tolist():
            for ratio in ratios:
                exact = exact_network_or_none(
                    form, job.curve, loading=job.loading, gain=float(gain), shunt_resistance=level,
                    section_ratio=ratio, near=known.get((level, ratio), last.get(ratio)),
                )  # fmt: skip
                if exact is not None:
                    known[level, ratio] = last[ratio] = exact
                    by_topology.setdefault(exact.network.topology, []).append(exact.network.values)
    if not by_topology:
        exact = exact_network(
            form, job.curve, loading=job.loading, gain=job.gain,
            shunt_resistance=float(np.sqrt(low * high)), source_level_v=job.source_level_v,
        )  # fmt: skip
        by_topology[exact.network.topology] = [exact.network.values]
    topology = max(by_topology, key=lambda t: len(by_topology[t]))
    return topology, np.log(np.array(by_topology[topology]))


def nearest_exact(
    form: str, topology: Topology, job: Job, logs: Floats, *, gain: float,
    deadline: float | None = None,
) -> tuple[float, Floats] | None:  # fmt: skip
    """Find the exact values nearest to given ones.

    Parameters
    ----------
    form : str
        Name of the form.
    topology : Topology
        Its topology.
    job : Job
        Curve and loading.
    logs : numpy.ndarray of float, shape (elements,)
        Logarithms of the element values.
    gain : float
        Magnitude of H at 1 kHz.
    deadline : float or None, optional
        Value of `time.perf_counter` after which no other start is looked at.

    Returns
    -------
    distance : float
        Sum of the squared differences, of the descent from the given values themselves, or
        where that ends far from them the smallest of several.
    logs : numpy.ndarray of float, shape (elements,)
        Logarithms of the exact values at the level and impedance at which they are nearest by
        least squares.  ``None`` where the form has no exact network of this topology there.
    """

    exact = _ExactLogs(form, topology, job)
    given = _given_point(form, topology, logs, gain)
    nearest = _descended(exact, given, logs)
    if (nearest is not None and nearest[0] <= NEAR * len(logs)) or _over(deadline):
        return nearest
    starts: list[tuple[float, Floats]] = []
    ratios = _RATIOS if "section_ratio" in free_parameters(form) else (1.0,)
    for ratio, impedance in product(ratios, np.geomspace(*_ANY_IMPEDANCE, _STARTS)):
        exact.near = None if impedance == _ANY_IMPEDANCE[0] else exact.near
        point = np.log([gain, impedance, ratio])
        values = exact(point)
        if values is not None:
            starts.append((float(np.sum((values - logs) ** 2)), point))
        if _over(deadline):
            break
    starts.sort(key=lambda s: s[0])
    descents = [nearest]
    for _, point in starts[:_DESCENTS]:
        if descents[-1] is None or not _over(deadline):
            descents.append(_descended(exact, point, logs))
    return min((d for d in descents if d is not None), key=lambda d: d[0], default=None)


class _ExactLogs:
    """Logarithms of exact values by those of level, impedance and ratio.

    Each network is followed from the one made last.
    """

    def __init__(self, form: str, topology: Topology, job: Job) -> None:
        self._form, self._topology, self._job = form, topology, job
        self.near: ExactNetwork | None = None

    def __call__(self, point: Floats) -> Floats | None:
        level, impedance, ratio = np.exp(point)
        if not 0.0 < level < 1.0:
            return None
        realised = exact_network_or_none(
            self._form, self._job.curve, loading=self._job.loading, gain=float(level),
            shunt_resistance=float(impedance), section_ratio=float(ratio), near=self.near,
        )  # fmt: skip
        if realised is None or realised.network.topology.elements != self._topology.elements:
            return None
        self.near = realised
        return np.log(realised.network.values)


def _over(deadline: float | None) -> bool:
    return deadline is not None and time.perf_counter() > deadline


def _given_point(form: str, topology: Topology, logs: Floats, gain: float) -> Floats:
    """Logarithms of gain, shunt resistance and section ratio of the given values themselves."""
    shunts = [
        value
        for element, value in zip(topology.elements, logs.tolist(), strict=True)
        if element.kind is ElementKind.RESISTOR and "0" in element.nodes
    ]
    # The resistor across the output comes last, before it that in the middle of a cascade.
    ratio = shunts[-1] - shunts[-2] if "section_ratio" in free_parameters(form) else 0.0
    return np.array([math.log(gain), shunts[-1], ratio])


def _descended(exact: _ExactLogs, point: Floats, logs: Floats) -> tuple[float, Floats] | None:
    """Squared distance and values at the end of a descent, as `exact_network` has them there."""
    descent = _descent(exact, point, logs)
    if descent is None:
        return None
    end, followed = descent
    exact.near = None
    now = exact(end)
    if now is None or np.max(np.abs(now - followed)) > _SAME:
        # Another network makes the curve as well there: descend among the ones that are taken.
        descent = _descent(exact, point, logs, anew=True)
        assert descent is not None
        now = descent[1]
    return float(np.sum((now - logs) ** 2)), now


def _descent(
    exact: _ExactLogs, point: Floats, logs: Floats, *, anew: bool = False
) -> tuple[Floats, Floats] | None:
    """Point and values at the end of a descent by Gauss and Newton, steps halved.

    `anew`: networks are not followed from one another, but looked for everywhere.
    """

    def at(point: Floats) -> Floats | None:
        exact.near = None if anew else exact.near
        return exact(point)

    exact.near = None
    now = at(point)
    if now is None:
        return None
    distance = float(np.sum((now - logs) ** 2))
    for _ in range(_ROUNDS):
        columns = [at(point + step) for step in _STEP * np.eye(len(point))]
        if any(c is None for c in columns):
            break
        slopes = np.stack([(c - now) / _STEP for c in columns if c is not None], axis=1)
        step = np.linalg.lstsq(slopes, logs - now, rcond=1e-6)[0]
        close = np.max(np.abs(step)) < _CLOSE
        for _ in range(_HALVINGS):
            after = at(point + step)
            if after is not None and (close or np.sum((after - logs) ** 2) < distance):
                break
            step = step / 2.0
        else:
            break
        assert after is not None
        point, now, distance = point + step, after, float(np.sum((after - logs) ** 2))
        if np.max(np.abs(step)) < 1e-9:
            break
    return point, now
