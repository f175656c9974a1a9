"""A record made ready for its reduction: of manageable length, with its frequency found."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError

if TYPE_CHECKING:
    from antecurve.judge.square_wave import SquareWaveCapture

__all__ = ["Record", "prepare_record", "quantisation_step"]

Floats = NDArray[np.float64]

_MOST_SAMPLES = 20_000
_LEAST_PERIODS = 1.5  # one to repeat, and half to see that it does
_LEAST_SIMILARITY = 0.5  # correlation of two periods half of whose power is noise
_SMOOTHING = 400


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


def quantisation_step(volts: Floats) -> float:
    """Return the step between the levels of a quantised record.

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


def prepare_record(capture: SquareWaveCapture, *, highest_hz: float) -> Record:
    """Return a record of manageable length with its frequency found.

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
    from scipy.signal import fftconvolve

    count = time.size
    grid = np.linspace(time[0], time[-1], count)
    # Smoothed, so that edges sharper than the sampling count with their area.
    width = max(1, count // _SMOOTHING)
    x = fftconvolve(np.interp(grid, time, volts - volts.mean()), np.ones(width) / width, "same")
    x = x - x.mean()
    product = fftconvolve(x, x[::-1])[count - 1 :]
    energy = np.concatenate(([0.0], np.cumsum(x**2)))
    lags = np.arange(count)
    scale = np.sqrt(np.maximum(energy[count - lags] * (energy[count] - energy[lags]), 1e-300))
    usable = int(0.8 * count)
    likeness = (product / scale)[:usable]
    below = np.flatnonzero(likeness < 0)
    if below.size == 0 or likeness[below[0] :].max() < _LEAST_SIMILARITY:
        raise InputError(
            name,
            "no waveform that repeats",
            "capture at least one and a half, better three, periods of the square wave with the "
            "output well above noise and hum",
        )
    tail = likeness[below[0] :]
    near = np.flatnonzero(tail >= 0.9 * tail.max())
    run_end = near[0]
    width = max(2, below[0] // 2)
    first = below[0] + near[0] + int(np.argmax(tail[near[0] : run_end + width]))
    lag, multiple = float(first), 1
    while 2 * multiple * lag + lag / 4 < usable:
        multiple *= 2
        centre, reach = round(multiple * lag), max(2, int(lag / 4))
        window = likeness[centre - reach : centre + reach + 1]
        lag = (centre - reach + int(np.argmax(window))) / multiple
    return lag * float(np.ptp(time)) / (count - 1)
