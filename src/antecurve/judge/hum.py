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

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.interference import NOTHING_ELSE, Hum, Interference
from antecurve.judge.remainder import MOST_DRIFT, BesideHarmonics, Remainder, least_squares

__all__ = ["MAINS_HZ", "hum_of_records", "interferences"]

Floats = NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)
"""The mains frequencies of the world [Hz]."""
_MULTIPLES = 6  # what rectifiers of supplies and magnetic fields bring in strength
_MOST_MULTIPLES = 48  # of buzz: short pulses of a rectifier's current reach some kilohertz
_WORTH_AN_ORDER = 6.63  # chi-square, one degree of freedom: by chance once in a hundred
_TAKEN_OUT = 4.0  # ln evidence: noise alone reaches it once in some 60 records (simulated)
_TOLD = 7.0  # ln evidence: odds of a thousand to one
_CONTRADICTED = 20.0  # ln evidence: odds of 5e8, as a statement of the user has weight of its own
_LEAST_PERIODS = 1.0  # of a line in a record; with fewer it is a drift
_APART = 0.2  # share of a line's power beside harmonics and drift
_LOBE = 0.5  # periods over the longest record by which the highest multiple may be off
_OFF_NOMINAL = 0.005  # of the mains frequency: interconnected grids stay within 0.4 %
_TRIALS = 5  # frequencies over that reach: a record of 1 s tells no more apart
_TOLD_BY_TRIES_S = 1.0  # a longer record may hold a line between two frequencies tried
_BETWEEN_TRIES = 2.0  # times what is explained at them: half way between, half the power is left
_SMALL_TURN = 1e-3  # of a period of the highest line over a record: far less than noise turns it
_AMID = 0.3  # of the mains frequency: nearer, it is one of the lines, which are off their nominal
_TELLS_AMID = 3.0  # periods of the mains: one and a half between a line and what lies amid
_STANDS_OUT = 3.0  # times the fall of chi-square amid the lines, of as many frequencies
_ROUNDS = 100  # enough for a line that one of two records shows weakly
_NEGLIGIBLE = 0.05  # of the noise of its amplitude in the best record


@dataclass(frozen=True, slots=True, eq=False)
class _Evidence:
    """What one record says of cosine and sine amplitudes of lines, or each of several."""

    information: Floats  # normal matrix over the noise's variance, (..., 2 lines, 2 lines) [1/V^2]
    score: Floats  # (..., 2 lines) [1/V]
    usable: NDArray[np.bool_]  # lines with a period or more in the record, (..., lines)
    apart: NDArray[np.bool_]  # of them, those that stand apart from every harmonic, (..., lines)

    @classmethod
    def together(cls, each: Sequence[_Evidence]) -> _Evidence:
        """Lay out that of several records, which come first."""
        return cls(*(np.stack([getattr(e, f.name) for e in each]) for f in fields(cls)))

    @property
    def precision(self) -> Floats:
        """Precision of either amplitude of each line by itself, shape (..., lines) [1/V^2]."""
        return np.asarray(_by_line(_diagonal(self.information)).mean(axis=-1))

    def posterior(self, variance: Floats) -> tuple[Floats, Floats]:
        """Compute mean and covariance of the amplitudes, for variances of the lines [V^2]."""
        root = np.sqrt(np.repeat(variance, 2))
        inner = self._inner(root)
        # Spread out: numpy below 2 takes one matrix for a stack of vectors.
        each = np.broadcast_to(np.diag(root), inner.shape)
        covariance = root[:, None] * np.linalg.solve(inner, each)
        return (covariance @ self.score[..., None])[..., 0], covariance

    def log_evidence(self, variance: Floats) -> float:
        """Compute ln of the evidence over that of no hum, of all records."""
        root = np.sqrt(np.repeat(variance, 2))
        mean, _ = self.posterior(variance)
        return 0.5 * float(
            np.sum(self.score * mean) - np.sum(np.linalg.slogdet(self._inner(root))[1])
        )

    def _inner(self, root: Floats) -> Floats:
        return np.asarray(np.eye(root.size) + root[:, None] * self.information * root)


def _diagonal(matrix: Floats) -> Floats:
    return np.diagonal(matrix, axis1=-2, axis2=-1)


def _by_line(columns: Floats) -> Floats:
    """Cosine and sine of each line beside one another, shape (..., lines, 2)."""
    return columns.reshape(*columns.shape[:-1], -1, 2)


def interferences(
    remainders: Sequence[Remainder | None], *, mains_hz: float | None = None
) -> tuple[Interference, ...]:
    """Say what is to be taken out of each of a unit's records.

    Parameters
    ----------
    remainders : sequence of Remainder or None
        Records less their fit; ``None`` for a capture without a record.
    mains_hz : float, optional
        Mains frequency [Hz], 50 or 60, where it is known; the other one counts only where the
        records contradict it beyond doubt.

    Returns
    -------
    tuple of Interference
        One a capture; `NOTHING_ELSE` for nothing.
    """
    beside = [None if r is None else r.beside_harmonics() for r in remainders]
    hum = _shared_hum([b for b in beside if b is not None], mains_hz)
    return tuple(NOTHING_ELSE if b is None else _interference_of(b, hum) for b in beside)


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
        ``None`` where no record shows any.  Where they do not tell 50 from 60 Hz, it holds the
        lines of both.
    """
    return _shared_hum([r.beside_harmonics() for r in remainders], mains_hz)


def _shared_hum(records: Sequence[BesideHarmonics], mains_hz: float | None) -> Hum | None:
    """As `hum_of_records`."""
    if not records:
        return None
    searches = [_MainsSearch(records, m) for m in MAINS_HZ]
    most = max(search.explained for search in searches)
    for search in searches:
        if search.may_reach(most):
            search.refine()
    trials = sorted((search.hum() for search in searches), key=lambda t: -t[0])
    stated = [t for t in trials if t[1].mains_hz == mains_hz]
    if stated and trials[0][0] - stated[0][0] < _CONTRADICTED:
        trials = stated
    elif stated:
        hum = replace(trials[0][1], stated_hz=mains_hz)
        return replace(hum, stands_out=_stands_out(records, hum))
    best = trials[0][0]
    if best < _TAKEN_OUT:
        return None
    likely = [hum for evidence, hum in trials if best - evidence < _TOLD]
    hum = Hum(
        likely[0].mains_hz,
        len(likely) == 1,
        tuple(line for hum in likely for line in hum.line_hz),
        tuple(spread for hum in likely for spread in hum.spread_v),
    )
    return replace(hum, stands_out=any(_stands_out(records, one) for one in likely))


def _stands_out(records: Sequence[BesideHarmonics], hum: Hum) -> bool:
    """Whether the lines stand out of what lies amid them, in records that tell these apart."""
    lines = np.array(hum.line_hz[: 2 * _MULTIPLES])
    amid = (np.arange(1.0, 2.0 * _MULTIPLES + 1.0) - 0.5) * hum.mains_hz
    amid = amid[np.abs(amid[:, None] - lines).min(axis=1, initial=np.inf) > _AMID * hum.mains_hz]
    by_lines = by_rest = 0.0
    for record in records:
        if float(np.ptp(record.basis.record.time_s)) * hum.mains_hz < _TELLS_AMID:
            continue
        each = _evidence(record, np.concatenate([lines, amid]))
        of_lines = np.arange(lines.size + amid.size) < lines.size
        together = _fall(each, each.apart)
        by_lines += together - _fall(each, each.apart & ~of_lines)
        by_rest += together - _fall(each, each.apart & of_lines)
    return by_rest <= _TOLD or by_lines >= _STANDS_OUT * by_rest


class _MainsSearch:
    """The frequency of one mains, within its tolerance, at which hum explains most of records."""

    def __init__(self, records: Sequence[BesideHarmonics], mains: float) -> None:
        self._records, self._mains = records, mains
        self._known: dict[float, list[_Evidence]] = {}
        self._length_s = max(float(np.ptp(r.basis.record.time_s)) for r in records)
        reach = mains * _OFF_NOMINAL
        self._tries = np.linspace(mains - reach, mains + reach, _TRIALS)
        self._at, self.explained = mains, self._explained_at(mains)
        self._shows = self.explained > _TAKEN_OUT
        if self._shows:
            each = [self._explained_at(float(f)) for f in self._tries]
            self._at, self.explained = float(self._tries[int(np.argmax(each))]), max(each)

    def _evidence(self, frequency: float) -> list[_Evidence]:
        if frequency not in self._known:
            self._known[frequency] = [_evidence(r, _lines(frequency)) for r in self._records]
        return self._known[frequency]

    def _explained_at(self, frequency: float) -> float:
        return _explained(self._evidence(float(frequency)))

    def may_reach(self, most: float) -> bool:
        """Whether the best frequency may explain as much as another mains does."""
        if self._length_s > _TOLD_BY_TRIES_S:
            return True
        return _BETWEEN_TRIES * self.explained + _TOLD > most

    def refine(self) -> None:
        """Look between the frequencies tried."""
        from scipy.optimize import minimize_scalar

        if not self._shows:
            return
        step = float(self._tries[1] - self._tries[0])
        bounds = (max(self._at - step, self._tries[0]), min(self._at + step, self._tries[-1]))
        close = {"xatol": _SMALL_TURN / (_MULTIPLES * self._length_s)}
        best = minimize_scalar(
            lambda f: -self._explained_at(f), bounds=bounds, method="bounded", options=close
        )
        self._at = float(best.x)

    def hum(self) -> tuple[float, Hum]:
        """Greatest evidence, and the hum that has it."""
        value, variance = _most_evident(self._evidence(self._at))
        at, buzz = _buzz(self._records, self._at)
        if buzz:
            value, variance = _most_evident(buzz)
        lines, kept = _lines(at, variance.size), np.flatnonzero(variance)
        spread = np.sqrt(variance[kept])
        return value, Hum(self._mains, True, tuple(lines[kept].tolist()), tuple(spread.tolist()))


def _buzz(records: Sequence[BesideHarmonics], mains: float) -> tuple[float, list[_Evidence]]:
    """Follow the mains' multiples up, twice as many at a time, as far as the records show them.

    Each step finds the frequency more closely, as a multiple is off by so many times as much.

    Returns the mains frequency [Hz] and what the records say; nothing where the first multiples
    are all.
    """
    from scipy.optimize import minimize_scalar

    seconds = max(float(np.ptp(r.basis.record.time_s)) for r in records)
    shown: list[_Evidence] = []
    count = _MULTIPLES
    while (twice := 2 * count) <= _MOST_MULTIPLES:
        more = [_evidence(r, _lines(mains, twice)) for r in records]
        if _explained_beyond(more, count) < _TOLD:
            break

        def loss(frequency: float, known: int = count) -> float:
            each = [_evidence(r, _lines(frequency, 2 * known)) for r in records]
            return -sum(_fall(e, _beyond(e, known)) for e in each)

        reach = min(mains * _OFF_NOMINAL, _LOBE / (twice * seconds))
        bounds = (mains - reach, mains + reach)
        mains = float(minimize_scalar(loss, bounds=bounds, method="bounded").x)
        count = twice
        shown = [_evidence(r, _lines(mains, count)) for r in records]
    return mains, shown


def _lines(mains: float, count: int = _MULTIPLES) -> Floats:
    return mains * np.arange(1.0, count + 1.0)


def _evidence(beside: BesideHarmonics, frequency: Floats) -> _Evidence:
    """Normal matrix and score of lines in a record, drift and harmonics taken out."""
    record = beside.basis.record
    usable = frequency * float(np.ptp(record.time_s)) >= _LEAST_PERIODS
    usable &= frequency < 0.4 * record.rate_hz
    information, score = np.zeros((2 * usable.size,) * 2), np.zeros(2 * usable.size)
    apart = np.zeros(usable.size, dtype=bool)
    if usable.any():
        normal, right, noise = beside.with_lines(frequency[usable])
        first = MOST_DRIFT
        onto = np.linalg.lstsq(normal[:first, :first], normal[:first], rcond=1e-9)[0]
        normal = normal - normal[:, :first] @ onto
        right = right - onto.T @ right[:first]
        at = np.flatnonzero(np.repeat(usable, 2))
        information[np.ix_(at, at)] = normal[first:, first:] / noise**2
        score[at] = right[first:] / noise**2
        power = np.diag(normal)[first:].reshape(-1, 2).min(axis=1)
        apart[usable] = power > _APART * record.time_s.size / 2.0
    return _Evidence(information, score, usable, apart)


def _explained(evidence: Sequence[_Evidence]) -> float:
    """Half the fall of chi-square by all lines that stand apart, less what noise explains."""
    return sum(_fall(part, part.apart) for part in evidence)


def _explained_beyond(evidence: Sequence[_Evidence], known: int) -> float:
    """The same of the lines beyond the first ones, which may be as strong as they are."""
    total = 0.0
    for part in evidence:
        first = part.usable & (np.arange(part.usable.size) < known)
        total += _fall(part, _beyond(part, known)) - _fall(part, first)
    return total


def _beyond(part: _Evidence, known: int) -> NDArray[np.bool_]:
    """The first lines, and those beyond them that stand apart."""
    return part.usable & (part.apart | (np.arange(part.usable.size) < known))


def _fall(part: _Evidence, lines: NDArray[np.bool_]) -> float:
    """Half the fall of a record's chi-square by some lines, less what noise explains."""
    at = np.repeat(lines, 2)
    fall = part.score[at] @ least_squares(part.information[np.ix_(at, at)], part.score[at])
    return 0.5 * (float(fall) - float(at.sum()))


def _most_evident(evidence: Sequence[_Evidence]) -> tuple[float, Floats]:
    """ln of the evidence over that of no hum, and the lines' variances [V^2], 0 for no line."""
    records = _Evidence.together(evidence)
    precision = records.precision.max(axis=0)
    counts = records.usable.sum(axis=0)
    usable = counts > 0
    if not usable.any():
        return 0.0, np.zeros(usable.size)
    least = 1e-6 / precision.max()
    power = np.max(_by_line(records.score) ** 2, axis=(0, 2))
    start = float(np.max(power[usable] / precision[usable] ** 2))
    variance = np.full(usable.size, max(start, least))
    for _ in range(_ROUNDS):
        mean, covariance = records.posterior(variance)
        second = _by_line(mean**2 + _diagonal(covariance)).mean(axis=-1)
        total = np.where(records.usable, second, 0.0).sum(axis=0)
        variance = np.where(usable, np.maximum(total / np.maximum(counts, 1), least), variance)
    # Of a line that no record holds, or none tells from its harmonics, nothing is known but that
    # it may be as strong as the others.
    told = records.apart.any(axis=0)
    negligible = told & (variance * precision < _NEGLIGIBLE)
    variance = np.where(negligible, 0.0, variance)
    strongest = _strongest_about(np.where(told, variance, 0.0))
    variance = np.where(told, variance, np.maximum(strongest, np.where(usable, variance, 0.0)))
    return records.log_evidence(variance), variance


def _strongest_about(variance: Floats) -> Floats:
    """Variance of the strongest line from half a multiple on; of the first ones, of all."""
    above = np.maximum.accumulate(variance[::-1])[::-1]
    multiple = np.arange(1, variance.size + 1)
    return np.asarray(above[np.where(multiple <= _MULTIPLES, 0, multiple // 2 - 1)])


def _interference_of(beside: BesideHarmonics, hum: Hum | None) -> Interference:
    """The hum, and a drift of the order that the record asks for beside it."""
    normal, right, noise = beside.with_lines(np.array(() if hum is None else hum.line_hz))
    with_hum = Interference(hum, noise)
    if hum is not None:
        lines = slice(MOST_DRIFT, None)
        inner = normal[lines, lines] + np.diag(with_hum.prior_weights)
        onto = np.linalg.solve(inner, normal[lines])
        normal, right = normal - normal[:, lines] @ onto, right - onto.T @ right[lines]
    falls = [0.0]
    for order in range(1, MOST_DRIFT + 1):
        part = right[:order]
        falls.append(float(part @ least_squares(normal[:order, :order], part)) / noise**2)
    steps = np.diff(falls)
    order = int(np.max(np.flatnonzero(steps > _WORTH_AN_ORDER) + 1, initial=0))
    if hum is None and order == 0:
        return NOTHING_ELSE
    return Interference(hum, noise, order)
