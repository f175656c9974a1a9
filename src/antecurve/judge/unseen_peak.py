"""Which peak the widest gap between the harmonics of square waves leaves unseen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from antecurve.judge.advice import LOW_SQUARE_HZ, clear_frequency
from antecurve.judge.fit import Fit
from antecurve.judge.fit_harmonics import changes_of_rows, harmonics_of_each, seen_frequencies_hz
from antecurve.judge.level_dependence import RelativeHarmonics
from antecurve.judge.misfit import is_missed
from antecurve.judge.narrow_shape import NarrowShape
from antecurve.judge.unseen_misfit import wide_gaps

__all__ = ["gap_note"]

_WIDE_OCTAVES = 1.5  # a gap that a word is worth: from a fundamental to its third harmonic
_QUALITIES = (1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0)  # wider ones bend the fit


def gap_note(
    fit: Fit, band_hz: tuple[float, float], *, limit_db: float, mains_hz: float | None = None
) -> str:
    """Say which peak the widest gap between the harmonics captured leaves unseen.

    Parameters
    ----------
    fit : Fit
        The fit.
    band_hz : tuple of float
        The band judged [Hz].
    limit_db : float
        Largest deviation allowed [dB].
    mains_hz : float, optional
        Mains frequency [Hz], of which advised square waves keep clear; by default of 50 and 60 Hz.

    Returns
    -------
    str
        What a pass leaves open, and which capture would show it; empty without a gap so wide.
    """
    each = harmonics_of_each(fit)
    if all(h is None for h in each):
        return ""
    gaps = wide_gaps(seen_frequencies_hz(fit, each), band_hz)
    octaves = np.array([math.log2(high / low) for low, high in gaps])
    if not octaves.size or octaves.max() <= _WIDE_OCTAVES:
        return ""
    low, high = gaps[int(np.argmax(octaves))]
    middle = math.sqrt(low * high)
    size = 10.0 ** (limit_db / 20.0) - 1.0
    peaks = [NarrowShape(middle, quality, size, np.zeros((3, 3))) for quality in _QUALITIES]
    harmonics = _harmonics_of_peaks(fit, peaks)
    columns = ([replace(h, error=h.error[:, k]) for h in harmonics] for k in range(len(peaks)))
    shown = zip(peaks, columns, strict=True)
    told = [peak.quality for peak, own in shown if is_missed(own, band_hz=band_hz)]
    peak = f"a peak or a dip of {limit_db:.2g} dB between them"
    seen = f"{peak} surely shows up to a Q of {max(told):.2g}" if told else f"{peak} may not show"
    at_hz = clear_frequency(max(middle, LOW_SQUARE_HZ), mains_hz=mains_hz)
    return (
        f"No harmonic lies between {low:.0f} and {high:.0f} Hz: {seen}. A square wave of "
        f"{at_hz:.0f} Hz shows what a notch filter or an inductor makes there"
    )


def _harmonics_of_peaks(fit: Fit, peaks: Sequence[NarrowShape]) -> list[RelativeHarmonics]:
    """What a fit of the widest shape would leave of units with these peaks, without noise."""
    widest = max((f.solution for f in fit.families), key=lambda s: int(s.free.sum()))
    changes = changes_of_rows(fit, lambda hertz: np.log1p([p.ratio(hertz) for p in peaks]).T)
    jacobian, rows = widest.evaluation.jacobian[:, widest.free], widest.evaluation.data_rows
    change = np.concatenate([*changes, np.zeros((jacobian.shape[0] - rows, len(peaks)))])
    basis, _ = np.linalg.qr(jacobian)
    remaining = change - basis @ (basis.T @ change)
    ends = np.cumsum([o.rows for o in fit.observations])
    parts = zip(fit.observations, np.split(remaining, ends)[:-1], fit.excess, strict=True)
    each = [o.relative_harmonics(part, excess=excess) for o, part, excess in parts]
    return [h for h in each if h is not None]
