"""A record made ready for its reduction: of manageable length, with its frequency found.

Whether a record stands at its limits: at the ends of the converter's range most of the time.

Where the output is beyond the range all samples are exactly the largest or the smallest value
and the noise is gone: tops look flat whatever the unit does.  A record of a sound unit has flat
tops as well, so a share of samples at the ends by itself says nothing.  Two signs do:

- samples stand at the end several times as often as at any other value of the top, while those
  of the top below the end, by more than the step of the converter, carry noise;
- nearly all samples of a record with the steps of a converter are exactly the largest or the
  smallest value, and edges break off there: neither noise, tilt nor the end of an edge is left.

An ideal square wave without noise has neither: its tilt passes through the steps one by one, and
its edges approach the top ever more slowly (of an exponential, from 10 % off to half a step off
takes longer than from 90 % off to 10 % off).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError

if TYPE_CHECKING:
    from antecurve.judge.square_wave import SquareWaveCapture

__all__ = ["Record", "limit_share", "prepare_record", "quantisation_step", "repeated_rounding"]

Floats = NDArray[np.float64]

_MOST_SAMPLES = 20_000  # that a fit works on: more add time, hardly information
_LEAST_PERIODS = 1.5  # one to repeat, and half to see that it does
_LEAST_SIMILARITY = 0.5  # correlation of two periods half of whose power is noise
_SMOOTHING = 400  # parts of the record: an edge within one sample still has its area
_HIDDEN = 0.4  # of the time between two samples; evenly spread, eight edges leave an eighth
_USABLE_LAGS = 0.8  # of the record: the last fifth overlaps too little to compare
_NEARLY_BEST = 0.9  # noise of a tenth of the swing takes 1 % of the likeness


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """A record with its frequency, ready to be reduced.

    Attributes
    ----------
    time_s : numpy.ndarray of float, shape (samples,)
        Time from the middle of the record [s].
    volts : numpy.ndarray of float, shape (samples,)
        Output less its mean [V].
    frequency_hz : float
        Frequency of the square wave [Hz].
    averaged_s : float
        Width of the window over which neighbours were averaged [s]; 0 for none.
    step_v : float
        Quantisation step [V]; 0 when none is seen.
    """

    time_s: Floats
    volts: Floats
    frequency_hz: float
    averaged_s: float
    step_v: float

    @property
    def periods(self) -> float:
        """Number of periods in the record."""
        return float(np.ptp(self.time_s)) * self.frequency_hz

    @property
    def rate_hz(self) -> float:
        """Mean sampling rate [Hz]."""
        return (self.time_s.size - 1) / float(np.ptp(self.time_s))

    @property
    def edges_apart_s(self) -> float:
        """Longest time between two samples of all edges laid over one another [s]."""
        half_periods = np.arange(max(int(2.0 * self.periods), 1))
        places = np.sort(np.mod(half_periods * self.rate_hz / (2.0 * self.frequency_hz), 1.0))
        return float(np.diff(places, append=places[0] + 1.0).max()) / self.rate_hz

    @property
    def edges_hidden(self) -> bool:
        """Whether a good part of the time between two samples has no edge in any period."""
        return self.edges_apart_s * self.rate_hz > _HIDDEN


def quantisation_step(volts: Floats) -> float:
    """Find the step between the levels of a quantised record.

    Parameters
    ----------
    volts : numpy.ndarray of float, shape (samples,)
        The record [V].

    Returns
    -------
    float
        The step [V]; 0 when the values are too many to be levels of a converter.

    Examples
    --------
    >>> quantisation_step(np.round(np.sin(np.arange(1000.0)) * 100) / 50)
    0.02
    """
    span = float(np.ptp(volts))
    levels = np.unique(volts)
    gaps = np.diff(levels)
    gaps = gaps[gaps > 1e-9 * span]
    if gaps.size == 0 or levels.size > volts.size / 2:
        return 0.0
    smallest = float(np.min(gaps))
    close = gaps[gaps < 1.5 * smallest]
    return float(np.round(np.mean(close), 12))


def repeated_rounding(noise_v: float, *, step_v: float) -> float:
    """Compute the largest line that rounding to steps leaves, where noise blurs it.

    A sawtooth has lines of step/pi; noise of s takes exp(-2 (pi s/step)^2) of it (Widrow and
    Kollar, Quantization Noise, 2008, on dithered quantisers).

    Parameters
    ----------
    noise_v : float
        Standard deviation of a sample of the record, rounding included [V].
    step_v : float
        Step of the converter [V]; 0 for none.

    Returns
    -------
    float
        Amplitude of the line [V].
    """
    if step_v == 0.0:
        return 0.0
    own = max(0.0, (noise_v / step_v) ** 2 - 1.0 / 12.0)  # less that of rounding itself
    return step_v / math.pi * math.exp(-2.0 * math.pi**2 * own)


def prepare_record(capture: SquareWaveCapture, *, highest_hz: float) -> Record:
    """Shorten a record to a manageable length and find its frequency.

    Parameters
    ----------
    capture : SquareWaveCapture
        The capture.
    highest_hz : float
        Highest frequency that counts [Hz]; neighbours are averaged only well above it.

    Returns
    -------
    Record
        At most 20,000 samples: first neighbours are averaged while the rate stays above 12
        times `highest_hz`, then the record is shortened.

    Raises
    ------
    InputError
        When nothing repeats, or there are fewer than one and a half periods.
    """
    time, volts = capture.time_s, capture.volts
    step = quantisation_step(volts)
    rate = (time.size - 1) / float(np.ptp(time))
    group = max(1, min(int(rate / (12.0 * highest_hz)), -(-time.size // _MOST_SAMPLES)))
    averaged = 0.0
    if group > 1:
        step /= math.sqrt(group)
        kept = time.size // group * group
        time = time[:kept].reshape(-1, group).mean(axis=1)
        volts = volts[:kept].reshape(-1, group).mean(axis=1)
        averaged = group / rate
    period = _coarse_period(time[: 4 * _MOST_SAMPLES], volts[: 4 * _MOST_SAMPLES], capture.name)
    if time.size > _MOST_SAMPLES:
        needed = int(np.searchsorted(time, time[0] + 3.0 * period))
        size = max(_MOST_SAMPLES, min(needed, 3 * _MOST_SAMPLES))
        time, volts = time[:size], volts[:size]
    middle = float((time[0] + time[-1]) / 2.0)
    record = Record(time - middle, volts - volts.mean(), 1.0 / period, averaged, step)
    if record.periods < _LEAST_PERIODS:
        raise InputError(
            capture.name,
            f"{record.periods:.2f} periods",
            f"at least {_LEAST_PERIODS:g} are needed, 3 or more are good; "
            "set a slower time base or a higher frequency",
        )
    return record


def _coarse_period(time: Floats, volts: Floats, name: str) -> float:
    """Period by normalised autocorrelation, sharpened at ever longer lags."""
    count = time.size
    volts = np.interp(np.linspace(time[0], time[-1], count), time, volts - volts.mean())
    # Heights of peaks that fall between samples differ; their square roots differ by half of it.
    likeness = [_likeness(x) for x in (volts, np.sign(volts) * np.sqrt(np.abs(volts)))]
    best = max(likeness, key=lambda x: float(np.max(_turned_likeness(x), initial=0.0)))
    lag, multiple = float(_first_period(best, name)), 1
    while 2 * multiple * lag + lag / 4 < best.size:
        multiple *= 2
        centre, reach = round(multiple * lag), max(2, int(lag / 4))
        window = best[centre - reach : centre + reach + 1]
        lag = (centre - reach + int(np.argmax(window))) / multiple
    return lag * float(np.ptp(time)) / (count - 1)


def _likeness(x: Floats) -> Floats:
    """Correlation of an evenly sampled record with itself at each lag, from -1 to 1."""
    count = x.size
    # Smoothed, so that edges sharper than the sampling count with their area.
    width = max(1, count // _SMOOTHING)
    if width > 1:
        x = _convolved(x, np.ones(width) / width)[(width - 1) // 2 :][:count]
    x = x - x.mean()
    product = _convolved(x, x[::-1])[count - 1 :]
    energy = np.concatenate(([0.0], np.cumsum(x**2)))
    lags = np.arange(count)
    scale = np.sqrt(np.maximum(energy[count - lags] * (energy[count] - energy[lags]), 1e-300))
    return np.asarray((product / scale)[: int(_USABLE_LAGS * count)])


def _convolved(one: Floats, other: Floats) -> Floats:
    """All of a convolution, by transforms; the library's own loads a second's worth of modules."""
    from scipy import fft

    count = one.size + other.size - 1
    padded = fft.next_fast_len(count, real=True)
    product = fft.rfft(one, padded) * fft.rfft(other, padded)
    return np.asarray(fft.irfft(product, padded))[:count]


def _turned_likeness(likeness: Floats) -> Floats:
    """How much more a record is like itself after a lag than after half of it.

    Likeness at two periods is as great as at one; what lies half of that before is like the
    record at two periods, and unlike it, its edges turned round, at one.
    """
    lags = np.arange(likeness.size)
    turned = np.where(likeness > 0, likeness - np.interp(lags / 2.0, lags, likeness), 0.0)
    turned[: int(np.argmax(likeness < 0))] = 0.0
    return np.asarray(turned)


def _first_period(likeness: Floats, name: str) -> int:
    """Lag of the first period."""
    below = np.flatnonzero(likeness < 0)
    if below.size == 0 or likeness[below[0] :].max() < _LEAST_SIMILARITY:
        raise InputError(
            name,
            "no waveform that repeats",
            "capture three periods of the square wave, with the output well above noise and hum",
        )
    turned = _turned_likeness(likeness)
    first = int(np.flatnonzero(turned >= _NEARLY_BEST * turned.max())[0])
    return first + int(np.argmax(turned[first : first + max(2, below[0] // 2)]))


_LEAST_SHARE = 0.02  # of the samples: a waveform touches its extremes for less
_TIMES = 4  # as many as on any other level: a top that is not held spreads over several
_TOP = 0.25  # of the whole swing, from the middle outwards: beyond is the top
_LEAST_BELOW = 20  # samples that tell an edge from a top
_BELOW_AN_EDGE = 4  # samples on every edge: fewer do not show its course
_NEARLY_ALL = 0.9  # of the samples at an end: a square wave, or a clipped one
_MIDDLE = 0.4  # of the swing on either side: the middle 80 %
_LEAST_LEVELS = 5  # below, gaps of a few levels are no grid
_ON_GRID = 0.1  # of a step: rounding of printed numbers is less
_MOST_STEPS = 30  # smallest gap, in steps: a finer record has neighbours nearer than that
_FINEST = 5000  # steps over the swing, 12 bits: a finer one is lost in the noise


def limit_share(volts: Floats) -> float:
    """Compute the share of samples at the limits of a record that stands at them.

    Parameters
    ----------
    volts : numpy.ndarray of float, shape (samples,)
        The record as captured [V].

    Returns
    -------
    float
        From 0 to 1; 0 for a record that does not stand at its limits.
    """
    low, high = float(volts.min()), float(volts.max())
    at_end = (volts == low) | (volts == high)
    share = float(np.mean(at_end))
    if share < _LEAST_SHARE:
        return 0.0
    step = _converter_step(volts, low, high)
    if share >= _NEARLY_ALL:
        return share if step > 0.0 and _edges_break_off(volts, low, high) else 0.0
    ends = (_held(volts, step), _held(-volts, step))
    return float(np.mean((volts == high) & ends[0] | (volts == low) & ends[1]))


def _held(volts: Floats, step: float) -> bool:
    """Whether the tops stand at the largest value while what is below them carries noise."""
    end, span = float(volts.max()), float(np.ptp(volts))
    middle = end - span / 2.0
    top = volts > middle + _TOP * span
    counts = np.unique(volts[top], return_counts=True)[1]
    others = int(counts[:-1].max(initial=0))
    if counts[-1] < max(_LEAST_SHARE * volts.size / 2.0, _TIMES * others):
        return False
    below = np.flatnonzero(top[1:-1] & (volts[1:-1] < end - 1.5 * step)) + 1
    edges = int(np.count_nonzero(np.diff(volts > middle)))
    if below.size < max(_LEAST_BELOW, _BELOW_AN_EDGE * edges):
        return False
    bend = volts[below - 1] - 2.0 * volts[below] + volts[below + 1]
    return bool(np.median(np.abs(bend)) > max(0.5 * step, 1e-6 * span))


def _edges_break_off(volts: Floats, low: float, high: float) -> bool:
    """Whether fewer samples are on the last tenth of edges than on their middle."""
    inside = (volts > low) & (volts < high)
    height = (volts[inside] - low) / (high - low)
    middle = int(np.count_nonzero(np.abs(height - 0.5) < _MIDDLE))
    return height.size - middle < middle


def _converter_step(volts: Floats, low: float, high: float) -> float:
    """Step of the levels between the ends [V]; 0 where they are no steps of a converter."""
    levels = np.unique(volts)
    if levels.size >= _LEAST_LEVELS + 2:  # where the ends were held need not be a step
        levels = levels[1:-1]
    if not _LEAST_LEVELS <= levels.size <= volts.size / 2:
        return 0.0
    gaps = np.diff(levels)
    for divisor in range(1, _MOST_STEPS):
        step = float(gaps.min()) / divisor
        if step < (high - low) / _FINEST:
            break
        step = float(np.sum(gaps) / np.sum(np.round(gaps / step)))
        if np.all(np.abs(gaps / step - np.round(gaps / step)) < _ON_GRID):
            return step
    return 0.0
