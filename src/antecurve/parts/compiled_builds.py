"""Very many builds, measured by compiled loops where the extra ``fast`` is there.

`antecurve.networks.build_errors.BuildErrors` says what a build's error is: the largest and the
smallest q over the frequencies.  Here q is worked out at every third of them, and what lies between
by the polynomial of degree four through the five about the highest.  With frequencies h apart in
ln f that misses by at most 0.031 h**5 times the largest fifth derivative of q, which of tolerances
is about eight times q itself: at 40 a decade a part in 26,000 of the error.  Where two peaks
are alike to a part in 700, the lower one may be taken.  The first builds are measured both ways,
and where the two differ by more the loops are not used.
"""

from __future__ import annotations

import importlib.util
import math

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.build_errors import POWER_DB, BuildErrors
from antecurve.networks.build_program import build_program
from antecurve.parts.scatter import PartTable, position_values

__all__ = ["WORTH_COMPILING", "CompiledBuilds", "compiled_builds"]

Floats = NDArray[np.float64]

WORTH_COMPILING = 20_000_000
"""Builds that take as long as loading the loops; compiling them, the first time, takes 10 s."""
_WIDEST_STEP = 0.18  # in ln f, of the frequencies worked out: 13 a decade
_MOST_COEFFICIENTS = 12  # of numerator and denominator: more gain little, and compile for long
_FEWEST_POINTS = 5  # for the polynomial through them
_CHECKED = 2048  # builds
_ALIKE, _FEW, _ALIKE_ALL = 1e-4, 0.99, 0.01  # relative; share of the builds; of all builds


class CompiledBuilds:
    """Measures builds by compiled loops.

    Parameters
    ----------
    table : PartTable
        The parts.
    errors : BuildErrors
        What is measured of a build.
    """

    def __init__(self, table: PartTable, errors: BuildErrors) -> None:
        from antecurve.networks import build_kernels

        program = build_program(
            errors.topology, loading=errors.loading, positions=table.positions, adds=table.adds
        )
        above, below = len(program.numerator), len(program.denominator)
        step = _step(errors.frequency_hz)
        self._measure = build_kernels.measuring(above, below)
        self._compare = build_kernels.comparing(above, below)
        self._strip = build_kernels.STRIP
        self._program = program
        self._ends = np.array(program.numerator + program.denominator)
        self._about = errors.about_nominal()
        self._table = np.ascontiguousarray(errors.deviation_table()[::step])
        self._weights = _weights(step, build_kernels.STENCIL)

    def _rows(self) -> Floats:
        return np.repeat(self._program.constants[:, None], self._strip, axis=1)

    def measured(self, parts: Floats) -> tuple[Floats, Floats]:
        """Measure builds.

        Parameters
        ----------
        parts : numpy.ndarray of float, shape (parts, builds)
            Values of the parts [ohm or F]; a whole number of strips.

        Returns
        -------
        centred_db, level_db : numpy.ndarray of float, shape (builds,)
            As `BuildErrors` measures them.
        """
        high, low = np.empty((2, parts.shape[1]), dtype=np.float32)
        level = np.empty(parts.shape[1])
        self._measure(
            parts, self._program.steps, self._rows(), self._ends, self._about, self._table,
            self._weights, high, low, level,
        )  # fmt: skip
        centred = np.log1p(high, dtype=float) - np.log1p(low, dtype=float)
        centred *= 0.5 * POWER_DB
        return centred, POWER_DB * np.log(level)

    def mismatch(self, parts: Floats, others: Floats) -> tuple[Floats, Floats]:
        """Compare builds with a second channel.

        Parameters
        ----------
        parts, others : numpy.ndarray of float, shape (parts, builds)
            Values of the parts of either [ohm or F]; a whole number of strips.

        Returns
        -------
        level_db, largest_db : numpy.ndarray of float, shape (builds,)
            Difference of the levels at 1 kHz and the largest anywhere in the band [dB].
        """
        high, low = np.empty((2, parts.shape[1]), dtype=np.float32)
        level, other_level = np.empty((2, parts.shape[1]))
        self._compare(
            parts, others, self._program.steps, self._rows(), self._ends, self._about,
            self._table, self._weights, high, low, level, other_level,
        )  # fmt: skip
        largest = np.maximum(np.log1p(high, dtype=float), -np.log1p(low, dtype=float))
        return POWER_DB * np.abs(np.log(level / other_level)), POWER_DB * largest


def _step(frequency_hz: Floats) -> int:
    """How many frequencies apart the ones worked out are, both ends among them."""
    count = len(frequency_hz) - 1
    apart = math.log(frequency_hz[-1] / frequency_hz[0]) / count
    widest = int(_WIDEST_STEP / apart)
    return next(
        (s for s in range(min(widest, count // (_FEWEST_POINTS - 1)), 1, -1) if count % s == 0), 1
    )


def _weights(step: int, stencil: int) -> NDArray[np.float32]:
    """Weights of the stencil for the `step` - 1 points before and after each of its places."""
    weights = np.zeros((stencil, 2, step - 1, stencil))
    for at, side, number, one in np.ndindex(*weights.shape):
        point = at + (number + 1) / step * (1 if side else -1)
        apart = [(point - k) / (one - k) for k in range(stencil) if k != one]
        weights[at, side, number, one] = math.prod(apart)
    return weights.astype(np.float32)


def compiled_builds(table: PartTable, errors: BuildErrors, parts: Floats) -> CompiledBuilds | None:
    """Make compiled loops ready, where they can be had.

    Parameters
    ----------
    table : PartTable
        The parts.
    errors : BuildErrors
        What is measured of a build.
    parts : numpy.ndarray of float, shape (parts, builds)
        Some builds, at least 2048, on which both ways are compared.

    Returns
    -------
    CompiledBuilds or None
        ``None`` where the plain way is the only one.
    """
    if importlib.util.find_spec("numba") is None:
        return None
    if errors.wide or len(errors.frequency_hz) < _FEWEST_POINTS:
        return None
    few = np.ascontiguousarray(parts[:, :_CHECKED])
    power = errors.power_coefficients(position_values(table, few))
    if power.numerator.shape[1] + power.denominator.shape[1] > _MOST_COEFFICIENTS:
        return None
    compiled = CompiledBuilds(table, errors)
    plain = errors.centred_db(power)
    apart = np.abs(compiled.measured(few)[0] - plain)
    alike = np.quantile(apart, _FEW) <= _ALIKE * plain.max() and np.all(apart <= _ALIKE_ALL * plain)
    return compiled if alike else None
