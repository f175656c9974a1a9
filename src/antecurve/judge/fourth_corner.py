"""What a fourth corner at the low end may do to the response.

The model's low end, 1/(1 + a/s + b/s^2 + c/s^3), ends at three corners.  Where the captures need
all three, a rumble filter may make a fourth: a term d/s^4.  With J the whitened derivatives of the
fit, r its residuals and g those by d, all but what J explains of g tells d:

    d = -g' r/(g' g),   with a standard deviation of 1/|g|,   g beside J,

and the other constants move by -J^+ g d.  What that does to the deviation is an
uncertainty, for the greatest d that the captures allow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.advice import LOW_SQUARE_HZ, clear_frequency
from antecurve.judge.fit import Family, Fit
from antecurve.judge.fit_harmonics import changes_of_rows
from antecurve.judge.observation import ResidualFinding, ResidualKind
from antecurve.judge.unit_factors import RATE_UNIT
from antecurve.judge.unit_parameters import LowEnd
from antecurve.quantities import DB_PER_NEPER, format_quantity

__all__ = ["fourth_corner"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_COVERAGE_FACTOR = 2.0  # 95 % of a normal distribution
_WORTH_A_WORD_DB = 0.05  # a tenth of the usual limit
_SAME = 1.1  # of a frequency: one captured so near it shows no more
_HIGHEST_HZ = 1000.0  # up to which it is looked at: five octaves above any rumble filter
_POINTS = 60  # more than ten an octave


def fourth_corner(
    fit: Fit,
    allowed: Sequence[Family],
    band_hz: tuple[float, float],
    *,
    mains_hz: float | None = None,
) -> tuple[ResidualFinding, ...]:
    """Find what a fourth corner may do to the response.

    Parameters
    ----------
    fit : Fit
        The fit.
    allowed : sequence of Family
        The shapes that the captures allow, the reported one first.
    band_hz : tuple of float
        The band judged [Hz].
    mains_hz : float, optional
        Mains frequency [Hz], of which an advised square wave keeps clear.

    Returns
    -------
    tuple of ResidualFinding
        One, where all shapes allowed have three corners and it adds a notable uncertainty.
    """
    model, order = allowed[0].model, min(f.shape.low_end for f in allowed)
    if order < LowEnd.THIRD_ORDER or model.level_only:
        return ()
    frequency = np.geomspace(band_hz[0], min(_HIGHEST_HZ, band_hz[1]), _POINTS)
    reach = _reach_db(fit, allowed[0], frequency)
    reach[-1] = 0.0  # all above is far from any low corner
    worst = int(np.argmax(reach))
    if reach[worst] < _WORTH_A_WORD_DB:
        return ()
    lowest, at_hz = min(float(o.frequency_hz[0]) for o in fit.observations), float(frequency[worst])
    advised_hz = clear_frequency(max(at_hz, LOW_SQUARE_HZ), mains_hz=mains_hz)
    if at_hz < lowest < _SAME * advised_hz:
        advised_hz = clear_frequency(LOW_SQUARE_HZ / 2.0, mains_hz=mains_hz)
    text = (
        "The low end is of third order at least. A rumble filter may have a fourth corner. That "
        f"would change the response at {format_quantity(at_hz, 'Hz', digits=2)} by up to "
        f"{reach[worst]:.2g} dB. A square wave of {advised_hz:.0f} Hz settles it"
    )
    kind = ResidualKind.FOURTH_CORNER
    return (ResidualFinding(kind, "", text, at_hz, frequency, 0.0 * frequency, reach),)


def _reach_db(fit: Fit, family: Family, frequency_hz: Floats) -> Floats:
    """Expanded uncertainty of the deviation by a fourth corner [dB]."""
    solution = family.solution
    changes = changes_of_rows(fit, lambda hertz: _by_fourth(family, hertz)[:, None])
    jacobian = solution.evaluation.jacobian[:, solution.free]
    rows = solution.evaluation.data_rows
    change = np.concatenate([*(c[:, 0] for c in changes), np.zeros(jacobian.shape[0] - rows)])
    carried = np.linalg.lstsq(jacobian, change, rcond=None)[0]
    beside = change - jacobian @ carried
    told = float(beside @ beside)
    if told <= 0.0:
        return np.full(frequency_hz.size, np.inf)
    best = -float(beside @ solution.evaluation.residual) / told
    most = max(0.0, best + _COVERAGE_FACTOR / math.sqrt(told))
    slopes = family.model.linearised(solution.units, frequency_hz).derivative.real
    units = solution.free[: slopes.shape[1]]
    level = _by_fourth(family, frequency_hz).real - slopes[:, units] @ carried[: units.sum()]
    return np.asarray(DB_PER_NEPER * most * np.abs(level))


def _by_fourth(family: Family, frequency_hz: Floats) -> Complex:
    """Derivative of ln of the response by d, where d is 0: that by c over s."""
    model = family.model
    third = next(k for k, p in enumerate(model.parameters) if p.role == "low_3")
    by_third = model.linearised(family.solution.units, frequency_hz).derivative[:, third]
    return np.asarray(by_third * RATE_UNIT / (2j * math.pi * frequency_hz))
