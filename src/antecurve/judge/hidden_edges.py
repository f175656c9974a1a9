"""Edges that hide between the samples of a record.

Where the sampling rate is a multiple of the square wave's frequency, every period is sampled at
the same points.  If edges rise within less than a sample, they may lie anywhere between two of
them, and what lies beyond half the sampling rate is folded onto the harmonics without a trace of
its own.  At a frequency f it is up to f/(f_s - f) of what is there (amplitudes of a square wave
fall as 1/f), less what network and unit take off at f_s - f.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.observation import Prediction, ResidualFinding, ResidualKind
from antecurve.judge.record import Record
from antecurve.judge.residual_record import ResidualRecord

__all__ = ["hidden_edge_findings"]

Floats = NDArray[np.float64]

_SHORT_EDGES = 0.3  # of the level at 1 kHz that is left at half the rate: edges within a sample
_OFF = 0.38  # of a sample, by which each half period is to begin elsewhere: the golden section
_POINTS = 30  # of the band: what is folded bends nowhere by more than a first-order corner


def hidden_edge_findings(
    residual: ResidualRecord, prediction: Prediction, band_hz: tuple[float, float]
) -> list[ResidualFinding]:
    """Name a record whose edges hide between its samples.

    Folded harmonics then pass for another top of the unit's response, so that no fit tells
    whether the record holds any.

    Parameters
    ----------
    residual : ResidualRecord
        The record, in which what lies beyond half the sampling rate may be folded.
    prediction : Prediction
        The fit.
    band_hz : tuple of float
        The band [Hz].

    Returns
    -------
    list of ResidualFinding
        What is folded, as an uncertainty; no unit passes by such a record.
    """
    name, record = residual.name, residual.basis.record
    if not _hides(record, prediction):
        return []
    frequency = np.geomspace(*band_hz, _POINTS)
    folded = _folded_db(record, prediction, frequency)
    per_period = record.rate_hz / record.frequency_hz
    other_hz = record.frequency_hz * (1.0 - 2.0 * _OFF / per_period)
    text = (
        f"{name}: every period is sampled at the same {per_period:.0f} points. Edges hide between "
        f"them, which adds up to {folded.max():.2g} dB of uncertainty. Set the generator to "
        f"{other_hz:.5g} Hz and capture again"
    )
    kind = ResidualKind.HIDDEN_EDGES
    none = np.zeros(_POINTS)
    return [ResidualFinding(kind, name, text, 0.0, frequency, none, folded, forbids_pass=True)]


def _hides(record: Record, prediction: Prediction) -> bool:
    ends = np.array([1e3, record.rate_hz / 2.0])
    middle, half_rate = prediction.log_response(ends).real
    return record.edges_hidden and bool(half_rate - middle > np.log(_SHORT_EDGES))


def _folded_db(record: Record, prediction: Prediction, frequency_hz: Floats) -> Floats:
    """Largest change of a level by the first harmonic that folds onto it [dB].

    A fit of folded harmonics does not know the top of the unit.  From half the rate on it is taken
    to fall no faster than a first-order corner.
    """
    half_rate = record.rate_hz / 2.0
    seen = np.minimum(frequency_hz, 0.9 * half_rate)
    beyond = record.rate_hz - seen
    points = np.concatenate([seen, beyond, [half_rate]])
    at_seen, at_beyond, at_half = np.split(
        prediction.log_response(points).real, (seen.size, 2 * seen.size)
    )
    at_beyond = np.maximum(at_beyond, at_half - np.log(beyond / half_rate))
    return np.asarray(20.0 * np.log10(1.0 + seen / beyond * np.exp(at_beyond - at_seen)))
