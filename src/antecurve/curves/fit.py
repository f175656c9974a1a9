"""Time constants fitted to a table of levels.

The level of a curve is a sum of terms, one per time constant,

.. math:: L(f) = L_0 + \\sum_i 10\\log_{10}(1 + (\\omega z_i)^2)
          - \\sum_j 10\\log_{10}(1 + (\\omega p_j)^2) + 20 (a - b) \\log_{10}\\omega ,

and is fitted by least squares in the logarithms of the time constants, from many starts, so
that a poor start does not decide the result.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.arrays import hold_read_only
from antecurve.checked import checked
from antecurve.curves.model import Curve, level_db
from antecurve.errors import InputError
from antecurve.quantities import DB_PER_NEPER
from antecurve.results import Result

__all__ = ["CurveFit", "constant_slopes", "fit_curve"]

_MOST = 4  # zeros or poles: a table of levels over the audio band tells no more apart
_GRID = 5  # starting values over the band, all combinations: 504 random fits ended as with 6
_FIRST_DAMPING = 0.01  # of Marquardt's method; it adapts itself within a few steps
_FIRST_STEPS, _KEPT = 8, 12  # by then the best end is among the best twelve starts
_COARSE_STEPS = 20  # brings the best start within reach of its end
_MOST_STEPS = 300  # along the valley of constants that the table does not tell apart
_LEAST_STEP = 1e-10  # nepers
_LARGEST_STEP = 1.5  # nepers, a factor of 4.5: a step of the linear model is good no farther
_BEYOND = 10.0  # a decade past the table a corner changes its levels by less than 0.05 dB

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class CurveFit(Result):
    """Time constants fitted to a table, with the misfit.

    Attributes
    ----------
    curve : Curve
        The fitted curve, published time constants only.
    offset_db : float
        What was added to the curve's level re 1 kHz to meet the table [dB].
    frequency_hz : numpy.ndarray of float, shape (points,)
        The table's frequencies [Hz]; read-only.
    misfit_db : numpy.ndarray of float, shape (points,)
        Table less fitted curve [dB]; read-only.
    rms_db : float
        Root mean square of the misfit [dB].
    largest_db : float
        Largest magnitude of the misfit [dB].
    relative_uncertainty : tuple of float
        Standard uncertainty of each time constant, zeros then poles, as a fraction, from the
        scatter of the misfit; infinite where the table does not determine it.
    remarks : tuple of str
        What to mistrust: time constants outside the table's range, or not determined by it.
    """

    curve: Curve
    offset_db: float
    frequency_hz: Floats
    misfit_db: Floats
    rms_db: float
    largest_db: float
    relative_uncertainty: tuple[float, ...]
    remarks: tuple[str, ...]

    def __post_init__(self) -> None:
        hold_read_only(self, "frequency_hz", "misfit_db")


@checked
def fit_curve(
    *,
    frequency_hz: ArrayLike,
    level_db: ArrayLike,
    zeros: int,
    poles: int,
    zeros_at_origin: int = 0,
    poles_at_origin: int = 0,
    name: str = "fitted",
) -> CurveFit:
    """Fit time constants to a table of levels.

    Parameters
    ----------
    frequency_hz : array_like, shape (points,)
        Frequencies [Hz], greater than 0, each once.
    level_db : array_like, shape (points,)
        Level of the emphasis [dB], with any constant added (for playback: change the sign).
    zeros, poles : int
        Number of time constants to fit, 0 to 4 each, at least one in all.
    zeros_at_origin, poles_at_origin : int, optional
        Powers of s, 0 or 1: a curve without bass shelf has a zero at the origin.
    name : str, optional
        Name of the fitted curve.

    Returns
    -------
    CurveFit
        The curve with the misfit.

    Raises
    ------
    InputError
        When the table is too short, not finite, or a count is out of range.

    Examples
    --------
    >>> fitted = fit_curve(
    ...     frequency_hz=[50, 100, 200, 500, 1e3, 2e3, 5e3, 10e3],
    ...     level_db=[0.0, 0.0, 0.0, 0.1, 0.4, 1.4, 5.4, 10.4],
    ...     zeros=1,
    ...     poles=0,
    ... )
    >>> round(fitted.curve.zeros_s[0] * 1e6)
    50
    """
    frequency, level = _table(frequency_hz, level_db)
    _counts(zeros, poles, zeros_at_origin, poles_at_origin)
    unknowns = zeros + poles + 1
    if len(frequency) <= unknowns:
        raise InputError(
            "table",
            f"{len(frequency)} points",
            f"{zeros + poles} time constants and a level need at least {unknowns + 1} points",
        )
    omega = 2.0 * math.pi * frequency
    fixed = 20.0 * (zeros_at_origin - poles_at_origin) * np.log10(omega)
    signs = np.array([1.0] * zeros + [-1.0] * poles)
    best = _best_fit(omega, level - fixed, signs, zeros)
    times = np.exp(best)
    curve = Curve(
        name,
        tuple(times[:zeros].tolist()),
        tuple(times[zeros:].tolist()),
        zeros_at_origin=zeros_at_origin,
        poles_at_origin=poles_at_origin,
        source="fitted to a table of levels",
    )
    return _report(curve, frequency, level, best, signs)


def _table(frequency_hz: ArrayLike, levels: ArrayLike) -> tuple[Floats, Floats]:
    frequency = np.array(frequency_hz, dtype=float)
    level = np.array(levels, dtype=float)
    if frequency.ndim != 1 or frequency.shape != level.shape:
        raise InputError(
            "table", [frequency.shape, level.shape], "give one level for each frequency"
        )
    if not np.all(np.isfinite(frequency) & (frequency > 0)):
        raise InputError("frequency_hz", frequency_hz, "it must be finite and above 0 Hz")
    if not np.all(np.isfinite(level)):
        raise InputError("level_db", levels, "it must be finite")
    if len(np.unique(frequency)) != len(frequency):
        raise InputError("frequency_hz", frequency_hz, "each frequency may occur only once")
    return frequency, level


def _counts(zeros: int, poles: int, zeros_at_origin: int, poles_at_origin: int) -> None:
    for field, value, most in (
        ("zeros", zeros, _MOST),
        ("poles", poles, _MOST),
        ("zeros_at_origin", zeros_at_origin, 1),
        ("poles_at_origin", poles_at_origin, 1),
    ):
        if not 0 <= value <= most:
            raise InputError(field, value, f"it must be a whole number from 0 to {most}")
    if zeros + poles < 1:
        raise InputError("zeros", zeros, "fit at least one time constant")


def _terms(log_times: Floats, omega: Floats) -> Floats:
    """Level of each time constant, shape (points, times)."""
    return 10.0 * np.log10(1.0 + (omega[:, None] * np.exp(log_times)) ** 2)


def _centred(values: Floats) -> Floats:
    """Values less their mean over the points: the level L0 is eliminated."""
    return np.asarray(values - values.mean(axis=0))


def _slopes(log_times: Floats, omega: Floats, signs: Floats) -> Floats:
    square = (omega[:, None] * np.exp(log_times)) ** 2
    return _centred(DB_PER_NEPER * signs * square / (1.0 + square))


def constant_slopes(curve: Curve, frequency_hz: Floats) -> Floats:
    """Differentiate a curve's level by the logarithms of its time constants.

    Parameters
    ----------
    curve : Curve
        The curve, published time constants only.
    frequency_hz : numpy.ndarray of float, shape (points,)
        Frequencies [Hz].

    Returns
    -------
    numpy.ndarray of float, shape (points, constants)
        Derivatives [dB per neper], zeros then poles, each less its mean over the points.
    """
    times = np.array([*curve.zeros_s, *curve.poles_s])
    signs = np.array([1.0] * len(curve.zeros_s) + [-1.0] * len(curve.poles_s))
    return _slopes(np.log(times), 2.0 * math.pi * frequency_hz, signs)


def _best_fit(omega: Floats, level: Floats, signs: Floats, zeros: int) -> Floats:
    """The best of the fits from every ordered choice of starts on a grid."""
    inside = np.linspace(-np.log(omega.max()), -np.log(omega.min()), _GRID)
    bounds = (inside[0] - math.log(100.0), inside[-1] + math.log(100.0))
    # Zeros and poles half a step apart, so that they don't start cancelled.
    step = 0.25 * (inside[1] - inside[0])
    starts = [
        [*(inside[list(first)] + step), *(inside[list(second)] - step)]
        for first in combinations(range(_GRID), zeros)
        for second in combinations(range(_GRID), len(signs) - zeros)
    ]
    table = _Table(omega, _centred(level), signs, bounds)
    near = _descended(np.array(starts), table, steps=_FIRST_STEPS, kept=_KEPT)
    near = _descended(near, table, steps=_COARSE_STEPS - _FIRST_STEPS, kept=1)
    (best,) = _descended(near, table, steps=_MOST_STEPS, kept=1)
    order = [*np.argsort(-best[:zeros]), *(zeros + np.argsort(-best[zeros:]))]
    return np.asarray(best[order])


@dataclass(frozen=True, slots=True)
class _Table:
    """Levels less their mean, with the signs of what is fitted to them and where it may lie."""

    omega: Floats
    level: Floats
    signs: Floats
    bounds: tuple[float, float]

    def fitted(self, log_times: Floats) -> tuple[Floats, Floats, Floats]:
        """Residuals, their slopes and their sums of squares of each start."""
        square = (self.omega[:, None] * np.exp(log_times)[:, None, :]) ** 2
        levels = 10.0 * np.log10(1.0 + square) @ self.signs
        slopes = DB_PER_NEPER * self.signs * square / (1.0 + square)
        residual = levels - levels.mean(axis=1, keepdims=True) - self.level
        slopes -= slopes.mean(axis=1, keepdims=True)
        return residual, slopes, np.einsum("sp,sp->s", residual, residual)


def _descended(log_times: Floats, table: _Table, *, steps: int, kept: int) -> Floats:
    """The best ends of damped Gauss-Newton steps from all starts at once (Marquardt, 1963)."""
    damping = np.full((len(log_times), 1), _FIRST_DAMPING)
    low, high = table.bounds
    residual, slopes, cost = table.fitted(log_times)
    for _ in range(steps):
        normal = slopes.transpose(0, 2, 1) @ slopes
        scale = np.einsum("sii->si", normal)
        # The small constant holds the step where a time constant does not matter.
        scale += damping * scale + 1e-9
        gradient = np.einsum("spt,sp->st", slopes, residual)
        # What stands at its bound and would go beyond takes no part.
        held = np.where(gradient > 0.0, log_times == low, log_times == high)
        normal[held[:, :, None] | held[:, None, :]] = 0.0
        scale[held] = 1.0
        gradient[held] = 0.0
        step = np.linalg.solve(normal, gradient[:, :, None])[:, :, 0]
        if np.abs(step).max() < _LEAST_STEP:
            break
        trial = np.clip(log_times - np.clip(step, -_LARGEST_STEP, _LARGEST_STEP), low, high)
        at_trial = table.fitted(trial)
        better = at_trial[2] < cost
        gained = np.where(better, cost - at_trial[2], cost)
        log_times = np.where(better[:, None], trial, log_times)
        residual = np.where(better[:, None], at_trial[0], residual)
        slopes = np.where(better[:, None, None], at_trial[1], slopes)
        cost = np.where(better, at_trial[2], cost)
        damping = np.where(better[:, None], damping / 5.0, damping * 4.0)
        if np.all(gained <= 1e-14 * cost):
            break
    return np.asarray(log_times[np.argsort(cost, kind="stable")[:kept]])


def _report(
    curve: Curve, frequency: Floats, level: Floats, log_times: Floats, signs: Floats
) -> CurveFit:
    omega = 2.0 * math.pi * frequency
    against = level - level_db(curve, frequency)
    offset = float(against.mean())
    misfit = against - offset
    rms = float(np.sqrt(np.mean(misfit**2)))
    slopes = _slopes(log_times, omega, signs)
    freedom = len(frequency) - len(signs) - 1
    spread = math.sqrt(float(misfit @ misfit) / freedom)
    values, vectors = np.linalg.eigh(slopes.T @ slopes)
    held = values > 1e-12 * values.max()
    inverse = np.divide(1.0, values, out=np.full_like(values, np.inf), where=held)
    with np.errstate(invalid="ignore"):
        variance = np.where(vectors**2 > 1e-12, vectors**2 * inverse, 0.0).sum(axis=1)
    uncertainty = np.where(np.isinf(variance), np.inf, spread * np.sqrt(variance))
    return CurveFit(
        curve,
        offset,
        frequency,
        misfit,
        rms,
        float(np.abs(misfit).max()),
        tuple(uncertainty.tolist()),
        _remarks(log_times, signs, frequency, uncertainty),
    )


def _remarks(
    log_times: Floats, signs: Floats, frequency: Floats, uncertainty: Floats
) -> tuple[str, ...]:
    remarks = []
    for log_time, sign, share in zip(log_times, signs, uncertainty, strict=True):
        corner = 1.0 / (2.0 * math.pi * math.exp(log_time))
        what = f"the {'zero' if sign > 0 else 'pole'} at {corner:.4g} Hz"
        if corner < frequency.min() / _BEYOND:
            remarks.append(f"{what} lies far below the table: one at the origin serves as well")
        elif corner > frequency.max() * _BEYOND:
            remarks.append(f"{what} lies far above the table: leave it out")
        elif share > 0.5:
            remarks.append(f"the table hardly determines {what}: fit fewer time constants")
    return tuple(remarks)
