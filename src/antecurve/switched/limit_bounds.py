"""Bounds of the networks that keep the limit of one position of the switch, not only exactly.

The networks are half-sections whose series arm holds a resistor in series: with
Rp = R4 || RL and F what is left of the arm, source resistance and Rp, all in series,

.. math:: H = \\frac{R_p}{F}\\,\\frac{1}{1 + j\\omega C_L Z}, \\qquad Z = R_p (1 - R_p/F).

F is an RC impedance.  R3, the source and Rp are one resistance in it, so that its shape and the
level are apart, and the impedance level drops out.  A value of 0 or infinity, which a throw may
leave, is the end of a range, so that one network stands for all throws.

* **Load.** Re F >= Rp puts Rp/F into the disc of diameter [0, 1], and |F| falls with frequency.
  With q = w CL Rp the last factor lowers the level by 0 to ln|1 + q h + j q|, h being what |Rp/F|
  is at most.  The limit of the output resistance bounds Rp.
* **Real frequencies.** ln H has no pole and no zero right of the axis, so (Poisson's integral)

  .. math:: \\ln H(s) = \\frac{2}{\\pi}\\int_0^\\infty \\ln|H(j\\omega)|
            \\frac{s\\,d\\omega}{s^2 + \\omega^2} .

  In the band the limit tells ln|H|, beside it the slope of ln|Rp/F| over ln w is 0 to 1, as zeros
  and poles of an RC impedance alternate (Foster 1924).  H(s) rises or falls with each element.
* **Coefficients.** The ratios of coefficients rise with each time constant and with each element
  (`antecurve.pick.monotone_bounds`); the curve's limit bounds the time constants
  (`antecurve.pick.time_constants`), for some ranges of a free ultrasonic pole.
* **Affine bounds** where elements are known closely (`antecurve.pick.bounds`).  |N| and |D| rise
  with every element; of those that are not known closely both ends are taken.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import FLAT, REFERENCE_FREQUENCY_HZ, Curve, level_db
from antecurve.job import Job
from antecurve.networks.topology import ElementKind, Loading, Topology
from antecurve.pick.bounds import growth_factor
from antecurve.pick.model import CURVATURE_GROWTH, NEPER_DB, Magnitude, NetworkModel
from antecurve.pick.structure import resistors_at_input
from antecurve.pick.time_constants import symmetric, time_constant_hull

__all__ = ["FAR", "RELATIVE", "LimitBounds", "LimitRows", "series_and_shunt"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

FAR = 40.0
"""Of a logarithm: further from the others than 17 decades a value does as 0 or infinity does."""
RELATIVE = -30.0
"""ln of the resistor across the output where it stands for the level alone: 1e-13 of the others."""
_WIDE = 0.5  # half of a range, by trial: of a wider one both ends tell more than a tangent
_POINTS = 12  # frequencies over the band: twice the time constants, and some more
_REAL_POINTS = 9  # of real s, three a decade
_STEPS = 4000  # of the integral over the band: exact to 1e-6 Np
_TAIL_STEPS = 40_000  # of those beside it, down to exp(-40) of its ends
_INTEGRATED = 1e-4  # Np: more than the sums are off
_POLE_RANGES = 5  # of a free ultrasonic pole, each with time constants of its own
_HULL_POINTS = 9  # frequencies, as a pick has them
_NO_LOAD = Loading(0.0, 1e9, 0.0)  # source and load are in the elements; 1e9 times Rp is none
_SLACK = 1e-9  # relative, and Np: more than sums round
_ONE = 2.0 * math.pi * REFERENCE_FREQUENCY_HZ


def series_and_shunt(topology: Topology, job: Job) -> tuple[int, int] | None:
    """Find the resistors that take source and load.

    Parameters
    ----------
    topology : Topology
        A network.
    job : Job
        Its job.

    Returns
    -------
    tuple of int or None
        Places of the resistor in series with the whole series arm, and of the one that is all that
        lies across the output; ``None`` for a network of another kind, and where 1 kHz is not in
        the band.
    """
    low, high = job.target.band_hz
    grounded = [i for i, e in enumerate(topology.elements) if "0" in e.nodes]
    if len(grounded) != 1 or not low <= REFERENCE_FREQUENCY_HZ <= high:
        return None
    (shunt,) = grounded
    element = topology.elements[shunt]
    if element.kind is not ElementKind.RESISTOR or set(element.nodes) != {"out", "0"}:
        return None
    arm = replace(topology, elements=tuple(e for e in topology.elements if e is not element))
    series = resistors_at_input(arm)
    return (series[0] + (series[0] >= shunt), shunt) if len(series) == 1 else None


@dataclass(frozen=True, slots=True, eq=False)
class LimitRows:
    """Rows of a position over boxes, for `antecurve.pick.affine`.

    Attributes
    ----------
    rows, noise : numpy.ndarray of float, shape (boxes, rows)
        Values at the centres, and what they may be off with the limit [Np].
    columns : numpy.ndarray of float, shape (boxes, rows, variables)
        Slopes times half widths, 0 where a range is wide.
    loss : numpy.ndarray of float, shape (boxes, rows, variables)
        What each variable adds to the noise [Np].
    narrow : numpy.ndarray of bool, shape (boxes, variables)
        Which variables are known closely.
    """

    rows: Floats
    noise: Floats
    columns: Floats
    loss: Floats
    narrow: Flags


class LimitBounds:
    """What keeps the limit of one position of the switch.

    The variables are ln of the elements, source and load among them, then ln of a free ultrasonic
    pole [s].

    Parameters
    ----------
    topology : Topology
        The whole network; `series_and_shunt` knows it.
    name : str
        The position.
    curve : Curve
        Its curve, without a free ultrasonic pole.
    job : Job
        Loading, level, band and limits.
    poles : tuple of float or None
        Range of the free ultrasonic pole [s].
    limit : float
        Largest centred error [Np].

    Attributes
    ----------
    poles : tuple of float or None
        The range of the free pole [s].
    count : int
        Number of elements.
    bounded : bool
        Whether the limit bounds the time constants: not that of a flat curve.
    offset : float
        How far the centre of the error is from the wanted level at most [Np].
    """

    def __init__(
        self, topology: Topology, name: str, curve: Curve, job: Job,
        poles: tuple[float, float] | None, limit: float,
    ) -> None:  # fmt: skip
        self.name, self._limit = name, limit
        self.poles = poles
        self.count = len(topology.elements)
        ideal = replace(job, curve=curve, loading=_NO_LOAD)
        self._model = NetworkModel(topology, ideal, count=_POINTS)
        if self._model.ladder is None:
            raise ValueError("no ladder")
        self._rising = self._model.ladder.rising(topology)
        self._job, self._tolerance = job, job.target.level_tolerance_db / NEPER_DB
        self.offset = self._tolerance + limit
        self._largest = _largest_shunt(job)
        self._omega = 2.0 * math.pi * self._model.frequency
        self._load = self._load_room(self._omega)
        self._set_real(job.target.band_hz)
        self.bounded = curve.name != FLAT
        self._ratios = self._coefficients() if self.bounded else ()

    def _load_room(self, omega: Floats) -> Floats:
        """How much the load's capacitance lowers the level at most [Np]."""
        q = omega * self._job.loading.load_capacitance * self._largest
        curve = level_db(self._model.job.curve, omega / (2.0 * math.pi)) / NEPER_DB
        pole = 0.0 if self.poles is None else 0.5 * math.log1p((_ONE * self.poles[1]) ** 2)
        most = self._job.gain * np.exp(curve + pole + self.offset + self._limit)
        share = np.minimum(most * (1.0 + q), 1.0)
        return np.asarray(0.5 * np.log((1.0 + q * share) ** 2 + q * q))

    def _set_real(self, band_hz: tuple[float, float]) -> None:
        """Bounds of ln Rp/F at real s."""
        low, high = (2.0 * math.pi * f for f in band_hz)
        s = np.geomspace(low, high, _REAL_POINTS)
        omega = np.geomspace(low, high, _STEPS + 1)
        level = level_db(self._model.job.curve, omega / (2.0 * math.pi)) / NEPER_DB
        level = level + math.log(self._job.gain)
        ends = [_pole_rows(omega, np.array(t)) for t in self.poles or (0.0,)]
        least = level - np.max(ends, axis=0)
        most = level - np.min(ends, axis=0) + self._load_room(omega)
        kernel = s[:, None] * omega / (s[:, None] ** 2 + omega**2) * (2.0 / math.pi)
        kernel *= math.log(high / low) / _STEPS
        kernel[:, [0, -1]] /= 2.0
        below, above = (2.0 / math.pi) * np.arctan([low / s, s / high])
        spare = self.offset + self._limit + _INTEGRATED
        self._s = s
        under, over = _tail(tuple(low / s)), _tail(tuple(s / high))
        self._least = kernel @ least + below * least[0] - under + above * least[-1] - spare
        self._most = kernel @ most + below * most[0] + above * most[-1] + over + spare

    def _coefficients(self) -> tuple[tuple[bool, int, int, float, float], ...]:
        """Bounds of ratios of coefficients: whether of N, the two powers, least and most."""
        sample = self._model.transfer(np.ones((1, self.count)))
        zeros, poles = (
            int(np.flatnonzero(a[0])[-1]) for a in (sample.numerator, sample.denominator)
        )
        ends = []
        for target, omega, limit in self._targets():
            hull = time_constant_hull(target, omega, zeros=zeros, poles=poles, limit=limit)
            if not hull.empty:
                bounds = hull.zeros_low, hull.zeros_high, hull.poles_low, hull.poles_high
                ends.append(np.concatenate(bounds))
        if not ends:
            raise ValueError("no network keeps the limit")
        least, most = np.min(ends, axis=0), np.max(ends, axis=0)
        made = []
        for numerator, first, count in ((True, 0, zeros), (False, 2 * zeros, poles)):
            low = symmetric(least[first : first + count])
            high = symmetric(most[first + count : first + 2 * count])
            for i, k in combinations(range(count + 1), 2):
                lowest = low[k] / low[i] if low[i] > 0.0 else 0.0
                made.append((numerator, k, i, float(lowest), float(high[k] / high[i])))
        return tuple(made)

    def _targets(self) -> Iterator[tuple[Floats, Floats, float]]:
        """Levels, frequencies and limit for hulls; those of a free pole by ranges of it."""
        omega = 2.0 * math.pi * np.geomspace(*self._job.target.band_hz, _HULL_POINTS)
        level = level_db(self._model.job.curve, omega / (2.0 * math.pi)) / NEPER_DB
        room = float(self._load_room(omega).max()) / 2.0 + self._limit
        if self.poles is None:
            yield level, omega, room
            return
        top = omega[-1]
        least, most = (0.5 * math.log1p((top * t) ** 2) for t in self.poles)
        drops = np.linspace(least, most, _POLE_RANGES + 1)
        times = np.sqrt(np.expm1(2.0 * drops)) / top
        for one, other in pairwise(times):
            drop = [0.5 * np.log1p((omega * t) ** 2) for t in (one, other)]
            yield level - sum(drop) / 2.0, omega, room + float(drop[1][-1] - drop[0][-1]) / 2.0

    def may_hold(self, low: Floats, high: Floats, *, shift: float) -> Flags:
        """Test boxes of elements by what is monotone in them.

        Parameters
        ----------
        low, high : numpy.ndarray of float, shape (boxes, elements)
            ln of the least and the largest values.
        shift : float
            ln of the factor on the resistor across the output.

        Returns
        -------
        numpy.ndarray of bool, shape (boxes,)
            False where no network keeps the limit.
        """
        keep = np.ones(len(low), dtype=bool)
        if self._ratios:
            ends = self._model.transfer(np.exp(low)), self._model.transfer(np.exp(high))
            for numerator, k, i, least, most in self._ratios:
                one, other = (e.numerator if numerator else e.denominator for e in ends)
                keep &= one[:, k] <= most * one[:, i] * (1.0 + _SLACK)
                keep &= other[:, k] >= least * other[:, i] * (1.0 - _SLACK)
        kept = np.flatnonzero(keep)
        low, high = low[kept], high[kept]
        for corner, bound, sign in (
            (np.where(self._rising, low, high), self._most, 1.0),
            (np.where(self._rising, high, low), self._least, -1.0),
        ):
            levels = sign * (self._real_levels(corner) - shift - bound)
            keep[kept] &= np.all(levels <= _SLACK, axis=1)
        return keep

    def _real_levels(self, logs: Floats) -> Floats:
        """ln H at real s."""
        transfer = self._model.transfer(np.exp(logs))
        top, bottom = (
            a @ self._s ** np.arange(a.shape[-1])[:, None]
            for a in (transfer.numerator, transfer.denominator)
        )
        return np.asarray(np.log(top / bottom))

    def rows(self, low: Floats, high: Floats, *, shift: float) -> LimitRows:
        """Bound the rows of the error over boxes.

        Parameters
        ----------
        low, high : numpy.ndarray of float, shape (boxes, variables)
            Ends of the boxes.
        shift : float
            ln of the factor on the resistor across the output.

        Returns
        -------
        LimitRows
            The last row is the level at 1 kHz, which the centre of the error does not shift.
        """
        count = self.count
        rows, spare, columns, loss, narrow = self._network(low[:, :count], high[:, :count])
        rows = rows - self._model.target - shift - self._load / 2.0
        spare = spare + self._load / 2.0
        if self.poles is not None:
            pole, bend, column, known = self._pole(low[:, count], high[:, count])
            rows, spare = rows + pole, spare + bend
            columns = np.concatenate([columns, column[:, :, None]], axis=2)
            loss = np.concatenate([loss, bend[:, :, None]], axis=2)
            narrow = np.concatenate([narrow, known[:, None]], axis=1)
        noise = spare + self._limit + _SLACK
        noise[:, -1] += self._tolerance - self._limit
        return LimitRows(rows, noise, columns, loss, narrow)

    def _network(self, low: Floats, high: Floats) -> tuple[Floats, Floats, Floats, Floats, Flags]:
        """ln|H|, what it is off at most, columns, losses, and which elements are narrow."""
        centre, whole = (low + high) / 2.0, (high - low) / 2.0
        wide = whole > _WIDE
        half = np.where(wide, 0.0, whole)
        squares = half * half * growth_factor(CURVATURE_GROWTH * half.max(axis=1))[:, None]
        mixed = wide.any(axis=1)
        first = self._ends(np.where(wide, low, centre))
        last = tuple(Magnitude(m.rows.copy(), m.slopes.copy(), m.sizes.copy()) for m in first)
        if mixed.any():
            upper = self._ends(np.where(wide, high, centre)[mixed])
            for known, new in zip(last, upper, strict=True):
                known.rows[:, mixed], known.slopes[:, :, mixed] = new.rows, new.slopes
                known.sizes[:, :, mixed] = new.sizes
        (top, bottom), (top_high, bottom_high) = first, last
        bent = squares.T * (top_high.sizes + bottom_high.sizes)
        if self._model.convex == (True, True):  # above their tangents
            above, beneath = squares.T * top_high.sizes, squares.T * bottom_high.sizes
        else:
            above = squares.T * (top_high.sizes + bottom.sizes)
            beneath = squares.T * (top.sizes + bottom_high.sizes)
        up = top_high.rows - bottom.rows + above.sum(axis=1)
        down = top.rows - bottom_high.rows - beneath.sum(axis=1)
        slopes_up, slopes_down = top_high.slopes - bottom.slopes, top.slopes - bottom_high.slopes
        turn = np.abs(slopes_up - slopes_down) * half.T / 2.0
        spare = (up - down) / 2.0 + turn.sum(axis=1)
        change = np.abs(top_high.slopes - top.slopes) + np.abs(bottom_high.slopes - bottom.slopes)
        loss = np.where(wide.T, change * np.minimum(whole, 4.0).T / 2.0, bent / 2.0)
        columns = (slopes_up + slopes_down) / 2.0 * half.T
        return (
            ((up + down) / 2.0).T, spare.T, columns.transpose(2, 0, 1), loss.transpose(2, 0, 1),
            ~wide,
        )  # fmt: skip

    def _ends(self, logs: Floats) -> tuple[Magnitude, Magnitude]:
        return self._model.linearise_apart(np.exp(logs))

    def _pole(self, low: Floats, high: Floats) -> tuple[Floats, Floats, Floats, Flags]:
        """What a free pole adds to the rows, what that is off, its column, where it is narrow."""
        centre, half = (low + high) / 2.0, (high - low) / 2.0
        narrow = half <= _WIDE
        shares = [
            1.0 / (1.0 + (omega * np.exp(centre[:, None])) ** -2.0) for omega in (self._omega, _ONE)
        ]
        grown = np.exp(2.0 * np.minimum(half, _WIDE))[:, None]
        bends = sum(np.minimum(0.5, 2.0 * s * (1.0 - s) * grown) for s in shares)
        bend = bends * half[:, None] ** 2 / 2.0
        value = _pole_rows(self._omega, np.exp(centre[:, None]))
        ends = [_pole_rows(self._omega, np.exp(end[:, None])) for end in (low, high)]
        known = narrow[:, None]
        value = np.where(known, value, (ends[0] + ends[1]) / 2.0)
        bend = np.where(known, bend, np.abs(ends[1] - ends[0]) / 2.0)
        return value, bend, np.where(known, (shares[0] - shares[1]) * half[:, None], 0.0), narrow


def _largest_shunt(job: Job) -> float:
    """What Rp is below: |Zout| at 1 kHz is |1 - H| times that of Rp beside the load's capacitance.

    Without a limit of the output resistance it is the load's resistance.
    """
    load, wanted = job.loading, job.network.output_resistance_max
    most = job.gain * 10.0 ** (job.target.level_tolerance_db / 20.0)
    if wanted is None or most >= 1.0:
        return load.load_resistance
    size = wanted / (1.0 - most)
    reactive = _ONE * size * load.load_capacitance
    if reactive >= 1.0:
        return load.load_resistance
    return float(min(load.load_resistance, size / math.sqrt(1.0 - reactive**2)))


def _pole_rows(omega: Floats, times: Floats) -> Floats:
    """ln|1 + j w T| - ln|1 + j w1 T|: monotone in T."""
    return np.asarray(0.5 * (np.log1p((omega * times) ** 2) - np.log1p((_ONE * times) ** 2)))


@lru_cache(maxsize=8)  # of one band the same for every curve and form
def _tail(ratios: tuple[float, ...]) -> Floats:
    """Poisson's integral of ln 1/x from 0 to 1, the end of the band at x = 1 and s at 1/ratio."""
    logs = np.linspace(-FAR, 0.0, _TAIL_STEPS + 1)
    x = np.exp(logs)
    kernel = -logs * x * FAR / _TAIL_STEPS * (2.0 / math.pi)
    return np.array([float((kernel * r / (1.0 + (x * r) ** 2)).sum()) for r in ratios])
