"""The first cut: boxes of combinations that monotone bounds can't exclude.

Three facts about a ladder of resistors and capacitors hold exactly, over boxes of any size:

* The time constants of its denominator (source and load included) rise with every R and every
  C: they are the eigenvalues of the pencil (capacitance matrix, conductance matrix), and those of
  a symmetric definite pencil are monotone in both matrices (Courant-Fischer).  So is every ratio
  d_k/d_i, k > i, of its coefficients: it is a ratio of elementary symmetric functions of the time
  constants, e_k/e_i, which rises with each of them (Newton's inequalities).
* The same holds for the numerator, the product over the arms.
* At real s > 0 it is a divider of resistors: H(s) rises or falls with each element all over the
  space (`antecurve.pick.structure.Ladder.rising`).

The time constants of a network with a centred error within the limit lie in a hull
(`antecurve.pick.time_constants`), so bounds of these quantities follow; they are compared with the
values at the corners of a box.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.transfer_function import TransferFunction
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, level_db, zero_pole_gain
from antecurve.pick.boxes import Boxes, Grids, joined
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.pick.root_ranges import TimeIsOverError
from antecurve.pick.time_constants import (
    TimeConstantHull,
    contracted,
    symmetric,
    time_constant_hull,
)

__all__ = ["MonotoneBounds", "monotone_cut", "narrowed"]

Floats = NDArray[np.float64]

_SLACK = 1e-9  # relative: widens each bound by more than its sums round
_FINE_POINTS = 25  # as many as tell three zeros and four poles apart
_REAL_POINTS = 7  # of real s, about three in two decades of the band and beside it
_NARROW, _MOST_NARROW = 0.06, 300_000  # of networks that are no ladder, by trial; some 50 MB
_MANY_MESHED = 7  # positions of a network that is no ladder: of fewer windows alone tell enough
_MANY_POSITIONS = 8  # of a ladder: three zeros and their poles
_MOST_BOXES = 60_000  # some 10 MB with their logarithms


@dataclass(frozen=True, slots=True, eq=False)
class _Window:
    """Bounds of one ratio of coefficients."""

    upper: int
    lower: int
    least: float
    most: float


class MonotoneBounds:
    """Monotone bounds of one network for one error limit.

    Parameters
    ----------
    model : NetworkModel
        A ladder.
    grids : Grids
        Candidates.
    limit : float
        Largest centred error [Np].
    fine : bool, optional
        Whether time constants are bounded as narrowly as can be.
    deadline : float or None, optional
        Value of `time.perf_counter` at which to give up.

    Raises
    ------
    TimeIsOverError
        When the deadline passes.

    Attributes
    ----------
    hull : TimeConstantHull
        The bounds of time constants.
    load_s : float or None
        Where zeros and poles interlace, the longest time constant of the load [s].
    """

    def __init__(
        self, model: NetworkModel, grids: Grids, limit: float, *, fine: bool = False,
        deadline: float | None = None,
    ) -> None:  # fmt: skip
        self._model = model
        self._grids = grids
        sample = model.transfer(np.exp(grids.logs(grids.whole().first)))
        top, bottom = sample.numerator[0], sample.denominator[0]
        self._origin = int(np.argmax(top > 0))
        self._base = int(np.argmax(bottom > 0))
        zeros = int(np.flatnonzero(top)[-1]) - self._origin
        poles = int(np.flatnonzero(bottom)[-1]) - self._base
        omega = 2.0 * math.pi * model.frequency[:-1]
        origin = self._origin - self._base
        self.load_s = _load_time_constant(model) if fine and origin == 0 else None
        at = (
            2.0 * math.pi * np.geomspace(*model.job.target.band_hz, _FINE_POINTS) if fine else omega
        )
        levels = level_db(model.job.curve, at / (2.0 * math.pi)) / NEPER_DB
        ideal = zero_pole_gain(model.job.curve)
        self._asked: dict[str, Any] = {
            "target": levels - origin * np.log(at), "omega": at,
            "zeros": zeros, "poles": poles, "limit": limit,
            "near": (ideal.zeros_s, ideal.poles_s) if fine else None, "load_s": self.load_s,
        }  # fmt: skip
        hull = time_constant_hull(**self._asked, deadline=deadline)
        self.hull = hull
        self.empty = hull.empty
        if hull.empty or model.ladder is None:
            return
        self._rising = model.ladder.rising(model.topology)
        self._top = _windows(hull.zeros_low, hull.zeros_high)
        self._bottom = _windows(hull.poles_low, hull.poles_high)
        self._set_real(hull, omega, origin)

    def _set_real(self, hull: TimeConstantHull, omega: Floats, origin: int) -> None:
        """Bounds of ln H(s) - a ln s at real s, from those of the time constants."""
        model = self._model
        s = np.concatenate([[0.0], np.geomspace(omega[0] / 4.0, 4.0 * omega[-1], _REAL_POINTS)])
        one = 2.0 * math.pi * REFERENCE_FREQUENCY_HZ
        level = model.job.target.level_tolerance_db / NEPER_DB
        at_one = math.log(model.job.gain) - origin * math.log(one)

        def share(low: Floats, high: Floats) -> tuple[Floats, Floats]:
            """Least and most of ln(1 + s T) - ln|1 + j w1 T|, summed, over T in [low, high]."""
            least, most = np.zeros_like(s), np.zeros_like(s)
            for a, b in zip(low, high, strict=True):
                ends = np.stack([_real_share(s, one, a), _real_share(s, one, b)])
                peak = _real_share(s, one, np.clip(s / one**2, a, b))
                ends = np.concatenate([ends, peak[None]])
                least += ends.min(axis=0)
                most += ends.max(axis=0)
            return least, most

        top_least, top_most = share(hull.zeros_low, hull.zeros_high)
        bottom_least, bottom_most = share(hull.poles_low, hull.poles_high)
        self._s = s
        self._least = np.exp(at_one - level + top_least - bottom_most) * (1.0 - _SLACK)
        self._most = np.exp(at_one + level + top_most - bottom_least) * (1.0 + _SLACK)

    def contracted(self, low: Floats, high: Floats) -> tuple[Floats, Floats, NDArray[np.int64]]:
        """Tighten ranges of time constants by `antecurve.pick.time_constants.contracted`.

        Parameters
        ----------
        low, high : numpy.ndarray of float, shape (boxes, time constants)
            Logarithms, as there.

        Returns
        -------
        tuple of numpy.ndarray
            What is left, as there.
        """
        return contracted(low, high, **self._asked)

    def __call__(self, boxes: Boxes) -> NDArray[np.bool_]:
        """Test which boxes may hold a combination within the limit."""
        low = np.exp(self._grids.logs(boxes.first))
        high = np.exp(self._grids.logs(boxes.last))
        at_low, at_high = self._model.transfer(low), self._model.transfer(high)
        keep = self._ratios(at_low, at_high)
        keep[keep] = self._levels(low[keep], high[keep])
        limit = self._model.job.network.output_resistance_max
        if limit is not None:
            keep[keep] = self._output(low[keep], high[keep], limit)
        return keep

    def _ratios(self, at_low: TransferFunction, at_high: TransferFunction) -> NDArray[np.bool_]:
        keep = np.ones(len(at_low.numerator), dtype=bool)
        for windows, low, high, shift in (
            (self._top, at_low.numerator, at_high.numerator, self._origin),
            (self._bottom, at_low.denominator, at_high.denominator, self._base),
        ):
            for window in windows:
                k, i = window.upper + shift, window.lower + shift
                keep &= low[:, k] <= window.most * low[:, i]
                keep &= high[:, k] >= window.least * high[:, i]
        return keep

    def _levels(self, low: Floats, high: Floats) -> NDArray[np.bool_]:
        least = self._model.transfer(np.where(self._rising, low, high))
        most = self._model.transfer(np.where(self._rising, high, low))

        def at(coefficients: TransferFunction) -> tuple[Floats, Floats]:
            top = coefficients.numerator[:, self._origin :]
            bottom = coefficients.denominator[:, self._base :]
            return (
                top @ self._s ** np.arange(top.shape[1])[:, None],
                bottom @ self._s ** np.arange(bottom.shape[1])[:, None],
            )

        top, bottom = at(least)
        keep = np.all(top <= self._most * bottom, axis=1)
        top, bottom = at(most)
        return np.asarray(keep & np.all(top >= self._least * bottom, axis=1))

    def _output(self, low: Floats, high: Floats, limit: float) -> NDArray[np.bool_]:
        """The output impedance at 1 kHz; |Z| is at least Re Z, which is at least Z(infinity).

        Numerator and denominator each rise with every element in magnitude, too.
        """
        at_low, at_high = self._model.output(low), self._model.output(high)
        s = 2j * math.pi * REFERENCE_FREQUENCY_HZ
        top = np.abs(at_low.numerator @ s ** np.arange(at_low.numerator.shape[1]))
        bottom = np.abs(at_high.denominator @ s ** np.arange(at_high.denominator.shape[1]))
        keep = top <= limit * bottom * (1.0 + _SLACK)
        if at_low.numerator.shape == at_low.denominator.shape:
            shorted = at_low.numerator[:, -1] <= limit * at_low.denominator[:, -1] * (1.0 + _SLACK)
            keep &= shorted
        return np.asarray(keep)


def _load_time_constant(model: NetworkModel) -> float | None:
    """What Rp CL is below, where zeros and poles interlace.

    |1/H| at 1 kHz is at most 1 + |Rs + Z||Y|, so |1/(Rs + Z)| is at most k |Y| with k = g/(1 - g).
    Hence 1/Zout = 1/R + 1/(Rs + Z) is at most (1 + k)/R + k (1/RL + w CL), and a limit of the
    output resistance bounds R.
    """
    if model.ladder is None:
        return None
    shunts = tuple(int(i) for i in np.flatnonzero(model.ladder.shunt))
    if set(shunts) - set(model.across_output):
        return None
    loading, limit = model.job.loading, model.job.network.output_resistance_max
    most = 1.0 / loading.load_resistance
    gain = model.job.gain * math.exp(model.job.target.level_tolerance_db / NEPER_DB)
    if limit is not None and len(shunts) == 1 and gain < 1.0:
        share = gain / (1.0 - gain)
        omega = 2.0 * math.pi * REFERENCE_FREQUENCY_HZ
        across = 1.0 / loading.load_resistance + omega * loading.load_capacitance
        most += max(0.0, (1.0 / limit - share * across) / (1.0 + share))
    return loading.load_capacitance / most * (1.0 + _SLACK)


def _real_share(s: Floats, one: float, t: Floats | float) -> Floats:
    return np.asarray(np.log1p(s * t) - np.log(np.hypot(1.0, one * np.asarray(t))))


def _windows(low: Floats, high: Floats) -> list[_Window]:
    least, most = symmetric(low), symmetric(high)
    return [
        _Window(
            k, i,
            least[k] / least[i] * (1.0 - _SLACK) if least[i] > 0 else 0.0,
            most[k] / most[i] * (1.0 + _SLACK),
        )
        for k in range(len(least))
        for i in range(k)
    ]  # fmt: skip


def monotone_cut(
    model: NetworkModel,
    grids: Grids,
    *,
    limit: float,
    width: float = 0.5,
    leaf: int = 256,
    deadline: float | None = None,
) -> Boxes:
    """Find boxes of combinations that may hold one within an error limit.

    Parameters
    ----------
    model : NetworkModel
        The network; of one that is no ladder `antecurve.pick.coefficient_windows` has the bounds,
        and of small limits `antecurve.pick.curve_equations`.
    grids : Grids
        Candidates.
    limit : float
        Largest centred error [Np].
    width : float, optional
        Boxes are halved until no side is wider [ln of the value].
    leaf : int, optional
        A box with no more combinations is not halved any more.
    deadline : float or None, optional
        Value of `time.perf_counter` after which boxes are returned as they are.

    Returns
    -------
    Boxes
        Every combination within the limit is in one of them.  Where the bounds say little,
        as for a narrow band, they are left wider, so that their number stays within memory.
    """
    boxes = grids.whole()
    if model.ladder is None:
        late = deadline is not None and time.perf_counter() > deadline
        if late or model.topology.output != ("out", "0"):
            return boxes
        cut_by = _coefficient_cut(model, grids, limit, deadline)
        return narrowed(
            boxes, cut_by, grids, width=_NARROW, leaf=leaf, most=_MOST_NARROW, deadline=deadline
        )
    try:
        # Of many time constants a rough hull says little, and takes as long as a fine one.
        many = len(grids.grids) >= _MANY_POSITIONS
        cut = MonotoneBounds(model, grids, limit, fine=many, deadline=deadline if many else None)
    except TimeIsOverError:
        return boxes
    if cut.empty:
        return boxes.where(slice(0, 0))
    return narrowed(boxes, cut, grids, width=width, leaf=leaf, deadline=deadline)


def _coefficient_cut(
    model: NetworkModel, grids: Grids, limit: float, deadline: float | None
) -> Callable[[Boxes], NDArray[np.bool_]]:
    """What says which boxes of a network that is no ladder may hold a combination."""
    from antecurve.pick.coefficient_windows import CoefficientWindows
    from antecurve.pick.curve_equations import CurveEquations

    windows = CoefficientWindows(model, grids, limit)
    if len(grids.grids) < _MANY_MESHED:
        return windows
    equations = CurveEquations(model, grids, limit, deadline=deadline)
    if not equations.useful:
        return windows

    def cut(boxes: Boxes) -> NDArray[np.bool_]:
        keep = windows(boxes)
        keep[keep] = equations(boxes.where(keep))
        return keep

    return cut


def narrowed(
    boxes: Boxes,
    cut: Callable[[Boxes], NDArray[np.bool_]],
    grids: Grids,
    *,
    width: float = 0.5,
    leaf: int = 256,
    most: int = _MOST_BOXES,
    deadline: float | None = None,
) -> Boxes:
    """Halve boxes and drop those that can't hold a combination; parameters as in `monotone_cut`.

    Parameters
    ----------
    boxes : Boxes
        Where to begin.
    cut : callable
        Says which boxes may hold a combination.
    grids : Grids
        Candidates.
    width, leaf, deadline : optional
        See `monotone_cut`.
    most : int, optional
        So many boxes at a time are halved no more.

    Returns
    -------
    Boxes
        What is left.
    """
    done: list[Boxes] = [boxes.where(slice(0, 0))]
    while len(boxes):
        boxes = grids.ordered(boxes)
        boxes = boxes.where(cut(boxes))
        sides = grids.logs(boxes.last) - grids.logs(boxes.first)
        small = (sides.max(axis=1, initial=0.0) <= width) | (boxes.sizes <= leaf)
        late = deadline is not None and time.perf_counter() > deadline
        if late or len(boxes) > most:
            small[:] = True
        done.append(boxes.where(small))
        boxes = grids.halved(boxes.where(~small), sides[~small])
    return joined(*done)
