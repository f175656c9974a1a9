"""Bounds of the networks that make the curve of one position of the switch exactly.

The variables are logarithms of values, and that of a free pole.  Where a resistor and a capacitor
make a zero by themselves (`antecurve.pick.structure`) one follows from the other,
ln C = ln T - ln R.

* **Monotone bounds.** The zeros are those of the curve, and the poles are known but for a free one
  and the load's, so that ratios of coefficients and H(s) at real s are known within bounds; they
  rise or fall with every element (`antecurve.pick.monotone_bounds`).
* **Tangent and curvature** over the band (`antecurve.pick.bounds`).  A free pole T is a further
  factor 1 + s T: by ln T its slope is S = s T/(1 + s T), and its curvature is within u(S).

With load capacitance there is one pole T5 more, the shortest.  1/T5 is the largest eigenvalue of
G v = lambda C v, and so above v^T G v/v^T C v with v = 1 at the nodes that capacitors join with the
output and 0 elsewhere: where these reach neither ground nor the input, T5 <= CL (R || RL), R the
resistor across the output.  Over the band T5 changes the shape by less than ln(1 + (w T5)^2)/4.
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
from antecurve.networks.topology import Element, ElementKind
from antecurve.pick.model import NEPER_DB, Linear, NetworkModel
from antecurve.pick.structure import shorting_pairs, zero_pairs
from antecurve.switched.throws import ThrownNetwork

__all__ = ["ExactBounds", "ExactModel", "Wanted"]

Floats = NDArray[np.float64]

_LIMIT_DB = 0.01  # twice what counts as exact
_REAL_POINTS = 7  # of real s, about three in two decades of the band and beside it
_SLACK = 1e-9  # relative: widens each bound by more than its sums round


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
    """

    name: str
    network: ThrownNetwork
    job: Job
    curve: Curve
    poles: tuple[float, float] | None
    zeros_s: tuple[float, ...]
    samples: Floats

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
    """A position by the logarithms that remain, its free pole among them.

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
    pole : int
        Place of the free pole; -1 for none.
    """

    def __init__(
        self, wanted: Wanted, columns: NDArray[np.int64], signs: Floats, shifts: Floats,
        variables: NDArray[np.int64], pole: int,
    ) -> None:  # fmt: skip
        super().__init__(wanted.network.topology, replace(wanted.job, curve=wanted.curve))
        self.columns, self.signs, self.shifts = columns, signs, shifts
        self.variables, self.pole = variables, pole
        self._to_variables = np.zeros((len(columns), len(variables)))
        self._to_variables[np.arange(len(columns)), columns] = signs
        own = (signs > 0.0) & (shifts == 0.0)
        self.across_output = tuple(int(columns[i]) for i in self.across_output if own[i])
        self.at_input = tuple(int(columns[i]) for i in self.at_input if own[i])

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

    def linearise(self, values: Floats) -> Linear:
        """Linearise by the variables; see `NetworkModel.linearise`.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, variables)
            Values of the variables [ohm, F and s].

        Returns
        -------
        Linear
            Of the rows.
        """
        linear = self._by_variables(super().linearise(self._values(values)))
        if self.pole < 0:
            return linear
        square = (2.0 * math.pi * self.frequency * values[:, self.pole, None]) ** 2
        share, sizes = square / (1.0 + square), np.sqrt(square) / (1.0 + square)
        sizes = sizes + 2.0 * share * (1.0 - share)
        slopes, top, bottom = (
            np.array(a) for a in (linear.slopes, linear.top_sizes, linear.bottom_sizes)
        )
        slopes[:, :, self.pole] += share - share[:, -1:]  # the last row, 1 kHz, stays as it is
        top[:, :-1, self.pole] += sizes[:, :-1]
        bottom[:, :-1, self.pole] += sizes[:, -1:]
        rows = linear.rows + 0.5 * (np.log1p(square) - np.log1p(square[:, -1:]))
        return Linear(rows, slopes, top, bottom)

    def linearise_output(self, values: Floats) -> Linear:
        """Linearise by the variables; see `NetworkModel.linearise_output`.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, variables)
            Values of the variables [ohm, F and s].

        Returns
        -------
        Linear
            One row, of ln|Z| with Z in ohm.
        """
        return self._by_variables(super().linearise_output(self._values(values)))

    def linearise_input(self, values: Floats) -> Linear:
        """Linearise by the variables; see `NetworkModel.linearise_input`.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, variables)
            Values of the variables [ohm, F and s].

        Returns
        -------
        Linear
            One row, of ln|Z| with Z in ohm.
        """
        return self._by_variables(super().linearise_input(self._values(values)))

    def _values(self, values: Floats) -> Floats:
        return np.exp(self.elements(np.log(values)))

    def _by_variables(self, linear: Linear) -> Linear:
        sizes = np.abs(self._to_variables)
        return Linear(
            linear.rows, linear.slopes @ self._to_variables, linear.top_sizes @ sizes,
            linear.bottom_sizes @ sizes,
        )  # fmt: skip


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
        When its zeros and poles are not as many as the curve says, or no bound of T5 is known.
    """

    def __init__(self, model: ExactModel, wanted: Wanted) -> None:
        self._model = model
        sample = model.transfer(np.ones((1, len(wanted.elements))))
        top, bottom = (np.flatnonzero(a[0]) for a in (sample.numerator, sample.denominator))
        self._tops, self._bottoms = top, bottom
        curve = zero_pole_gain(wanted.curve).lowest_terms()
        lowest, highest = wanted.poles or (0.0, 0.0)
        poles = [(t, t) for t in curve.poles_s] + [(lowest, highest)] * (wanted.poles is not None)
        further = len(bottom) - 1 - len(poles)
        self.has_load_pole = further == 1
        if len(top) - 1 != len(curve.zeros_s) or further not in (0, 1):
            raise ValueError("zeros and poles are more than the curve's")
        if self.has_load_pole:
            self._across = _across_output(wanted)
            poles.append((0.0, highest or min(curve.poles_s)))
        zeros = [(t, t) for t in curve.zeros_s]
        self._top, self._bottom = _ratios(zeros), _ratios(poles)
        assert model.ladder is not None
        self._rising = model.ladder.rising(model.topology)
        self._set_levels(zeros, poles, int(top[0]) - int(bottom[0]))

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
            (self._tops, self._top, at_low.numerator, at_high.numerator),
            (self._bottoms, self._bottom, at_low.denominator, at_high.denominator),
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
        top = transfer.numerator[:, self._tops[0] :]
        bottom = transfer.denominator[:, self._bottoms[0] :]
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

    def limit(self, high: Floats) -> float:
        """State the largest centred error that counts as none, the load's pole included.

        Parameters
        ----------
        high : numpy.ndarray of float, shape (boxes, elements)
            Largest values of the elements [ohm and F].

        Returns
        -------
        float
            The error [Np], for all boxes.
        """
        limit = _LIMIT_DB / NEPER_DB
        if not self.has_load_pole:
            return limit
        loading = self._model.job.loading
        parallel = 1.0 / (1.0 / high[:, self._across].max() + 1.0 / loading.load_resistance)
        reach = 2.0 * math.pi * self._model.job.target.band_hz[1]
        reach *= loading.load_capacitance * parallel
        return limit + 0.25 * math.log1p(reach * reach)


def _ratios(times: list[tuple[float, float]]) -> tuple[Floats, Floats]:
    """Bounds of the ratios of neighbouring coefficients, which rise with each time constant."""
    least, most = (np.abs(np.poly([-t[end] for t in times])) for end in (0, 1))
    return least[1:] / least[:-1], most[1:] / most[:-1]


def _across_output(wanted: Wanted) -> int:
    """Place of the resistor across the output, where it bounds the load's pole."""
    joined, seen = {"out"}, set[str]()
    capacitors = [set(e.nodes) for e in wanted.elements if e.kind is ElementKind.CAPACITOR]
    while joined - seen:
        node = (joined - seen).pop()
        seen.add(node)
        joined |= {n for nodes in capacitors if node in nodes for n in nodes}
    across = [i for i, e in enumerate(wanted.elements) if set(e.nodes) == {"out", "0"}]
    if joined & {"in", "0"} or len(across) != 1:
        raise ValueError("no bound of the load's pole")
    return across[0]
