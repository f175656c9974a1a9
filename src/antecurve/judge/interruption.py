"""A record of which samples were lost: the output is late by another time from there on.

A signal that sounds at all frequencies all the time shows it by the delays of its stretches.  In a
sweep each frequency sounds once: those before the gap are late by another time than those behind
it.  Their phases step by :math:`2 \\pi f \\tau` where a unit's phase is smooth, which a Gaussian
process tells (Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press 2006,
chapter 2).  And where samples are missing the output jumps.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.judge.clicks import is_spike

__all__ = [
    "CLICK",
    "gap_amid_tones",
    "is_sweep",
    "refuse_interrupted_sweep",
    "refuse_interruption",
    "refuse_jumps",
    "refuse_lagging_bands",
    "refuse_parts_amiss",
    "refuse_unexplained",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_AGREE = 0.5  # samples, by which delays of segments scatter
_LEAST_STEP = 2.0  # samples; what a converter or a driver loses is more
_MOST_APART = 1  # segment of a wrong delay: the first, in which what was before still rings
_LEAST_SEGMENTS = 2  # on either side, so that one wrong delay is no step
_SWEEP_OVERLAP = 0.05  # of the power in the same octaves at start and end; music has over a half
_FARTHEST_PERIODS = 3.0  # by which a unit's phase may be off the nominal: corners of order 12
_PEAK = 0.7  # of the correlation of a band: two halves with a gap between have less, noise far less
_LEAST_LINES = 40  # of a half octave: of noise a peak of 0.7 comes once in a million
_PHASE = 1.5  # rad, of a unit re the nominal one: corners of order two within the band
_SMOOTH_OCTAVES = 1.3  # the phase of a first-order corner, and of a pair of Q 1, turns so slowly
_OFFSET = 10.0  # rad, far beyond a turn: whole turns are free
_DELAY_S = 1e-3  # far beyond a period in the middle of the band: the delay is free
_PHASE_FLOOR = 0.01  # rad: what the smooth process leaves of a corner of order three
_PERIODS = 8.0  # of lag that a band of a semitone bears
_STEP = 0.12  # of a period: a step of phase of 0.4 rad either way is nearly linear
_LEAST_BANDS = 2  # on either side of a gap
_EVIDENCE = 20.0  # by how much a gap lessens chi square; of 60 sound units, odd ones too, 6 at most
_ROUGH = 1.0  # chi square a band; of 24 units, of order three too, 0.24 at most
_BLOCK_S = 0.005  # in which a jump stands out from noise, hum and what is distorted
_BESIDE = 40  # blocks to either side: a fifth of a second, in which a sweep changes little
_JUMP = 1.4  # times its neighbours; of 32 sound units, bent and noisy ones too, 1.09 at most
_PARTS = 16  # of a record: a fifth of a second of three, more than its low end rings
_HEARD = 0.1  # of the mean power: a part in which the signal sounds
_AMISS = 0.5  # of its power: what a wrong delay leaves unexplained where the signal sounds
_EXPLAINED_PART = 0.05  # of its power is unexplained of most parts, where one can be amiss
_EXPLAINED = 0.25  # of what the stimulus does there: of a jump in both channels all is unexplained
_STOPS = 0.2  # of the largest gain of a part; a unit that compresses loses a few decibels
_SOMETHING_ELSE = 0.8  # of the output's power: noise 6 dB above the signal
_LEAST_BEND = 3e-5  # of the output's peak: below, a converter's steps stand alone in silence
_LEAST_CLICK = 1e-4  # of the output's peak, by the same token of a single sample
CLICK = {True: 2.0, False: 2.4}
"""By how much a click stands out, of a sweep and of another signal: of 24 sound units 1.42 at
most, of 30 more with any signal 1.5, of a multitone that clips now and then 2.1."""


def refuse_interruption(delay_samples: Floats, *, rate_hz: float, name: str) -> None:
    """Refuse a record whose delay steps once and holds before and after.

    Parameters
    ----------
    delay_samples : numpy.ndarray of float, shape (segments,)
        Delays of the output over stretches of the record, in their order.
    rate_hz : float
        Sampling rate [Hz].
    name : str
        How messages call the record.

    Raises
    ------
    InputError
        When it was interrupted.
    """
    for first in range(_LEAST_SEGMENTS, delay_samples.size - _LEAST_SEGMENTS + 1):
        # The segment with the gap may show either delay, or neither.
        for gap in (0, 1):
            before, after = (
                _agreeing(delay_samples[:first]),
                _agreeing(delay_samples[first + gap :]),
            )
            apart = delay_samples.size - gap - before.size - after.size
            if min(before.size, after.size) < _LEAST_SEGMENTS or apart > _MOST_APART:
                continue
            step = float(before.mean() - after.mean())
            if abs(step) > _LEAST_STEP:
                raise _interrupted(name, f"{1e3 * step / rate_hz:+.3g} ms are missing")


def _agreeing(delay_samples: Floats) -> Floats:
    """The delays about their median."""
    middle = np.median(delay_samples) if delay_samples.size else 0.0
    return delay_samples[np.abs(delay_samples - middle) <= _AGREE / 2.0]


def _interrupted(name: str, sign: str) -> InputError:
    return InputError(
        name,
        f"an interrupted record: {sign}",
        "close other programs, enlarge the interface's buffer, and record again",
    )


def gap_amid_tones(name: str, *, at_s: float, missing: float | None, rate_hz: float) -> InputError:
    """Make the error for tones of which samples were lost.

    Parameters
    ----------
    name : str
        How messages call the record.
    at_s : float
        About where [s].
    missing : float or None
        Samples, give or take what the signal repeats after; ``None`` where the tones leave it open.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    InputError
        To be raised.
    """
    if missing is None:
        return _interrupted(name, f"samples are missing at {at_s:.2g} s")
    done = "missing" if missing > 0.0 else "too many"
    size = f"{1e3 * abs(missing) / rate_hz:.3g} ms"
    return _interrupted(name, f"{size} {done} at {at_s:.2g} s, give or take whole periods")


def is_sweep(stimulus: Floats, rate_hz: float) -> bool:
    """Tell whether a signal ends at other frequencies than it begins.

    Parameters
    ----------
    stimulus : numpy.ndarray of float, shape (samples,)
        The signal.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    bool
        Whether its first and last quarter share less than 5 % of their power by octaves.
    """
    quarter = stimulus.size // 4
    first, last = (_octave_shares(x) for x in (stimulus[:quarter], stimulus[-quarter:]))
    return float(np.minimum(first, last).sum()) < _SWEEP_OVERLAP


def _octave_shares(signal: Floats) -> Floats:
    """Shares of a signal's power in octaves."""
    power = np.abs(np.fft.rfft(signal - signal.mean())[1:]) ** 2
    octave = np.log2(np.arange(1, power.size + 1)).astype(int)
    return np.bincount(octave, power) / max(float(power.sum()), 1e-300)


def refuse_lagging_bands(
    frequency_hz: Floats, cross: Complex, *, band_hz: tuple[float, float], name: str
) -> None:
    """Refuse a sweep of which half octaves are late by whole periods.

    Parameters
    ----------
    frequency_hz : numpy.ndarray of float, shape (lines,)
        Frequencies of evenly spaced lines [Hz].
    cross : numpy.ndarray of complex, shape (lines,)
        Cross spectrum of output and nominal output, the delay taken out.
    band_hz : tuple of float
        Frequencies that count [Hz].
    name : str
        How messages call the record.

    Raises
    ------
    InputError
        When it was interrupted.
    """
    from scipy.fft import ifft, next_fast_len

    spacing = frequency_hz[1] - frequency_hz[0]
    low, high = band_hz
    while low * 2**0.5 < high:
        part = cross[slice(*np.searchsorted(frequency_hz, [low, low * 2**0.5]))]
        low *= 2**0.5
        if part.size < _LEAST_LINES:
            continue
        white = part / np.maximum(np.abs(part), 1e-300)
        size = next_fast_len(8 * white.size)
        correlation = np.abs(ifft(white, size)) * size / white.size
        peak = int(np.argmax(correlation))
        lag_s = min(peak, size - peak) / (size * spacing)
        if correlation[peak] > _PEAK and lag_s * low > _FARTHEST_PERIODS:
            raise _interrupted(name, f"it is {lag_s:.2g} s late or early about {low:.0f} Hz")


def refuse_interrupted_sweep(
    frequency_hz: Floats, ratio: Complex, variance: Floats, *, rate_hz: float, name: str
) -> None:
    """Refuse a sweep whose phase steps as a gap makes it, where a unit's is smooth.

    Parameters
    ----------
    frequency_hz : numpy.ndarray of float, shape (bands,)
        Frequencies of bands [Hz], ascending.
    ratio : numpy.ndarray of complex, shape (bands,)
        Output over nominal output, the delay taken out.
    variance : numpy.ndarray of float, shape (bands,)
        Variance of the phase [rad^2].
    rate_hz : float
        Sampling rate [Hz].
    name : str
        How messages call the record.

    Raises
    ------
    InputError
        When it was interrupted.
    """
    smooth = _SmoothPhase(frequency_hz, variance)
    phase = np.angle(ratio)
    whole = float(smooth.misfit(np.unwrap(phase)))
    best, missing_s, gap_hz = whole, 0.0, 0.0
    lags = np.arange(-_PERIODS, _PERIODS + _STEP / 2, _STEP)
    for first in range(_LEAST_BANDS, frequency_hz.size - _LEAST_BANDS + 1):
        delay = np.where(np.arange(frequency_hz.size) < first, 2 * np.pi * frequency_hz, 0.0)
        lag_s = lags / frequency_hz[first]
        turned = np.unwrap(phase + lag_s[:, None] * delay)
        # The band that the gap lies in shows neither phase.
        own = (np.arange(frequency_hz.size) == first - 1).astype(float)
        misfit, change = smooth.misfit_beside(turned, np.stack([delay, own]))
        least = int(np.argmin(misfit))
        if misfit[least] < best:
            best, missing_s = float(misfit[least]), float(lag_s[least] + change[least, 0])
            gap_hz = float(frequency_hz[first])
    gained = whole - best
    remains = max(1.0, best / frequency_hz.size)
    if best > _ROUGH * frequency_hz.size:
        raise _interrupted(name, "its phase is that of no unit, or its clocks differ")
    if gained > _EVIDENCE * remains and abs(missing_s) * rate_hz > _LEAST_STEP:
        raise _interrupted(name, f"its phase steps about {gap_hz:.0f} Hz, or its clocks differ")


def refuse_jumps(
    output: Floats, explained: Floats, *, rate_hz: float, click: float, name: str
) -> None:
    """Refuse a record whose output jumps as the stimulus does not explain.

    Parameters
    ----------
    output : numpy.ndarray of float, shape (samples,)
        The output.
    explained : numpy.ndarray of float, shape (samples,)
        What of it the stimulus explains.
    rate_hz : float
        Sampling rate [Hz].
    click : float
        By how much the largest sample stands out where samples are missing, as in `CLICK`.
    name : str
        How messages call the record.

    Raises
    ------
    InputError
        When it was interrupted.
    """
    size = max(8, round(_BLOCK_S * rate_hz))
    missed, known = (_sharp_blocks(x, size) for x in (output - explained, explained))
    if len(missed) < 2 * _BESIDE:
        return
    peak = float(np.abs(output).max())
    # A long gap bends a block as a whole; a short one at a low frequency is a click in noise.
    whole = _above_neighbours(
        *(np.sqrt(np.mean(x**2, axis=1)) for x in (missed, known)), least=_LEAST_BEND * peak
    )
    largest = _above_neighbours(
        *(np.abs(x).max(axis=1) for x in (missed, known)), least=_LEAST_CLICK * peak
    )
    if whole > _JUMP or largest > click:
        unexplained = output - explained
        at = int(np.argmax(np.abs(np.diff(unexplained, 2)))) + 1
        if is_spike(unexplained, at, rate_hz=rate_hz):
            raise InputError(
                name,
                f"clicks, the sharpest at {at / rate_hz:.3f} s: the output jumps for a few samples",
                "check the leads, switch nothing nearby, and record again",
            )
        raise _interrupted(name, "the output jumps as the stimulus does not explain")


def refuse_parts_amiss(output: Floats, explained: Floats, *, rate_hz: float, name: str) -> None:
    """Refuse a record of which a part does not follow the stimulus while most of it does.

    Parameters
    ----------
    output : numpy.ndarray of float, shape (samples,)
        The output.
    explained : numpy.ndarray of float, shape (samples,)
        What of it the stimulus explains.
    rate_hz : float
        Sampling rate [Hz].
    name : str
        How messages call the record.

    Raises
    ------
    InputError
        When it was interrupted.
    """
    size = output.size // _PARTS
    missed, known = (
        np.var(x[: _PARTS * size].reshape(_PARTS, size), axis=1)
        for x in (output - explained, explained)
    )
    unexplained = missed / np.maximum(known, 1e-300)
    heard = known > _HEARD * known.mean()
    heard[0] = False  # what was before the record still rings
    gain = _part_gains(output, explained, size)
    silent = heard & (np.abs(gain) < _STOPS * np.max(gain, where=heard, initial=0.0))
    if np.any(silent):
        raise _not_following(name, int(np.argmax(silent)) * size / rate_hz)
    if not np.any(heard) or np.median(unexplained[heard]) > _EXPLAINED_PART:
        return
    part = int(np.argmax(np.where(heard, unexplained, 0.0)))
    if unexplained[part] > _AMISS:
        raise _not_following(name, part * size / rate_hz)


def _not_following(name: str, start_s: float) -> InputError:
    return _interrupted(name, f"from about {start_s:.2g} s on it does not follow the stimulus")


def _part_gains(output: Floats, explained: Floats, size: int) -> Floats:
    """Output over what the stimulus explains, part by part; 0 where nothing follows it."""
    one, other = (x[: _PARTS * size].reshape(_PARTS, size) - x.mean() for x in (explained, output))
    return np.asarray(np.sum(one * other, axis=1) / np.maximum(np.sum(one**2, axis=1), 1e-300))


def refuse_unexplained(output: Floats, explained: Floats, *, name: str) -> None:
    """Refuse a record of which the stimulus explains next to nothing.

    Parameters
    ----------
    output : numpy.ndarray of float, shape (samples,)
        The output.
    explained : numpy.ndarray of float, shape (samples,)
        What of it the stimulus explains.
    name : str
        How messages call the record.

    Raises
    ------
    InputError
        When four fifths of the output's power and more are something else.
    """
    share = float(np.var(output - explained) / max(float(np.var(output)), 1e-300))
    if share > _SOMETHING_ELSE:
        raise InputError(
            f"{name}: output",
            f"{100.0 * min(share, 1.0):.0f} % of the power is not the stimulus",
            "check channels, leads and levels, and that one clock plays and records",
        )


def _above_neighbours(level: Floats, own: Floats, *, least: float) -> float:
    """The largest level over that of the blocks beside it, or a part of what is explained there.

    Or over the least level that counts.

    Where both channels lost samples both jump, and the output not as the stimulus does: the more
    the sharper the stimulus is by itself, the less a jump stands out from it.
    """
    from scipy.ndimage import maximum_filter1d

    beside = maximum_filter1d(np.pad(level, _BESIDE), _BESIDE - 1)
    # Both sides but the nearest blocks, into which a jump may reach.
    middle, reach = np.arange(level.size) + _BESIDE, _BESIDE // 2 + 1
    usual = np.maximum(beside[middle - reach], beside[middle + reach])
    ratio = level / np.maximum(np.maximum(usual, least), _EXPLAINED * maximum_filter1d(own, 3))
    ratio[[0, -1]] = 0.0  # what the transform joins there
    return float(ratio.max())


def _sharp_blocks(samples: Floats, size: int) -> Floats:
    """Second differences, shape (blocks, size)."""
    sharp = np.diff(samples, 2)
    return np.asarray(sharp[: sharp.size // size * size].reshape(-1, size))


class _SmoothPhase:
    """Phases of a unit as a smooth process: how far measured ones are off it."""

    def __init__(self, frequency_hz: Floats, variance: Floats) -> None:
        octaves = np.log2(frequency_hz)
        apart = (octaves[:, None] - octaves) / _SMOOTH_OCTAVES
        delay = 2 * np.pi * frequency_hz * _DELAY_S
        covariance = _PHASE**2 * np.exp(-0.5 * apart**2) + _OFFSET**2 + np.outer(delay, delay)
        covariance += np.diag(variance + _PHASE_FLOOR**2)
        self._whitening = np.linalg.inv(np.linalg.cholesky(covariance))

    def misfit(self, phase: Floats) -> Floats:
        """Chi squares of phases, shape (..., bands)."""
        return np.asarray(np.sum((phase @ self._whitening.T) ** 2, axis=-1))

    def misfit_beside(self, phase: Floats, columns: Floats) -> tuple[Floats, Floats]:
        """Chi squares with free multiples of columns, and the multiples, shape (..., columns)."""
        white = phase @ self._whitening.T
        basis, root = np.linalg.qr(self._whitening @ columns.T)
        shares = white @ basis
        multiples = -np.linalg.solve(root, shares.T).T
        return np.asarray(np.sum(white**2, axis=-1) - np.sum(shares**2, axis=-1)), multiples
