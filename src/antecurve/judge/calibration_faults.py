"""What explains a sweep that the tolerances of a network don't: a part, the load, or nothing.

A sweep contradicts the tolerances when freeing every element improves the fit by more than chance
(likelihood ratio, chi-square by the number of elements).  Then each position, and each of source
and load, is freed by itself; a single one that makes the others fit within their tolerances is
named.  Where none does, pairs with the best single one are tried.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.calibration_fit import LevelModel, SweepFit, bounded_fit, posterior_draws
from antecurve.quantities import format_quantity
from antecurve.results import Result

__all__ = ["OutsideTolerance", "contradicted", "explained", "free_fit", "outside_tolerance"]

Floats = NDArray[np.float64]

_UNLIKELY = 1e-4  # of ten thousand networks within tolerance one
_ALIKE = 6.0  # chi-square: odds of 20 to 1, below which two explanations are both named
_STARTS = (0.0, 2.5, -2.5)  # nepers: a meter's load may be 10 times or a tenth of the unit's
_LOADING = ("source resistance", "load resistance", "load capacitance")


@dataclass(frozen=True, slots=True)
class OutsideTolerance(Result):
    """A value outside its tolerance that explains a sweep.

    Attributes
    ----------
    name : str
        Reference of the position, or ``source resistance``, ``load resistance``,
        ``load capacitance``.
    unit : str
        ``ohm`` or ``F``.
    nominal, value, low, high : float
        Value by the design, as the sweep shows it, and its 95 % interval [ohm or F].
    tolerance : float
        Largest deviation by the tolerances of the parts, as a fraction.
    """

    name: str
    unit: str
    nominal: float
    value: float
    low: float
    high: float
    tolerance: float

    @property
    def is_load(self) -> bool:
        """Whether it is the source or the load rather than a part."""
        return self.name in _LOADING

    @property
    def sentence(self) -> str:
        """Say what it is and what to do."""
        nominal, value, low, high = (
            format_quantity(v, self.unit, digits=3)
            for v in (self.nominal, self.value, self.low, self.high)
        )
        if self.is_load:
            return (
                f"a {self.name} of {value} ({low} to {high}) in place of {nominal} explains the "
                "sweep. Was it that of the instruments? Then state it"
            )
        off = 100.0 * (self.value / self.nominal - 1.0)
        limit = "without a tolerance" if not self.tolerance else f"±{100.0 * self.tolerance:.2g} %"
        return (
            f"{self.name} is outside its tolerance: {value} ({low} to {high}) in place of "
            f"{nominal}, {off:+.1f} % where {limit} is allowed"
        )


def free_fit(model: LevelModel, sigma_db: float, start: SweepFit) -> SweepFit:
    """Fit with every element free.

    Parameters
    ----------
    model : LevelModel
        Levels and what they depend on.
    sigma_db : float
        Standard uncertainty of a level [dB].
    start : SweepFit
        The best fit within the limits.

    Returns
    -------
    SweepFit
        At least as good.
    """
    elements = range(len(model.network.values))
    freed = bounded_fit(_freed(model, elements), sigma_db, _start(start, len(elements)))
    return min(freed, start, key=lambda fit: fit.square_db)


def contradicted(fit: SweepFit, free: SweepFit, sigma_db: float) -> bool:
    """Tell whether a fit is worse than free elements by more than chance.

    Parameters
    ----------
    fit : SweepFit
        Within tolerances, some of them perhaps freed.
    free : SweepFit
        With every element free.
    sigma_db : float
        Standard uncertainty of a level [dB].

    Returns
    -------
    bool
        Likelihood ratio test at one in ten thousand.
    """
    from scipy.special import chdtrc

    worse = max(0.0, fit.square_db - free.square_db) / sigma_db**2
    return bool(chdtrc(len(fit.model.network.values), worse) < _UNLIKELY)


def explained(
    fit: SweepFit, free: SweepFit, sigma_db: float
) -> tuple[tuple[SweepFit, tuple[int, ...]], ...]:
    """Find the single values, or the pair of them, that explain a sweep.

    Parameters
    ----------
    fit : SweepFit
        The best within all tolerances, which the sweep contradicts.
    free : SweepFit
        With every element free.
    sigma_db : float
        Standard uncertainty of a level [dB].

    Returns
    -------
    tuple of (SweepFit, tuple of int)
        Fits with the rows of the network's errors that were freed, best first; several where
        the sweep can't tell them apart, empty where no pair explains it.
    """
    rows = _rows(fit.model)
    singles = sorted(
        ((_best(fit, (row,), sigma_db), (row,)) for row in rows), key=lambda one: one[0].square_db
    )
    enough = [one for one in singles if not contradicted(one[0], free, sigma_db)]
    if not enough:
        first = singles[0][1][0]
        pairs = [(first, row) for row in rows if row != first]
        both = min(
            ((_best(fit, pair, sigma_db), pair) for pair in pairs), key=lambda one: one[0].square_db
        )
        return () if contradicted(both[0], free, sigma_db) else (both,)
    limit = enough[0][0].square_db + _ALIKE * sigma_db**2
    return tuple(one for one in enough if one[0].square_db <= limit)


def outside_tolerance(
    fit: SweepFit, rows: tuple[int, ...], sigma_db: float
) -> tuple[OutsideTolerance, ...]:
    """Describe the freed values of a fit that explains a sweep.

    Parameters
    ----------
    fit : SweepFit
        The fit, its last sources free.
    rows : tuple of int
        What was freed.
    sigma_db : float
        Standard uncertainty of a level [dB].

    Returns
    -------
    tuple of OutsideTolerance
        One a row.
    """
    network = fit.model.network
    draws = posterior_draws(fit, sigma_db)[:, : network.sources]
    own = network.errors[:, : network.sources - len(rows)]
    largest = np.abs(own) @ fit.model.limits()[: own.shape[1]]
    elements, load = network.topology.elements, network.loading
    loads = (load.source_resistance, load.load_resistance, load.load_capacitance)
    described = []
    for row in rows:
        deviation = draws @ network.errors[row]
        low, value, high = np.exp(np.percentile(deviation, (2.5, 50.0, 97.5)))
        if row < len(elements):
            name, unit = elements[row].ref, elements[row].kind.unit
            # The middle of the logarithms lies below the value marked.
            nominal = float(network.values[row] * np.cosh(largest[row]))
        else:
            loading = row - len(elements)
            name, unit, nominal = _LOADING[loading], ("ohm", "ohm", "F")[loading], loads[loading]
        described.append(
            OutsideTolerance(
                name,
                unit,
                nominal,
                value=float(nominal * value),
                low=float(nominal * low),
                high=float(nominal * high),
                tolerance=float(np.tanh(largest[row])),
            )
        )
    return tuple(described)


def _rows(model: LevelModel) -> list[int]:
    """Rows of the network's errors that may be freed: elements, then source and load."""
    load, count = model.network.loading, len(model.network.values)
    loads = (load.source_resistance, load.load_resistance, load.load_capacitance)
    return [*range(count), *(count + k for k, value in enumerate(loads) if 0.0 < value < math.inf)]


def _freed(model: LevelModel, rows: Iterable[int]) -> LevelModel:
    """The model with a free source for each of some rows."""
    network, columns = model.network, list(rows)
    extra = np.zeros((network.errors.shape[0], len(columns)))
    extra[columns, range(len(columns))] = 1.0
    freed = replace(
        network,
        errors=np.hstack([network.errors, extra]),
        uniform=np.append(network.uniform, np.ones(len(columns), dtype=bool)),
    )
    return replace(model, network=freed, free=len(columns))


def _start(fit: SweepFit, free: int, value: float = 0.0) -> Floats:
    """The unknowns of a fit with free sources put after those of the network."""
    sources = fit.model.network.sources
    return np.insert(fit.unknowns, [sources] * free, value)


def _best(fit: SweepFit, rows: tuple[int, ...], sigma_db: float) -> SweepFit:
    """The best fit with rows freed; source and load may be far off, so from several starts."""
    model = _freed(fit.model, rows)
    far = any(row >= len(model.network.values) for row in rows)
    return min(
        (
            bounded_fit(model, sigma_db, _start(fit, len(rows), start))
            for start in (_STARTS if far else _STARTS[:1])
        ),
        key=lambda one: one.square_db,
    )
