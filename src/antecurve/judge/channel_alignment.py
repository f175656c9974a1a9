"""Two channels laid over each other: delay, polarity and a difference of clocks are found."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.channel_lines import Lines, Pair, lines_of, overlap
from antecurve.judge.clock_drift import (
    CellDelay,
    cell_delays,
    clock_difference,
    coarse_difference,
    drifting_clocks,
    refuse_wandering,
    stretch_delays,
)
from antecurve.judge.interruption import (
    gap_amid_tones,
    refuse_interruption,
    refuse_lagging_bands,
)
from antecurve.judge.response_estimate import HIGHEST_SHARE, LOWEST_HZ, Alignment, Channels
from antecurve.judge.spectral_filter import (
    Response,
    by_other_clock,
    filtered,
    quiet_samples,
    with_silence,
)
from antecurve.judge.tone_clock import tone_delays

__all__ = ["aligned_channels"]

Floats = NDArray[np.float64]

_DELAY_FROM_HZ = 300.0  # below, low corners turn the phase more than a delay does
_FLOOR = 1e-6  # of the strongest line: what is whitened, and not noise of the arithmetic
_AS_HIGH = 0.7  # of the highest peak: half a period later a record of two periods has 0.75
_STANDS_OUT = 8.0  # standard deviations: the highest of a million normal samples has five
_PEAK_SAMPLES = 3  # a whitened peak is two samples wide
_PARTS = 16  # of a record, of which a pause or a cue fills one
_STEADY = 0.5  # of the level: noise and tones keep to it within a tenth
_ROUNDS = 2  # the first takes the delay out, the second what it hid
_CLOCK_ROUNDS = 4  # each leaves a tenth of the drift or less, which blurs the delays


def aligned_channels(
    stimulus: Floats,
    output: Floats,
    *,
    rate_hz: float,
    flattening: Response,
    sweep: bool,
    name: str,
) -> Channels:
    """Lay two channels over each other.

    Parameters
    ----------
    stimulus, output : numpy.ndarray of float, shape (samples,)
        The channels, sampled evenly.
    rate_hz : float
        Sampling rate [Hz].
    flattening : callable
        A response that is nearly right.
    sweep : bool
        Whether each frequency sounds once.
    name : str
        How messages call the record.

    Returns
    -------
    Channels
        With delay, polarity and a difference of clocks found; the last is taken out.

    Raises
    ------
    InputError
        When the record was interrupted, or its clocks drift.
    """
    tapers = tuple(
        quiet_samples(end, rate_hz) or stimulus.size // 2 for end in (stimulus, stimulus[::-1])
    )
    padded = with_silence(stimulus, rate_hz)
    flat = filtered(padded, flattening, samples=stimulus.size, rate_hz=rate_hz)
    pair = Pair(flat, output, rate_hz, tapers)
    laid = None if sweep else _by_tones(pair, name=name)
    if laid is None:
        laid = _by_cells(pair, sweep=sweep, name=name)
    refuse_wandering(laid.cells, rate_hz=rate_hz, name=name)
    lines, polarity = lines_of(laid.shifted), laid.polarity
    late = _fine_delay(lines, rate_hz, polarity)
    if sweep:
        heard_hz = (LOWEST_HZ, HIGHEST_SHARE * rate_hz)
        cross = lines.delayed(late, polarity=polarity).output * lines.flat.conj()
        refuse_lagging_bands(lines.frequency_hz, cross, band_hz=heard_hz, name=name)
    alignment = Alignment(laid.whole / rate_hz + late, laid.clocks, polarity)
    shared, _ = overlap(stimulus, laid.pair.output, laid.whole)
    shared = shared - shared.mean()
    cut_ends = _cut_ends(stimulus, tapers) if not sweep else (False, False)
    return Channels(
        shared,
        laid.shifted.output,
        rate_hz,
        tapers,
        alignment,
        late,
        sweep,
        name,
        cut_ends=cut_ends,
    )


def _cut_ends(stimulus: Floats, tapers: tuple[int, ...]) -> tuple[bool, bool]:
    """At which ends a signal sounds on that comes and goes; of a steady one enough is inside."""
    size = stimulus.size // _PARTS
    level = np.std(stimulus[: _PARTS * size].reshape(_PARTS, size), axis=1)
    goes = float(level.min()) < _STEADY * float(np.sqrt(np.mean(level**2)))
    first, last = (goes and taper == stimulus.size // 2 for taper in tapers)
    return first, last


def _shifted(pair: Pair, clocks: float) -> tuple[Pair, int, int]:
    """The pair without its whole delay, the polarity and that delay [samples].

    Clocks that differ shift the middle of a record, which stays where it was.
    """
    whole, polarity = _whole_delay(pair, clocks * pair.flat.size / 2.0)
    return pair.shifted(whole), polarity, whole


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """A pair by one clock, and what is left of its delays; then without its whole delay."""

    pair: Pair
    clocks: float
    cells: list[CellDelay]
    shifted: Pair
    polarity: int
    whole: int


def _by_tones(pair: Pair, *, name: str) -> _Laid | None:
    """The pair by one clock, the difference taken out.

    None where the stimulus is no sum of tones that last.
    """
    output, clocks = pair.output, 0.0
    cells: list[CellDelay] = []
    for _ in range(_CLOCK_ROUNDS):
        delays = tone_delays(pair.flat, pair.output, pair.rate_hz)
        if delays is None:
            return None
        if delays.gap is not None:
            raise gap_amid_tones(
                name,
                at_s=delays.gap.start / pair.rate_hz,
                missing=delays.gap.missing,
                rate_hz=pair.rate_hz,
            )
        if not delays.steady:
            raise drifting_clocks(name, "phases turn to and fro over the record")
        cells = delays.cells
        if not delays.clock:
            break
        clocks = (1.0 + clocks) * (1.0 + delays.clock) - 1.0
        pair = replace(pair, output=by_other_clock(output, clocks))
    laid = _Laid(pair, clocks, cells, *_shifted(pair, clocks))
    later = cell_delays(laid.shifted.flat, laid.shifted.output, pair.rate_hz)
    refuse_interruption(stretch_delays(later), rate_hz=pair.rate_hz, name=name)
    return laid


def _by_cells(pair: Pair, *, sweep: bool, name: str) -> _Laid:
    """The same of any signal, by delays of stretches and half octaves."""
    output, clocks = pair.output, 0.0
    for _ in range(_CLOCK_ROUNDS + 1):
        shifted, polarity, whole = _shifted(pair, clocks)
        cells = cell_delays(shifted.flat, shifted.output, pair.rate_hz)
        laid = _Laid(pair, clocks, cells, shifted, polarity, whole)
        slope: float | None
        if not (cells or clocks or sweep):
            slope = coarse_difference(pair.flat, pair.output, pair.rate_hz) or None
        else:
            refuse_interruption(stretch_delays(cells), rate_hz=pair.rate_hz, name=name)
            slope = clock_difference(
                cells, shifted.flat.size, rate_hz=pair.rate_hz, sweep=sweep, known=clocks != 0.0
            )
        if slope is None:
            break
        clocks = (1.0 + clocks) * (1.0 + slope) - 1.0
        pair = replace(pair, output=by_other_clock(output, clocks))
    return laid


def _whole_delay(pair: Pair, drifted: float) -> tuple[int, int]:
    """Delay in whole samples and polarity: the highest peak of the whitened correlation.

    A signal that repeats has several, a square wave of either polarity: of those the least late,
    less what clocks have drifted by.
    """
    from scipy.fft import irfft

    lines = lines_of(pair)
    cross = lines.output * lines.flat.conj()
    heard = (lines.frequency_hz > _DELAY_FROM_HZ) & (
        lines.frequency_hz < HIGHEST_SHARE * pair.rate_hz
    )
    floor = _FLOOR * float(np.abs(cross[heard]).max(initial=0.0))
    if floor == 0.0:
        return 0, 1
    white = np.where(heard, cross / (np.abs(cross) + floor), 0.0)
    impulse = irfft(np.concatenate([[0.0], white]), pair.flat.size)
    late = np.arange(impulse.size)
    late = np.where(late < impulse.size / 2, late, late - impulse.size)
    height = np.abs(impulse)
    highest = float(height.max())
    stands_out = highest > _STANDS_OUT * float(impulse.std())
    high = np.flatnonzero(height >= (_AS_HIGH if stands_out else 1.0) * highest)
    # Of one peak that lies between samples the higher one, of several the least late.
    nearest = int(late[high[np.argmin(np.abs(late[high] - drifted))]])
    about = high[np.abs(late[high] - nearest) <= _PEAK_SAMPLES]
    peak = int(about[np.argmax(height[about])])
    return int(late[peak]), 1 if impulse[peak] > 0 else -1


def _fine_delay(lines: Lines, rate_hz: float, polarity: int) -> float:
    """Delay [s] by the slope of the phase over bands."""
    delay = 0.0
    for _ in range(_ROUNDS):  # the second when the first has turned the phase of each band
        bands = lines.delayed(delay, polarity=polarity).bands(
            (_DELAY_FROM_HZ, HIGHEST_SHARE * rate_hz)
        )
        told = [b for b in bands if b.variance < 1.0]
        if len(told) < 2:
            break
        omega = 2.0 * math.pi * np.array([b.mean_hz for b in told])
        phase = np.angle([b.ratio for b in told])
        information = omega**2 / np.array([b.variance for b in told])
        delay -= float(np.sum(information * phase / omega)) / float(np.sum(information))
    return delay
