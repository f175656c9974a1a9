"""Equations that hold for every network within a very small error, affine in each element value.

Let H = N/D, P(x) = |D|^2 and Q(x) = |N|^2 at s = jw, polynomials of x = w^2, and Q0/P0 = |E|^2 the
same of the curve in lowest terms.  Let a network have a centred error J about a level, so that
|Q/(c (Q0/P0) P) - 1| and its reciprocal are at most e = exp(2 J) - 1 over the band.  Then

.. math:: R = Q P_0 - c\\,Q_0 P, \\qquad |R(x_k)| \\le e P_0 Q, \\qquad |R(x_k)| \\le e c\\,Q_0 P,

and, R being a polynomial, it is known everywhere from as many frequencies x_k as it has
coefficients (Lagrange): |R(x)| and each of its coefficients are at most e times a sum of Q(x_k) or
P(x_k) with known weights.  What such sums are of Q or P elsewhere is bounded by the cone of
`antecurve.pick.coefficient_windows`, for a larger limit.

**Zeros.** At x = -y, y = 1/T^2, with T a zero of the curve, Q P0 = R.  Q(-y) = N(1/T) N(-1/T), and
N(1/T)^2 is at least S, the squares of its terms and twice their products of like parity.  So

.. math:: |N(-1/T)| \\le e \\Lambda N(1/T), \\qquad
          \\Lambda = \\max \\sum_k |l_k(-y)| P_0(x_k) Q(x_k) / (|P_0(-y)| S) .

**Poles.** The same with D and P(y) <= D(1/T)^2 in place of S, as the poles are real.

**Ends.** The lowest coefficient of R is n^2 p - c q d^2, with n, d, p, q the lowest ones of N, D,
P0 and Q0, or the one of both terms that has the lower power.  With e K S(w) its bound at the lowest
frequency, |a - b|^2 <= |a^2 - b^2| for positive a and b makes

.. math:: |n \\sqrt p - d \\sqrt{c q}| \\le \\sqrt{e K} N(w) .

Where d stands alone it is nearly 0: sqrt(c q) d <= mu N(w) with mu = sqrt(e K).  If n comes next,
its coefficient of R has X^2 = d_1^2 - 2 d d_2 in place of d^2, with the next two of D, and a term
q_1 d^2 more.  With m poles X >= d_1/sqrt(m), so that (d_1 - X)^2 <= 2 d d_2 a with
a = (sqrt(m) - 1)/(sqrt(m) + 1), and sqrt(c) D(w) <= t N(w), as D(w)^2 <= 2^m P(w^2).  So

.. math:: -\\sqrt{2 a \\mu \\sqrt q\\, t / w^j} - \\sqrt{e K_1}
          \\le (n \\sqrt p - d_1 \\sqrt{c q}) / N(w) \\le \\mu \\sqrt{q_1/q} + \\sqrt{e K_1} ,

j being the power of d_2.  The same holds at the highest coefficients, and with N and D exchanged,
where X may be 0 and a is 1.

All of these functions are affine in each element and in the root of c, the level.  Where their
values at the corners of a box do not have 0 in their hull, no network in it is within J.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.separation import may_hold_zero
from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.curves.model import REFERENCE_ANGULAR_FREQUENCY, zero_pole_gain
from antecurve.pick.boxes import Boxes, Grids
from antecurve.pick.coefficient_windows import LEAST_LIMIT, coefficient_cone, parity_pairs, squared
from antecurve.pick.model import NEPER_DB, NetworkModel

__all__ = ["MOST_POSITIONS", "CurveEquations", "ideal_squares"]

Floats = NDArray[np.float64]
Powers = NDArray[np.int64]

MOST_POSITIONS = 10
"""Positions of a network: of more, 2,048 corners of a box and its levels take too long."""
_AT_ONCE = 2**15  # corners: what is at hand of them fits into a processor's cache
_ENDS = 6  # of shares of the band: of 9 no room is half as large, by trial
_ROUNDED = 1e-12  # of the sum of a polynomial's terms: more than it rounds
_SLACK = 1e-6  # relative: more than the weights of frequencies round
_MOST_ROOM = 0.3  # of the sum of the terms: by judgement, a wider equation excludes nothing


@dataclass(frozen=True, slots=True, eq=False)
class _Equation:
    """A sum of coefficients of N and D that is nearly 0.

    Attributes
    ----------
    tops, bottoms : numpy.ndarray of float
        Weights of the n_k and of the d_k.
    omega, room : float
        It is at most the room times N(w) or D(w) off.
    of_poles : bool
        Whether that is D.
    """

    tops: Floats
    bottoms: Floats
    omega: float
    room: float
    of_poles: bool = False


class CurveEquations:
    """Equations of one network for one error limit.

    Parameters
    ----------
    model : NetworkModel
        The network; its output is against ground.
    grids : Grids
        Candidates.
    limit : float
        Largest centred error [Np].
    deadline : float or None, optional
        Value of `time.perf_counter` after which boxes are kept as they are.

    Attributes
    ----------
    useful : bool
        Whether there are as many equations as tell anything, and few enough corners.
    """

    def __init__(
        self, model: NetworkModel, grids: Grids, limit: float, *, deadline: float | None = None
    ) -> None:
        self._model, self._grids, self._limit = model, grids, limit
        self._deadline = deadline
        sample = model.transfer(np.exp(grids.logs(grids.whole().first)))
        self._tops = np.flatnonzero(sample.numerator[0])
        self._bottoms = np.flatnonzero(sample.denominator[0])
        ideal = zero_pole_gain(model.job.curve).lowest_terms()
        self._ideal_top, self._ideal_bottom = ideal_squares(ideal)
        self._equations: list[_Equation] = []
        low, high = model.job.target.band_hz
        self.useful = limit <= LEAST_LIMIT and len(grids.grids) <= MOST_POSITIONS
        if not self.useful:
            return
        self._wide = math.expm1(2.0 * limit) * (1.0 + _SLACK)
        self._band = (2.0 * math.pi * low, 2.0 * math.pi * high)
        self._lay_out(sample.denominator)
        for constant in ideal.zeros_s:
            self._add_root(constant, of_poles=False)
        for constant in ideal.poles_s:
            self._add_root(constant, of_poles=True)
        # Else the level, which tells N from D, is not known.
        if low <= model.frequency[-1] <= high:
            self._add_end(lowest=True)
            self._add_end(lowest=False)
        self.useful = len(self._equations) > 1
        self._level = self._root_of_level()

    def _lay_out(self, denominator: Floats) -> None:
        """The powers in R, and the cone of the coefficients."""
        tops, bottoms = self._tops, self._bottoms
        lowest = tops[0] + _lowest(self._ideal_bottom), bottoms[0] + _lowest(self._ideal_top)
        highest = tops[-1] + len(self._ideal_bottom), bottoms[-1] + len(self._ideal_top)
        self._first, self._count = int(min(lowest)), int(max(highest) - min(lowest))
        self._squares = np.flatnonzero(squared(denominator)[0])
        self._cone, self._scale = coefficient_cone(self._model, tops, self._squares, LEAST_LIMIT)
        pairs = parity_pairs(tops)
        self._powers = np.concatenate([tops, [(tops[i] + tops[j]) // 2 for i, j in pairs]])
        signs = [2.0 * (-1.0) ** ((tops[j] - tops[i]) // 2) for i, j in pairs]
        self._signs = np.concatenate([np.ones(len(tops)), signs])
        # Frequencies, as many as R has coefficients, over several shares of the band.
        ends = np.geomspace(*self._band, _ENDS)
        self._nodes = [
            np.geomspace(low, high, self._count) for low, high in combinations(ends, 2)
        ]  # fmt: skip

    def _spread(
        self, factors: Callable[[Floats], Floats], omega: float, *, of_poles: bool = False
    ) -> float:
        """What R or a coefficient of it is at most, in terms of N(w)^2 or of P(w^2).

        The factors are those of R at some x, for the frequencies that serve best.
        """
        ideal = self._ideal_top if of_poles else self._ideal_bottom
        powers = self._bottoms if of_poles else self._tops
        best, least = (np.zeros(0), np.zeros(0)), math.inf
        for nodes in self._nodes:
            x = nodes**2
            weights = np.abs(factors(x)) * _at(ideal, x)
            ratio = nodes / omega
            most = float(weights @ np.maximum(ratio ** powers[0], ratio ** powers[-1]) ** 2)
            if most < least:
                best, least = (x, weights), most
        return self._wide * min(least, self._largest(*best, omega, of_poles=of_poles))

    def _largest(self, x: Floats, weights: Floats, omega: float, *, of_poles: bool) -> float:
        """What a weighted sum of Q or P is at most, by linear programming."""
        over, under = np.zeros(len(self._scale)), np.zeros(len(self._scale))
        count = len(self._powers)
        if of_poles:
            over[count:] = weights @ x[:, None] ** self._squares
            under[count:] = omega ** (2.0 * self._squares)
        else:
            over[:count] = self._signs * (weights @ x[:, None] ** self._powers)
            under[:count] = np.abs(self._signs) * omega ** (2.0 * self._powers)
        return self._cone.largest_quotient(over / self._scale, under / self._scale)

    def _add_root(self, constant: float, *, of_poles: bool) -> None:
        """That N or D is nearly 0 at a zero or pole of the curve."""
        y = 1.0 / constant**2

        def at(x: Floats) -> Floats:
            shares = [np.prod((-y - np.delete(x, k)) / (own - np.delete(x, k)))
                      for k, own in enumerate(x)]  # fmt: skip
            return np.array(shares) * (y / x) ** self._first

        room = self._spread(at, 1.0 / constant, of_poles=of_poles)
        other = self._ideal_top if of_poles else self._ideal_bottom
        room /= abs(_at(other, np.array([-y]))[0])
        tops, bottoms = self._weights()
        chosen = bottoms if of_poles else tops
        chosen[:] = (-1.0 / constant) ** np.arange(len(chosen))
        self._add(_Equation(tops, bottoms, 1.0 / constant, room, of_poles))

    def _weights(self) -> tuple[Floats, Floats]:
        return np.zeros(self._tops[-1] + 1), np.zeros(self._bottoms[-1] + 1)

    def _add(self, equation: _Equation) -> None:
        if equation.room <= _MOST_ROOM:
            self._equations.append(replace(equation, room=equation.room + _ROUNDED))

    def _of_coefficient(self, power: int, omega: float) -> float:
        """What a coefficient of R is at most, in terms of N(w)^2."""

        def at(x: Floats) -> Floats:
            return np.array([
                np.poly(np.delete(x, k))[::-1][power - self._first]
                / np.prod(own - np.delete(x, k)) / own**self._first
                for k, own in enumerate(x)
            ])  # fmt: skip

        return self._spread(at, omega)

    def _add_end(self, *, lowest: bool) -> None:
        """What the lowest or highest coefficients of N and D have to do with each other."""
        at, way = (0, 1) if lowest else (-1, -1)
        n, d, omega = int(self._tops[at]), int(self._bottoms[at]), self._band[at]
        p = int(np.flatnonzero(self._ideal_bottom)[at])
        q = int(np.flatnonzero(self._ideal_top)[at])
        first = min(n + p, d + q) if lowest else max(n + p, d + q)
        of_n, of_d = n + p == first, d + q == first
        root_p, root_q = math.sqrt(self._ideal_bottom[p]), math.sqrt(self._ideal_top[q])
        room = math.sqrt(self._of_coefficient(first, omega))
        self._add_relation((n, root_p * of_n), (d, root_q * of_d), omega, room, room)
        if abs(n + p - d - q) != 1:
            return
        alone, ideal, power = (n, self._ideal_bottom, p) if of_n else (d, self._ideal_top, q)
        # sqrt(c) D(w) in terms of N(w), and (d_1 - X)/(d_1 + X), or the same of N.
        share, beside = 1.0, 1.0
        if of_d:
            poles = float(self._bottoms[-1] - self._bottoms[0])
            share = 2.0 ** (poles / 2.0) * math.sqrt(1.0 + self._wide) * self._ratio(omega)
            beside = (math.sqrt(poles) - 1.0) / (math.sqrt(poles) + 1.0)
        bent = 2.0 * beside * room * math.sqrt(ideal[power]) * share / omega ** (alone + 2 * way)
        below = above = math.sqrt(self._of_coefficient(first + way, omega))
        below += math.sqrt(bent)
        if 0 <= power + way < len(ideal):
            above += room * math.sqrt(ideal[power + way] / ideal[power])
        if of_n:
            below, above = above, below
        relation = (n + way * of_n, root_p), (d + way * of_d, root_q)
        self._add_relation(*relation, omega, below, above)

    def _add_relation(
        self, top: tuple[int, float], bottom: tuple[int, float], omega: float, below: float,
        above: float,
    ) -> None:  # fmt: skip
        """How far n sqrt(p) is below or above d sqrt(c q), each a power of s with the root."""
        tops, bottoms = self._weights()
        tops[top[0]], bottoms[bottom[0]] = top[1], -bottom[1]
        tops += (below - above) / 2.0 * omega ** np.arange(len(tops))
        # So that it is told from 0 by terms that are as large as N(w).
        scale = omega ** top[0] / top[1] if top[1] else omega ** bottom[0] / bottom[1]
        scale /= 1.0 if top[1] else self._ratio(omega)
        room = scale * (below + above) / 2.0
        self._add(_Equation(scale * tops, scale * bottoms, omega, room))

    def _ratio(self, omega: float) -> float:
        """1/|E|, but for the curve's constant."""
        x = np.array([omega**2])
        return float(math.sqrt(_at(self._ideal_bottom, x)[0] / _at(self._ideal_top, x)[0]))

    def _root_of_level(self) -> Floats:
        """Least and most of the root of c."""
        free = self._model.job.target.level_tolerance_db / NEPER_DB + self._limit + _ROUNDED
        root = self._model.job.gain * self._ratio(REFERENCE_ANGULAR_FREQUENCY)
        return np.asarray(root * np.exp(np.array([-free, free])))

    def __call__(self, boxes: Boxes) -> NDArray[np.bool_]:
        """Test which boxes may hold a combination within the limit."""
        keep = np.ones(len(boxes), dtype=bool)
        count = boxes.first.shape[1]
        batch = max(1, _AT_ONCE >> count)
        for start in range(0, len(boxes), batch):
            if self._deadline is not None and time.perf_counter() > self._deadline:
                break
            part = slice(start, start + batch)
            low = self._grids.logs(boxes.first[part])
            high = self._grids.logs(boxes.last[part])
            keep[part] = may_hold_zero(*self._at_corners(low, high))
        return keep

    def _at_corners(self, low: Floats, high: Floats) -> tuple[Floats, Floats]:
        """Values and rooms of all equations at the corners of boxes, and at both levels."""
        boxes, count = low.shape
        corners = np.indices((2,) * count).reshape(count, -1).T.astype(bool)
        logs = np.where(corners, high[:, None, :], low[:, None, :])
        transfer = self._model.transfer(np.exp(logs.reshape(-1, count)))
        top, bottom = (
            polynomial.reshape(boxes, 1, len(corners), -1)
            for polynomial in (transfer.numerator, transfer.denominator)
        )
        values = np.empty((len(self._equations), boxes, 2, len(corners)))
        spare = np.empty_like(values)
        level = self._level[:, None]
        for equation, value, room in zip(self._equations, values, spare, strict=True):
            own = bottom if equation.of_poles else top
            value[:] = top @ equation.tops
            value += (bottom @ equation.bottoms) * (1.0 if equation.of_poles else level)
            room[:] = equation.room * (own @ equation.omega ** np.arange(own.shape[-1]))
            size = (np.abs(value) + room).mean(axis=(1, 2), keepdims=True)
            value /= size
            room /= size
        shape = (len(self._equations), boxes, -1)
        return values.reshape(shape).transpose(1, 2, 0), spare.reshape(shape).transpose(1, 2, 0)


def ideal_squares(ideal: ZeroPoleGain[float]) -> tuple[Floats, Floats]:
    """Expand the squared magnitudes of a curve's numerator and denominator.

    Parameters
    ----------
    ideal : ZeroPoleGain
        The curve in lowest terms.

    Returns
    -------
    top, bottom : numpy.ndarray of float
        Coefficients of ascending powers of w^2.
    """
    return (
        _of_square(ideal.zeros_s, ideal.zeros_at_origin),
        _of_square(ideal.poles_s, ideal.poles_at_origin),
    )


def _of_square(times: tuple[float, ...], at_origin: int) -> Floats:
    """Coefficients of |P(jw)|^2 by powers of w^2."""
    made = np.zeros(at_origin + 1)
    made[-1] = 1.0
    for constant in times:
        made = np.append(made, 0.0) + constant**2 * np.concatenate([[0.0], made])
    return made


def _lowest(polynomial: Floats) -> int:
    return int(np.flatnonzero(polynomial)[0])


def _at(polynomial: Floats, x: Floats) -> Floats:
    return np.asarray(polynomial @ x ** np.arange(len(polynomial))[:, None])
