"""Hum and drift in records less their square waves.

Of each record counts what its harmonics, whatever their amplitudes, cannot explain.  For lines L
with the harmonics projected out, the normal matrix G = L' L / s^2 and the score b = L' r / s^2
hold all that a record says of them.  With cosine and sine amplitudes of line k drawn from a
normal distribution of variance v_k, common to all records of a unit, the records' evidence is

    ln Z = sum of b' (G + 1/V)^-1 b / 2 - ln det(I + V G) / 2

(MacKay, Bayesian interpolation, Neural Computation 4 (1992) 415, evidence for the regulariser).
The variances are those of greatest evidence, by expectation and maximisation (Dempster, Laird
and Rubin, J. R. Statist. Soc. B 39 (1977) 1).  Mains of 50 and of 60 Hz are told apart by it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.interference import (
    NOTHING_ELSE,
    Hum,
    Interference,
    drift_columns,
    line_columns,
)
from antecurve.judge.periodic import HarmonicBasis

__all__ = ["MAINS_HZ", "Remainder", "hum_of_records", "interference_of"]

Floats = NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)
"""The mains frequencies of the world [Hz]."""
_MULTIPLES = 6  # what rectifiers of supplies and magnetic fields bring in strength
_DRIFT_ORDER = 3  # beyond, a drift has turning points and is a signal
_WORTH_AN_ORDER = 6.63  # chi-square, one degree of freedom: by chance once in a hundred
_TAKEN_OUT = 4.0  # ln evidence: noise alone reaches it once in some 60 records (simulated)
_TOLD = 7.0  # ln evidence: odds of a thousand to one
_LEAST_PERIODS = 1.0  # of a line in a record; with fewer it is a drift
_SEEN = 0.1  # share of a line's power that harmonics and drift leave
_OFF_NOMINAL = 0.005  # of the mains frequency: interconnected grids stay within 0.4 %
_TRIALS = 5  # frequencies over that reach: a record of 1 s tells no more apart
_ROUNDS = 40  # each brings the variance of a line that is there to a tenth or so of its error
_NEGLIGIBLE = 0.05  # of the noise of its amplitude in the best record


@dataclass(frozen=True, slots=True, eq=False)
class _Evidence:
    """What records say of cosine and sine amplitudes: normal matrices and scores."""

    information: tuple[Floats, ...]  # per record, (2 lines, 2 lines) [1/V^2]
    score: tuple[Floats, ...]  # per record, (2 lines,) [1/V]
    seen: tuple[NDArray[np.bool_], ...]  # per record, (lines,)


@dataclass(frozen=True, slots=True, eq=False)
class Remainder:
    """A record less the waveform fitted to it.

    Attributes
    ----------
    basis : HarmonicBasis
        Its reduction, without interference.
    volts : numpy.ndarray of float, shape (samples,)
        Record less waveform [V].
    """

    basis: HarmonicBasis
    volts: Floats

    @property
    def length_s(self) -> float:
        """Length of the record [s]."""
        return float(np.ptp(self.basis.record.time_s))

    def projected(self, columns: Floats) -> tuple[Floats, Floats, float]:
        """Project the harmonics out of further columns.

        Parameters
        ----------
        columns : numpy.ndarray of float, shape (columns, samples)
            Such as drift and lines of hum.

        Returns
        -------
        tuple of numpy.ndarray, numpy.ndarray and float
            Normal matrix, right-hand side [V] and the noise of a sample [V] beside them all.
        """
        from scipy.linalg import solve_triangular

        both = np.vstack([columns, self.volts])
        white = solve_triangular(self.basis.factor, (both @ self.basis.columns).T, trans="T")
        normal = both @ both.T - white.T @ white
        matrix, right = normal[:-1, :-1], normal[:-1, -1]
        explained = float(right @ _solved(matrix, right))
        free = max(1, self.volts.size - len(self.basis.factor) - len(columns))
        variance = max(0.0, float(normal[-1, -1]) - explained) / free
        return matrix, right, math.sqrt(max(variance, self.basis.noise_floor_v**2))


def _solved(matrix: Floats, right: Floats) -> Floats:
    """Least squares with nearly dependent columns left out."""
    return np.asarray(np.linalg.lstsq(matrix, right, rcond=1e-9)[0])


def hum_of_records(remainders: Sequence[Remainder], *, mains_hz: float | None = None) -> Hum | None:
    """Find the hum that a unit's records share.

    Parameters
    ----------
    remainders : sequence of Remainder
        Records less their fit.
    mains_hz : float, optional
        Mains frequency [Hz], 50 or 60, where it is known.

    Returns
    -------
    Hum or None
        ``None`` where no record shows any.
    """
    if not remainders:
        return None
    candidates = MAINS_HZ if mains_hz is None else (mains_hz,)
    trials = [_best_hum(remainders, mains) for mains in candidates]
    evidence = max(e for e, _ in trials)
    if evidence < _TAKEN_OUT:
        return None
    told = all(evidence - e > _TOLD for e, _ in trials if e < evidence) or len(trials) == 1
    lines, spread = next(hum for e, hum in trials if e == evidence)
    mains = next(m for m, (e, _) in zip(candidates, trials, strict=True) if e == evidence)
    return Hum(mains, told, lines, spread) if lines else None


def _best_hum(
    remainders: Sequence[Remainder], mains: float
) -> tuple[float, tuple[tuple[float, ...], tuple[float, ...]]]:
    """Greatest evidence over the mains' own tolerance, with lines and spreads."""
    from scipy.optimize import minimize_scalar

    def loss(frequency: float) -> float:
        return -_explained(_evidence(remainders, _lines(frequency)))

    at = mains
    if -loss(mains) > _TAKEN_OUT:
        reach = mains * _OFF_NOMINAL
        tries = np.linspace(mains - reach, mains + reach, _TRIALS)
        best = float(tries[int(np.argmin([loss(float(f)) for f in tries]))])
        step = float(tries[1] - tries[0])
        bounds = (max(best - step, tries[0]), min(best + step, tries[-1]))
        at = float(minimize_scalar(loss, bounds=bounds, method="bounded").x)
    evidence = _evidence(remainders, _lines(at))
    value, variance, kept = _most_evident(evidence)
    lines = tuple(line for line, k in zip(_lines(at), kept, strict=True) if k)
    return value, (lines, tuple(float(math.sqrt(v)) for v in variance[kept]))


def _lines(mains: float) -> tuple[float, ...]:
    return tuple(mains * k for k in range(1, _MULTIPLES + 1))


def _evidence(remainders: Sequence[Remainder], lines: tuple[float, ...]) -> _Evidence:
    """Normal matrix and score of the lines in each record, drift and harmonics taken out."""
    parts = []
    for remainder in remainders:
        time = remainder.basis.record.time_s
        usable = np.array(
            [
                line * remainder.length_s >= _LEAST_PERIODS
                and line < 0.4 * remainder.basis.record.rate_hz
                for line in lines
            ]
        )
        information, score = np.zeros((2 * len(lines),) * 2), np.zeros(2 * len(lines))
        seen = np.zeros(len(lines), dtype=bool)
        if usable.any():
            drift = drift_columns(time, _DRIFT_ORDER)
            waves = line_columns(time, [f for f, u in zip(lines, usable, strict=True) if u])
            normal, right, noise = remainder.projected(np.concatenate([drift, waves]))
            first = len(drift)
            onto = np.linalg.lstsq(normal[:first, :first], normal[:first], rcond=1e-9)[0]
            normal = normal - normal[:, :first] @ onto
            right = right - onto.T @ right[:first]
            at = np.flatnonzero(np.repeat(usable, 2))
            information[np.ix_(at, at)] = normal[first:, first:] / noise**2
            score[at] = right[first:] / noise**2
            power = np.diag(normal)[first:].reshape(-1, 2).min(axis=1)
            seen[usable] = power > _SEEN * time.size / 2.0
        parts.append((information, score, seen))
    information_of, score_of, seen_of = zip(*parts, strict=True)
    return _Evidence(information_of, score_of, seen_of)


def _explained(evidence: _Evidence) -> float:
    """Half the fall of chi-square by all lines seen, less what noise explains."""
    total = 0.0
    for information, score, seen in zip(
        evidence.information, evidence.score, evidence.seen, strict=True
    ):
        at = np.repeat(seen, 2)
        fall = score[at] @ _solved(information[np.ix_(at, at)], score[at])
        total += 0.5 * (float(fall) - float(at.sum()))
    return total


def _most_evident(evidence: _Evidence) -> tuple[float, Floats, NDArray[np.bool_]]:
    """Evidence over that of no hum, variances of the lines, and which of them count."""
    seen = np.array(evidence.seen)
    counts = seen.sum(axis=0)
    known = counts > 0
    spread = np.zeros(known.size)
    precision = np.array([np.diag(g).reshape(-1, 2).mean(axis=1) for g in evidence.information])
    for line in np.flatnonzero(known):
        best = int(np.argmax(np.where(seen[:, line], precision[:, line], 0.0)))
        pair = slice(2 * line, 2 * line + 2)
        spread[line] = float(np.mean((evidence.score[best][pair] / precision[best, line]) ** 2))
    if not known.any():
        return 0.0, spread, known
    least = 1e-6 / precision.max(axis=0, initial=1e-300)
    variance = np.maximum(spread, least)
    for _ in range(_ROUNDS):
        total = np.zeros(known.size)
        for information, score, sees in zip(
            evidence.information, evidence.score, seen, strict=True
        ):
            mean, covariance = _posterior(information, score, variance)
            second = mean**2 + np.diag(covariance)
            total += np.where(sees, second.reshape(-1, 2).mean(axis=1), 0.0)
        variance = np.where(known, np.maximum(total / np.maximum(counts, 1), least), variance)
    kept = known & (variance * precision.max(axis=0) > _NEGLIGIBLE)
    value = _log_evidence(evidence, np.where(kept, variance, least))
    # A line that no record tells from its harmonics may be as strong as the strongest seen.
    strongest = float(np.max(variance[kept], initial=0.0))
    variance = np.where(known, variance, strongest)
    return value, variance, (kept | ~known) & (strongest > 0.0)


def _posterior(information: Floats, score: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Mean and covariance of the amplitudes of a record."""
    root = np.sqrt(np.repeat(variance, 2))
    inner = np.eye(root.size) + root[:, None] * information * root
    covariance = root[:, None] * np.linalg.solve(inner, np.diag(root))
    return covariance @ score, covariance


def _log_evidence(evidence: _Evidence, variance: Floats) -> float:
    root = np.sqrt(np.repeat(variance, 2))
    total = 0.0
    for information, score in zip(evidence.information, evidence.score, strict=True):
        mean, _ = _posterior(information, score, variance)
        inner = np.eye(root.size) + root[:, None] * information * root
        total += 0.5 * float(score @ mean) - 0.5 * float(np.linalg.slogdet(inner)[1])
    return total


def interference_of(remainder: Remainder, hum: Hum | None) -> Interference:
    """Say what is to be taken out of a record.

    Parameters
    ----------
    remainder : Remainder
        The record less its fit.
    hum : Hum or None
        The hum of the unit.

    Returns
    -------
    Interference
        The hum, and a drift of the order that the record asks for beside it.
    """
    time = remainder.basis.record.time_s
    drift = drift_columns(time, _DRIFT_ORDER)
    lines = () if hum is None else hum.line_hz
    normal, right, noise = remainder.projected(np.concatenate([drift, line_columns(time, lines)]))
    with_hum = Interference(hum, noise)
    if hum is not None:
        first = len(drift)
        inner = normal[first:, first:] + np.diag(with_hum.prior_weights)
        onto = np.linalg.solve(inner, normal[first:])
        normal, right = normal - normal[:, first:] @ onto, right - onto.T @ right[first:]
    falls = [0.0]
    for order in range(1, _DRIFT_ORDER + 1):
        part = right[:order]
        falls.append(float(part @ _solved(normal[:order, :order], part)) / noise**2)
    steps = np.diff(falls)
    order = int(np.max(np.flatnonzero(steps > _WORTH_AN_ORDER) + 1, initial=0))
    if hum is None and order == 0:
        return NOTHING_ELSE
    return Interference(hum, noise, order)
