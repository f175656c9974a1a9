"""Bounds of the networks that make the curve of one position of the switch exactly.

The variables are logarithms of values.  Where a resistor and a capacitor make a zero by themselves
(`antecurve.pick.structure`) one follows from the other, ln C = ln T - ln R.

* **Products and ratios** of values have bounds whatever is free (`antecurve.switched.conflicts`).
  They narrow boxes of the variables.
* **Monotone bounds.** The zeros are those of the curve, and the poles are known but for a free one
  and the load's, which is shorter: so ratios of coefficients and H(s) at real s are known within
  bounds.  They rise or fall with every element (`antecurve.pick.monotone_bounds`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve, zero_pole_gain
from antecurve.job import Job
from antecurve.networks.topology import Element
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.pick.structure import shorting_pairs, zero_pairs
from antecurve.switched.throws import ThrownNetwork

__all__ = ["ExactBounds", "ExactModel", "ValueBound", "Wanted"]

Floats = NDArray[np.float64]

_REAL_POINTS = 7  # of real s, about three in two decades of the band and beside it
_NARROWED = 1e-12  # of a logarithm: more than sums of some round
_SLACK = 1e-9  # relative: widens each bound by more than its sums round


@dataclass(frozen=True, slots=True)
class ValueBound:
    """Bounds of ln v_first + sign ln v_last, of a value where the sign is 0.

    Attributes
    ----------
    first, last : int
        Places of the elements.
    sign : float
        1 for a product, -1 for a ratio, 0 for the first value by itself.
    low, high : float
        The bounds.
    """

    first: int
    last: int
    sign: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, eq=False)
class Wanted:
    """What one position of the switch has to make.

    Attributes
    ----------
    name : str
        The position.
    network : ThrownNetwork
        What the throws leave of the network.
    job : Job
        Loading, level, band and limits.
    curve : Curve
        The curve, without a free ultrasonic pole.
    poles : tuple of float or None
        Range of the free ultrasonic pole [s]; ``None`` where the curve has its own.
    zeros_s : tuple of float
        Zeros [s] of the curve; empty where not every capacitor makes one.
    samples : numpy.ndarray of float, shape (samples, elements)
        ln of some exact values: they tell in a cascade which pair makes which zero.
    bounds : tuple of ValueBound
        What is proved of its values.
    """

    name: str
    network: ThrownNetwork
    job: Job
    curve: Curve
    poles: tuple[float, float] | None
    zeros_s: tuple[float, ...]
    samples: Floats
    bounds: tuple[ValueBound, ...]

    @property
    def elements(self) -> tuple[Element, ...]:
        """The elements that have an effect."""
        return self.network.topology.elements

    def paired(self, *, fixed: bool) -> Iterator[dict[tuple[int, int], float]]:
        """List the ways in which pairs of a resistor and a capacitor make the zeros.

        Parameters
        ----------
        fixed : bool
            Whether the form says which pair makes which zero, so that the samples tell.

        Yields
        ------
        dict of tuple of int to float
            Time constant [s] by the places of the two.
        """
        topology = self.network.topology
        pairs = zero_pairs(topology) + shorting_pairs(topology)
        if fixed:
            zeros = np.array(self.zeros_s)
            products = [math.exp(self.samples[0, list(pair)].sum()) for pair in pairs]
            nearest = [float(zeros[np.abs(np.log(zeros / p)).argmin()]) for p in products]
            yield dict(zip(pairs, nearest, strict=True))
            return
        for zeros_s in permutations(self.zeros_s, len(pairs)):
            yield dict(zip(pairs, zeros_s, strict=True))


class ExactModel(NetworkModel):
    """A position by the logarithms that remain.

    Parameters
    ----------
    wanted : Wanted
        The position.
    columns : numpy.ndarray of int, shape (elements,)
        The variable that tells each element.
    signs, shifts : numpy.ndarray of float, shape (elements,)
        ln of an element is its sign times the variable, and its shift more.
    variables : numpy.ndarray of int, shape (count,)
        The variables of both positions that this one has, in the order of `columns`.
    """

    def __init__(
        self, wanted: Wanted, columns: NDArray[np.int64], signs: Floats, shifts: Floats,
        variables: NDArray[np.int64],
    ) -> None:  # fmt: skip
        super().__init__(wanted.network.topology, replace(wanted.job, curve=wanted.curve))
        self.columns, self.signs, self.shifts = columns, signs, shifts
        self.variables = variables
        self._bounds = wanted.bounds

    def elements(self, logs: Floats) -> Floats:
        """Take the logarithms of the elements from those of the variables.

        Parameters
        ----------
        logs : numpy.ndarray of float, shape (points, variables)
            ln of the variables.

        Returns
        -------
        numpy.ndarray of float, shape (points, elements)
            ln of the element values.
        """
        return np.asarray(self.signs * logs[:, self.columns] + self.shifts)

    def element_ends(self, low: Floats, high: Floats) -> tuple[Floats, Floats]:
        """Compute the least and the largest values of the elements in boxes of the variables.

        Parameters
        ----------
        low, high : numpy.ndarray of float, shape (boxes, variables)
            Ends of the boxes, ln of the variables.

        Returns
        -------
        least, largest : numpy.ndarray of float, shape (boxes, elements)
            Values [ohm and F].
        """
        one, other = np.exp(self.elements(low)), np.exp(self.elements(high))
        return np.minimum(one, other), np.maximum(one, other)

    def narrowed(self, low: Floats, high: Floats) -> tuple[Floats, Floats]:
        """Narrow boxes to what is proved of values, products and ratios.

        Parameters
        ----------
        low, high : numpy.ndarray of float, shape (boxes, variables)
            Ends of the boxes, ln of the variables of both positions.

        Returns
        -------
        low, high : numpy.ndarray of float, shape (left, variables)
            Those in which anything is left.
        """
        own = self.variables[self.columns]
        ends = self.signs * low[:, own] + self.shifts, self.signs * high[:, own] + self.shifts
        least, most = np.minimum(*ends).T.copy(), np.maximum(*ends).T.copy()
        for bound in self._bounds:
            i, j, sign = bound.first, bound.last, bound.sign
            near, far = (least[j], most[j]) if sign >= 0.0 else (most[j], least[j])
            least[i] = np.maximum(least[i], bound.low - sign * far)
            most[i] = np.minimum(most[i], bound.high - sign * near)
            if sign:
                others = sign * (bound.low - most[i]), sign * (bound.high - least[i])
                least[j] = np.maximum(least[j], np.minimum(*others))
                most[j] = np.minimum(most[j], np.maximum(*others))
        low, high = low.copy(), high.copy()
        for variable, sign, shift, one, two in zip(
            own, self.signs, self.shifts, least, most, strict=True
        ):
            told = sign * (one - shift), sign * (two - shift)
            low[:, variable] = np.maximum(low[:, variable], np.minimum(*told) - _NARROWED)
            high[:, variable] = np.minimum(high[:, variable], np.maximum(*told) + _NARROWED)
        keep = np.all(low <= high, axis=1) & np.all(least <= most + _NARROWED, axis=0)
        return low[keep], high[keep]


class ExactBounds:
    """Which boxes may hold a network with a curve's zeros and poles.

    Parameters
    ----------
    model : ExactModel
        The position; a ladder.
    wanted : Wanted
        What it has to make.

    Raises
    ------
    ValueError
        When its zeros and poles are not as many as the curve says.
    """

    def __init__(self, model: ExactModel, wanted: Wanted) -> None:
        self._model = model
        sample = model.transfer(np.ones((1, len(wanted.elements))))
        top, bottom = (np.flatnonzero(a[0]) for a in (sample.numerator, sample.denominator))
        self.tops, self.bottoms = top, bottom
        curve = zero_pole_gain(wanted.curve).lowest_terms()
        lowest, highest = wanted.poles or (0.0, 0.0)
        poles = [(t, t) for t in curve.poles_s] + [(lowest, highest)] * (wanted.poles is not None)
        further = len(bottom) - 1 - len(poles)
        if len(top) - 1 != len(curve.zeros_s) or further not in (0, 1):
            raise ValueError("zeros and poles are more than the curve's")
        if further:  # the load's
            poles.append((0.0, highest or min(curve.poles_s)))
        zeros = [(t, t) for t in curve.zeros_s]
        self._top, self._bottom = _ratios(zeros), _ratios(poles)
        assert model.ladder is not None
        self._rising = model.ladder.rising(model.topology)
        self._set_levels(zeros, poles, int(top[0]) - int(bottom[0]))

    @property
    def gain_constant(self) -> tuple[float, float]:
        """Bounds of H/s^a towards DC."""
        return float(self._least[0]), float(self._most[0])

    @property
    def sum_of_poles(self) -> tuple[float, float]:
        """Bounds of the sum of the poles [s]."""
        least, most = self._bottom
        return float(least[0]), float(most[0])

    def _set_levels(
        self, zeros: list[tuple[float, float]], poles: list[tuple[float, float]], origin: int
    ) -> None:
        """Bounds of H(s)/s^a at real s, from those of the time constants and of the level."""
        target = self._model.job.target
        one = 2.0 * math.pi * REFERENCE_FREQUENCY_HZ
        low, high = (2.0 * math.pi * f for f in target.band_hz)
        s = np.concatenate([[0.0], np.geomspace(low / 4.0, 4.0 * high, _REAL_POINTS)])

        def shares(times: list[tuple[float, float]]) -> Floats:
            """Least and most of the sum of ln(1 + s T) - ln|1 + j w1 T|, largest at T = s/w1^2."""
            ends = np.zeros((2, len(s)))
            for a, b in times:
                at = np.stack([np.full_like(s, a), np.full_like(s, b), np.clip(s / one**2, a, b)])
                share = np.log1p(s * at) - np.log(np.hypot(1.0, one * at))
                ends += np.stack([share.min(axis=0), share.max(axis=0)])
            return ends

        top, bottom = shares(zeros), shares(poles)
        level = math.log(self._model.job.gain) - origin * math.log(one)
        room = target.level_tolerance_db / NEPER_DB + _SLACK
        self._s = s
        self._least = np.exp(level - room + top[0] - bottom[1])
        self._most = np.exp(level + room + top[1] - bottom[0])

    def __call__(self, low: Floats, high: Floats) -> NDArray[np.bool_]:
        """Test boxes of element values."""
        model = self._model
        at_low, at_high = model.transfer(low), model.transfer(high)
        keep = np.ones(len(low), dtype=bool)
        for powers, (least, most), small, large in (
            (self.tops, self._top, at_low.numerator, at_high.numerator),
            (self.bottoms, self._bottom, at_low.denominator, at_high.denominator),
        ):
            upper, lower = powers[1:], powers[:-1]
            keep &= np.all(small[:, upper] <= most * small[:, lower] * (1.0 + _SLACK), axis=1)
            keep &= np.all(large[:, upper] >= least * large[:, lower] * (1.0 - _SLACK), axis=1)
        for corner, bounds, sign in (
            (np.where(self._rising, low, high), self._most, 1.0),
            (np.where(self._rising, high, low), self._least, -1.0),
        ):
            levels = self._at_real(corner)
            keep &= np.all(sign * levels <= sign * bounds * (1.0 + sign * _SLACK), axis=1)
        limit = model.job.network.output_resistance_max
        return keep if limit is None else keep & (self._least_output(low, high) <= limit)

    def _at_real(self, values: Floats) -> Floats:
        transfer = self._model.transfer(values)
        top = transfer.numerator[:, self.tops[0] :]
        bottom = transfer.denominator[:, self.bottoms[0] :]
        return np.asarray(
            (top @ self._s ** np.arange(top.shape[1])[:, None])
            / (bottom @ self._s ** np.arange(bottom.shape[1])[:, None])
        )

    def _least_output(self, low: Floats, high: Floats) -> Floats:
        """Lower bound of the output impedance at 1 kHz: both parts rise with every element."""
        s = 2j * math.pi * REFERENCE_FREQUENCY_HZ
        top, bottom = self._model.output(low).numerator, self._model.output(high).denominator
        size = np.abs(top @ s ** np.arange(top.shape[1]))
        return np.asarray(size / np.abs(bottom @ s ** np.arange(bottom.shape[1])) * (1.0 - _SLACK))


def _ratios(times: list[tuple[float, float]]) -> tuple[Floats, Floats]:
    """Bounds of the ratios of neighbouring coefficients, which rise with each time constant."""
    least, most = (np.abs(np.poly([-t[end] for t in times])) for end in (0, 1))
    return least[1:] / least[:-1], most[1:] / most[:-1]
