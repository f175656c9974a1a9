"""Which curve a table of levels shows: number of time constants, outliers, side, nearest one.

Every model of up to four time constants, with and without one at the origin, is fitted and
compared by Schwarz's criterion with McQuarrie's correction for few points (Statistics &
Probability Letters 44, 1999, 79-86),

.. math:: n \\ln(\\sigma_0^2 + RSS/n) + w k\\, n \\ln n / (n - k - 2) ,

where k counts the time constants and the level, and sigma_0 is what rounding to the table's last
digit leaves.  With the noise stated it is RSS/noise^2 + w k ln n.  Schwarz has w = 1; a time
constant is also looked for over the whole table, on either side, which w = 1.5 makes up for.

A level is an outlier when its externally studentised residual (Cook and Weisberg, 1982, section
2.2.2) is too large for the largest of n.  It is set apart and counts as two unknowns, its place
and its size.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.checked import checked
from antecurve.curves.catalogue import CatalogueEntry, catalogue
from antecurve.curves.fit import CurveFit, constant_slopes, fit_curve
from antecurve.curves.model import level_db, zero_pole_gain
from antecurve.errors import InputError
from antecurve.quantities import check_number
from antecurve.results import Result
from antecurve.texts import counted

__all__ = [
    "CurveIdentification",
    "ModelTried",
    "Outlier",
    "PublishedCurve",
    "identify_curve",
    "model_text",
]

Floats = NDArray[np.float64]

_MOST_NOISE_DB = 20.0  # as much as the emphasis of a disc from 20 Hz to 1 kHz
_MOST_CONSTANTS = 4  # the published curves have three at most, and one is for surprises
_ORIGINS = ((0, 0), (1, 0), (0, 1))  # zeros and poles at the origin that published curves have
# 200 random tables of one to four constants, noise 0.05 and 0.15 dB: 97 % right, with 1 90 %.
_WEIGHT = 1.5
_SPARE_POINTS = 3  # points beyond the unknowns: below that the misfit tells nothing
_LEAST_NOISE_DB = 3e-4  # rounding to 0.001 dB: no bench tells levels apart more finely
_LARGE_MISFIT_DB = 0.3  # rms; a level is read off a printed graph to 0.2 dB, by judgement
_UNLIKELY = 1e-3  # one in a thousand right models is called wrong
_OUTLIER = 1e-3  # the same for a level of a right table
_MOST_OUTLIERS = 0.1  # of the points: with more it is the model that fails
_DECISIVE = 10.0  # difference of the criterion: odds of 150 to 1 (Kass and Raftery, 1995)
_CLOSER_DB = 0.5  # rms; sides less apart than this are not told apart


@dataclass(frozen=True, slots=True)
class ModelTried(Result):
    """One number of time constants, and how it fits.

    Attributes
    ----------
    zeros, poles, zeros_at_origin, poles_at_origin : int
        Its counts.
    rms_db : float
        Root mean square of the misfit, outliers apart [dB].
    criterion_above_best : float
        Schwarz's criterion, less that of the best model.
    """

    zeros: int
    poles: int
    zeros_at_origin: int
    poles_at_origin: int
    rms_db: float
    criterion_above_best: float


@dataclass(frozen=True, slots=True)
class Outlier(Result):
    """A level that the others contradict.

    Attributes
    ----------
    frequency_hz : float
        Where [Hz].
    level_db : float
        What the table says [dB].
    misfit_db : float
        Table less the curve fitted to the other levels [dB].
    """

    frequency_hz: float
    level_db: float
    misfit_db: float


@dataclass(frozen=True, slots=True)
class PublishedCurve(Result):
    """A curve of the catalogue and its distance at the table's frequencies, any level added.

    Attributes
    ----------
    names : tuple of str
        Its name, and those of other curves with the same time constants.
    rms_db, largest_db : float
        Root mean square and largest magnitude of the difference from the fitted curve [dB].
    """

    names: tuple[str, ...]
    rms_db: float
    largest_db: float


@dataclass(frozen=True, slots=True, eq=False)
class CurveIdentification(Result):
    """A fitted curve with the models beside it and the tests of its misfit.

    Attributes
    ----------
    fit : CurveFit
        The fit, of the counts asked for or those that the criterion chose, outliers left out;
        where the table shows playback, of the table with its sign changed.
    chosen : bool
        Whether the criterion chose the counts.
    playback : bool
        Whether the levels were taken as those of playback.
    tried : tuple of ModelTried
        The models, best first.
    outliers : tuple of Outlier
        Levels left out of the fit; level and misfit with the table's own sign.
    nearest : PublishedCurve
        The published curve nearest to the fitted one.
    faults : tuple of str
        Why the model is wrong; empty where nothing speaks against it.
    """

    _keys: ClassVar = (
        "*:entry",
        "offset_db:fit.offset_db",
        "rms_db:fit.rms_db",
        "largest_db:fit.largest_db",
        "frequency_hz:fit.frequency_hz",
        "misfit_db:fit.misfit_db",
        "relative_uncertainty",
        "remarks:fit.remarks",
        "chosen",
        "playback",
        "faults",
        "outliers",
        "nearest",
        "tried",
    )

    fit: CurveFit
    chosen: bool
    playback: bool
    tried: tuple[ModelTried, ...]
    outliers: tuple[Outlier, ...]
    nearest: PublishedCurve
    faults: tuple[str, ...]

    @property
    def entry(self) -> CatalogueEntry:
        """The fitted curve."""
        return CatalogueEntry(self.fit.curve)

    @property
    def relative_uncertainty(self) -> tuple[float, ...] | None:
        """Uncertainty of each time constant as a fraction; ``None`` for a wrong model.

        The time constants of a wrong model stand for nothing.
        """
        return None if self.faults else self.fit.relative_uncertainty


@dataclass(frozen=True, slots=True, eq=False)
class _Trial:
    """A model fitted to the levels that are no outliers of it."""

    fit: CurveFit
    outliers: NDArray[np.intp]
    criterion: float


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """Levels with the noise that they have at least, or that is stated."""

    frequency: Floats
    level: Floats
    noise_db: float | None
    floor_db: float


@checked
def identify_curve(
    *,
    frequency_hz: ArrayLike,
    level_db: ArrayLike,
    zeros: int | None = None,
    poles: int | None = None,
    shelf: bool | None = None,
    noise_db: float | None = None,
    playback: bool | None = None,
    name: str = "fitted",
) -> CurveIdentification:
    """Find the curve that a table of levels shows.

    Parameters
    ----------
    frequency_hz : array_like, shape (points,)
        Frequencies [Hz], greater than 0, each once.
    level_db : array_like, shape (points,)
        Levels [dB], with any constant added.
    zeros, poles : int, optional
        Number of time constants to fit, 0 to 4; chosen by the criterion where left out.
    shelf : bool, optional
        Whether the curve has a bass shelf (``False``: a zero at the origin); chosen where left
        out, unless both counts are given: then it has one.
    noise_db : float, optional
        Standard deviation of a level [dB], above 0; estimated where left out.
    playback : bool, optional
        Whether the levels are those of playback; by default taken so where the table with its
        sign changed lies nearer to a published recording curve than the table itself.
    name : str, optional
        Name of the fitted curve.

    Returns
    -------
    CurveIdentification
        The fit, the models beside it, and what speaks against it.

    Raises
    ------
    InputError
        When the table is too short for any model, not finite, or a count is out of range.

    Examples
    --------
    >>> from antecurve.curves.catalogue import named_curve
    >>> from antecurve.curves.tabulate import curve_table
    >>> table = curve_table(named_curve("disc"))
    >>> answer = identify_curve(frequency_hz=table.frequency_hz, level_db=table.playback_db)
    >>> answer.playback, answer.nearest.names, len(answer.fit.curve.zeros_s)
    (True, ('disc',), 2)
    """
    frequency = np.atleast_1d(np.array(frequency_hz, dtype=float))
    level = np.atleast_1d(np.array(level_db, dtype=float))
    models = _models(zeros, poles, shelf, len(frequency))
    # A first fit checks the table as every fit does.
    _fitted(frequency, level, models[0], name)
    if noise_db is not None:
        check_number(noise_db, field="noise_db", unit="dB")
        if noise_db > _MOST_NOISE_DB:
            raise InputError(
                "noise_db", noise_db, f"above {_MOST_NOISE_DB:g} dB no curve can be told; give less"
            )
    if playback is None:
        playback = _is_playback(frequency, level)
    sign = -1.0 if playback else 1.0
    table = _Table(frequency, sign * level, noise_db, _rounding_db(level))
    wanted = {model: _trial(table, model, name) for model in models}
    spare = len(frequency) - 1 - _SPARE_POINTS
    rivals = [m for m in _models(None, None, None, len(frequency)) if m[0] + m[1] <= spare]
    trials = wanted | {m: _trial(table, m, name) for m in rivals if m not in wanted}
    best = min(models, key=lambda m: trials[m].criterion)
    trial = trials[best]
    tried = _ranked(trials)
    return CurveIdentification(
        trial.fit,
        len(models) > 1,
        playback,
        tried,
        _outliers(trial, table, sign),
        _nearest(trial.fit.frequency_hz, _levels_of(trial.fit)),
        _faults(trial, tried, best, table),
    )


Model = tuple[int, int, int, int]


def _models(zeros: int | None, poles: int | None, shelf: bool | None, points: int) -> list[Model]:
    """Counts to choose from: zeros, poles, zeros and poles at the origin."""
    if zeros is not None and poles is not None:
        return [(zeros, poles, int(shelf is False), 0)]
    origins = {None: _ORIGINS, True: ((0, 0),), False: ((1, 0),)}[shelf]
    counts = range(_MOST_CONSTANTS + 1)
    models = [
        (z, p, *origin)
        for z in (counts if zeros is None else (zeros,))
        for p in (counts if poles is None else (poles,))
        for origin in origins
        if 1 <= z + p <= max(_MOST_CONSTANTS, z if zeros else 0, p if poles else 0)
        and z + p + 1 + _SPARE_POINTS <= points
    ]
    if not models:
        raise InputError(
            "table",
            f"{points} points",
            f"choosing the number of time constants takes at least {2 + _SPARE_POINTS}",
        )
    return models


def _fitted(frequency: Floats, level: Floats, model: Model, name: str) -> CurveFit:
    zeros, poles, zeros_at_origin, poles_at_origin = model
    return fit_curve(
        frequency_hz=frequency,
        level_db=level,
        zeros=zeros,
        poles=poles,
        zeros_at_origin=zeros_at_origin,
        poles_at_origin=poles_at_origin,
        name=name,
    )


def _rounding_db(level: Floats) -> float:
    """Standard deviation of rounding to the last digit that the levels have."""
    for digits in range(4):
        if np.allclose(level, np.round(level, digits), rtol=0.0, atol=1e-9):
            return float(10.0**-digits / math.sqrt(12.0))
    return _LEAST_NOISE_DB


def _is_playback(frequency: Floats, level: Floats) -> bool:
    as_recording = _nearest(frequency, level).rms_db
    as_playback = _nearest(frequency, -level).rms_db
    return as_playback < as_recording - _CLOSER_DB


def _nearest(frequency: Floats, level: Floats) -> PublishedCurve:
    """The curve of the catalogue at the smallest distance from levels."""
    distances: dict[ZeroPoleGain[float], PublishedCurve] = {}
    for curve in catalogue():
        apart = level - level_db(curve, frequency, published=True)
        apart = apart - apart.mean()
        shape = zero_pole_gain(curve, published=True)
        names = distances[shape].names if shape in distances else ()
        rms_db = float(np.sqrt(np.mean(apart**2)))
        largest_db = float(np.abs(apart).max())
        distances[shape] = PublishedCurve((*names, curve.name), rms_db, largest_db)
    return min(distances.values(), key=lambda one: one.rms_db)


def _levels_of(fit: CurveFit) -> Floats:
    return level_db(fit.curve, fit.frequency_hz)


def _trial(table: _Table, model: Model, name: str) -> _Trial:
    """Fit a model, setting one outlier apart after the other."""
    from scipy.special import stdtr

    points = len(table.frequency)
    kept = np.arange(points)
    fit = _fitted(table.frequency, table.level, model, name)
    for _ in range(int(_MOST_OUTLIERS * points)):
        if len(kept) <= model[0] + model[1] + 1 + _SPARE_POINTS:
            break
        studentised, freedom = _studentised(fit, table)
        worst = int(np.argmax(np.abs(studentised)))
        chance = 2.0 * len(kept) * stdtr(freedom, -abs(studentised[worst]))
        if chance > _OUTLIER:
            break
        kept = np.delete(kept, worst)
        fit = _fitted(table.frequency[kept], table.level[kept], model, name)
    outliers = np.setdiff1d(np.arange(points), kept)
    return _Trial(fit, outliers, _criterion(fit, table, len(outliers)))


def _studentised(fit: CurveFit, table: _Table) -> tuple[Floats, float]:
    """Residuals by the scatter of the others, and the degrees of freedom of that scatter."""
    slopes = constant_slopes(fit.curve, fit.frequency_hz)
    points, unknowns = slopes.shape[0], slopes.shape[1] + 1
    base, values, _ = np.linalg.svd(slopes, full_matrices=False)
    seen = base[:, values > 1e-9 * values.max()]
    leverage = np.minimum(1.0 / points + np.sum(seen**2, axis=1), 1.0 - 1e-9)
    freedom = points - unknowns - 1
    total = float(fit.misfit_db @ fit.misfit_db)
    floor = (table.noise_db or table.floor_db) ** 2
    variance = np.maximum((total - fit.misfit_db**2 / (1.0 - leverage)) / freedom, floor)
    return np.asarray(fit.misfit_db / np.sqrt(variance * (1.0 - leverage))), float(freedom)


def _criterion(fit: CurveFit, table: _Table, outliers: int) -> float:
    points = len(table.frequency)
    unknowns = len(fit.curve.zeros_s) + len(fit.curve.poles_s) + 1 + 2 * outliers
    square = float(fit.misfit_db @ fit.misfit_db)
    if table.noise_db is not None:
        return square / table.noise_db**2 + _WEIGHT * unknowns * math.log(points)
    if points - unknowns <= 2:
        return math.inf
    penalty = _WEIGHT * unknowns * points * math.log(points) / (points - unknowns - 2)
    return points * math.log(table.floor_db**2 + square / points) + penalty


def _ranked(trials: dict[Model, _Trial]) -> tuple[ModelTried, ...]:
    order = sorted(trials, key=lambda m: trials[m].criterion)
    least = trials[order[0]].criterion
    return tuple(
        ModelTried(
            *model,
            rms_db=trials[model].fit.rms_db,
            criterion_above_best=trials[model].criterion - least,
        )
        for model in order
    )


def _outliers(trial: _Trial, table: _Table, sign: float) -> tuple[Outlier, ...]:
    curve, offset = trial.fit.curve, trial.fit.offset_db
    return tuple(
        Outlier(float(f), float(sign * v), float(sign * (v - offset - fitted)))
        for f, v, fitted in zip(
            table.frequency[trial.outliers],
            table.level[trial.outliers],
            level_db(curve, table.frequency[trial.outliers]),
            strict=True,
        )
    )


def _faults(
    trial: _Trial, tried: tuple[ModelTried, ...], model: Model, table: _Table
) -> tuple[str, ...]:
    """What speaks against a model: its rivals, the size of its misfit, its runs."""
    from scipy.special import chdtrc

    fit, best = trial.fit, tried[0]
    faults = []
    above = next(t for t in tried if _counts(t) == model).criterion_above_best
    if above > _DECISIVE:
        faults.append(
            f"the number of time constants is wrong: {model_text(best)} leaves "
            f"{best.rms_db:.3f} dB rms, this {fit.rms_db:.3f} dB"
        )
    square, points = float(fit.misfit_db @ fit.misfit_db), len(fit.frequency_hz)
    freedom = points - len(fit.curve.zeros_s) - len(fit.curve.poles_s) - 1
    if table.noise_db is not None:
        if chdtrc(freedom, square / table.noise_db**2) < _UNLIKELY:
            faults.append(
                f"the misfit of {fit.rms_db:.3f} dB rms is larger than noise of "
                f"{table.noise_db:g} dB explains"
            )
    elif fit.rms_db > _LARGE_MISFIT_DB:
        faults.append(
            f"the misfit, {fit.rms_db:.3f} dB rms, exceeds the {_LARGE_MISFIT_DB:g} dB of "
            "reading a graph; state --noise for rougher levels"
        )
    if fit.rms_db > 2.0 * (table.noise_db or table.floor_db) and _hangs_together(fit.misfit_db):
        faults.append("the misfit changes smoothly with frequency, as noise does not")
    return tuple(faults)


def _counts(tried: ModelTried) -> Model:
    return tried.zeros, tried.poles, tried.zeros_at_origin, tried.poles_at_origin


def _hangs_together(misfit: Floats) -> bool:
    """Whether neighbours are more alike than those of noise (von Neumann, Ann. Math. Stat. 1941).

    Of noise the mean square of successive differences is twice the variance.  A fit makes its
    residuals alternate more, so that they are called alike less often than stated.
    """
    from scipy.special import ndtr

    points = len(misfit)
    ratio = float(np.sum(np.diff(misfit) ** 2) / np.sum(misfit**2))
    deviation = 2.0 * math.sqrt((points - 2.0) / (points**2 - 1.0))
    return bool(ndtr((ratio - 2.0) / deviation) < _UNLIKELY)


def model_text(tried: ModelTried) -> str:
    """Name a model by its counts.

    Parameters
    ----------
    tried : ModelTried
        The model.

    Returns
    -------
    str
        For example ``2 zeros, 1 pole``.
    """
    counts = ((tried.zeros, "zero"), (tried.poles, "pole"))
    pieces = [counted(count, noun) for count, noun in counts if count]
    if tried.zeros_at_origin:
        pieces.append("a zero at the origin")
    if tried.poles_at_origin:
        pieces.append("a pole at the origin")
    return ", ".join(pieces)
