"""The phase of a sweep beside its level: in a unit they belong together, by clocks that drift not.

Level and phase of a unit are made of corners and resonances (Bode, Network Analysis and Feedback
Amplifier Design, Van Nostrand 1945, chapter 14).  In a sweep, time is frequency: a delay that goes
to and fro turns the phase and leaves the level as it is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.clock_drift import drifting_clocks

__all__ = ["refuse_unlike_phase"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_CORNERS = 16.0  # times beyond the bands on either side: farther ones are a delay, or nothing
_RESONANCES = (0.9, 1.5, 2.5, 4.0, 7.0)  # Q of those laid out, three to an octave
_USUAL = 0.5  # of one corner: a real one is shared out to those beside it
_UNMODELLED = 0.003  # rad or neper: what corners shared out leave of a real one
_BELOW_TOP = 1.25  # the filter of a converter turns the phase above, and lowers nothing yet
_LEAST_BANDS = 12  # an octave; of fewer any phase goes with any level
_COURSES = 5  # order of the polynomial; of one to ten turns to and fro it explains enough
_DELAY_S = 1e-4  # beyond the unit's own and what was taken out: the delay and a growth are free
_COURSE_S = 2e-5  # of each order: two samples at 96 kHz
_EVIDENCE = 25.0  # chi square of four orders: by noise once in 20,000; of sound sweeps 9 at most


def refuse_unlike_phase(
    frequency_hz: Floats, ratio: Complex, variance: Floats, *, name: str
) -> None:
    """Refuse a sweep whose phase does not go with its level, as it does in a unit.

    Corners and resonances, any number, are fitted to both; a delay, its steady growth and a
    polarity are free.  A delay that goes to and fro they imitate only by corners beyond the band
    that are many and cancel each other.  So the same is fitted with a course of the delay and
    without: it must not explain much more.

    Parameters
    ----------
    frequency_hz : numpy.ndarray of float, shape (bands,)
        Frequencies of bands [Hz], ascending.
    ratio : numpy.ndarray of complex, shape (bands,)
        Output over nominal output.
    variance : numpy.ndarray of float, shape (bands,)
        Variance of the phase [rad^2].
    name : str
        How messages call the record.

    Raises
    ------
    InputError
        When two clocks drifted against each other.
    """
    told = frequency_hz < frequency_hz[-1] / _BELOW_TOP
    if np.count_nonzero(told) < _LEAST_BANDS:
        return
    if _course_evidence(frequency_hz[told], ratio[told], variance[told]) > _EVIDENCE:
        raise drifting_clocks(name, "the phase of the sweep does not go with its level")


def _course_evidence(frequency_hz: Floats, ratio: Complex, variance: Floats) -> float:
    """How much a course of the delay lessens chi square, over what remains a value."""
    made, octaves = _log_responses(frequency_hz), np.log(frequency_hz / frequency_hz[0])
    # Of a logarithmic sweep the time, from -1 to 1.
    course = np.polynomial.legendre.legvander(2.0 * octaves / octaves[-1] - 1.0, _COURSES)
    turn = -2.0 * np.pi * frequency_hz[:, None] * course
    weight = 1.0 / np.sqrt(variance + _UNMODELLED**2)
    ones = np.ones((frequency_hz.size, 1))
    corners, orders = made.shape[1], _COURSES - 1
    # Gain, polarity, delay and its growth are free; the course comes last, and what was seen.
    level = np.hstack([made.real, ones, np.zeros((ones.size, 3 + orders))])
    phase = np.hstack(
        [made.imag, 0.0 * ones, ones, _DELAY_S * turn[:, :2], _COURSE_S * turn[:, 2:]]
    )
    seen = np.concatenate([np.log(np.abs(ratio)), np.unwrap(np.angle(ratio))])
    columns = np.column_stack([np.vstack([level, phase]), seen]) * np.tile(weight, 2)[:, None]
    usual = np.zeros((corners + orders, columns.shape[1]))
    usual[:corners, :corners] = np.eye(corners) / _USUAL
    usual[corners:, -orders - 1 : -1] = np.eye(orders)
    # The last column by those before it: what each of them adds, and what remains.
    root = np.asarray(np.linalg.qr(np.vstack([columns, usual]), mode="r"))
    added = root[:, -1]
    remains = float(added[-1]) ** 2 / (2 * frequency_hz.size)
    return float(np.sum(added[-orders - 1 : -1] ** 2)) / max(1.0, remains)


def _log_responses(frequency_hz: Floats) -> Complex:
    """Logarithms of 1 + s T and of 1 + s T/Q + (s T)**2, shape (bands, terms)."""
    low, high = frequency_hz[0], frequency_hz[-1]
    ends = low / _CORNERS, high * _CORNERS
    corners = np.geomspace(*ends, int(np.log2(ends[1] / ends[0])) + 1)
    resonances = np.geomspace(low / 2.0, 2.0 * high, int(3.0 * np.log2(4.0 * high / low)) + 1)
    s, pairs = 1j * frequency_hz[:, None] / corners, 1j * frequency_hz[:, None] / resonances
    return np.hstack([np.log(1.0 + s), *(np.log(1.0 + pairs / q + pairs**2) for q in _RESONANCES)])
