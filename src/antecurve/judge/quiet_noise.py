"""Noise and hum of a unit, from the parts of a record in which the stimulus is silent."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.a_weighting import a_weighting
from antecurve.judge.hum import MAINS_HZ
from antecurve.judge.two_channel import TwoChannelRecord

__all__ = ["QuietNoise", "quiet_noise"]

Floats = NDArray[np.float64]

_SILENT = 1e-5  # of the stimulus's largest value: dither and rounding, no signal
_BLOCK_S = 0.02  # a period of 50 Hz, ten in the least silence
_STANDS_OUT = 6.0  # standard deviations: no sample of noise alone in an hour's record
_QUIET = 0.01  # of the peak: noise and offset of a channel; the top of a slow square wave is more
_EXPLAINED = 0.03  # of the output's power: 0.13 dB, if what the stimulus holds there were signal
_SETTLED_S = 0.15  # behind a signal: what a low corner of 5 Hz leaves has fallen to 1 %
_LEAST_S = 0.2  # ten periods of 50 Hz
_LINES = 6  # of the mains
_LINE_HZ = 6.0  # to either side: what a Hann window of 0.25 s makes of a line
_BLUR = 35.0 / 18.0  # sum w^4 N/(sum w^2)^2 of a Hann window: lines that share their noise
_SMOOTHED = 25  # lines, of which the median is the noise, whatever hum stands among them


@dataclass(frozen=True, slots=True)
class QuietNoise:
    """Noise and hum at the unit's output.

    Attributes
    ----------
    plain, a_weighted, hum : float
        Mean squares over the band: all, all with frequency weighting A, and what stands about the
        mains and its first harmonics beyond the noise beside it.
    plain_deviation, a_deviation, hum_deviation : float
        Their standard deviations.
    mains_hz : float
        The mains frequency with more hum [Hz].
    seconds : float
        Length of the silence [s].
    """

    plain: float
    a_weighted: float
    hum: float
    plain_deviation: float
    a_deviation: float
    hum_deviation: float
    mains_hz: float
    seconds: float


def quiet_noise(
    record: TwoChannelRecord, *, band_hz: tuple[float, float], mains_hz: float | None = None
) -> QuietNoise | None:
    """Measure noise and hum where the stimulus is silent.

    Parameters
    ----------
    record : TwoChannelRecord
        Stimulus and output.
    band_hz : tuple of float
        The band of the noise [Hz].
    mains_hz : float, optional
        Mains frequency [Hz]; by default 50 or 60, whichever shows more hum.

    Returns
    -------
    QuietNoise or None
        ``None`` without a silence of 0.2 s.
    """
    parts = _quiet_parts(record)
    if not parts:
        return None
    size = min(p.size for p in parts)
    hz = np.asarray(np.arange(size // 2 + 1) * (record.rate_hz / size), dtype=np.float64)
    # Each part counts by its first samples; several parts of a file are alike in length.
    power = np.asarray(
        np.mean([_periodogram(part[:size]) for part in parts], axis=0), dtype=np.float64
    )
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1])
    weight = np.zeros(hz.size)
    weight[inside] = 10.0 ** (a_weighting(hz[inside]) / 10.0)
    told = MAINS_HZ if mains_hz is None else (mains_hz,)
    hum = {m: _hum(power, hz, m, parts=len(parts)) for m in told}
    mains = max(hum, key=lambda m: hum[m][0])
    return QuietNoise(
        float(power[inside].sum()),
        float(power @ weight),
        hum[mains][0],
        _deviation(power, inside.astype(float), len(parts)),
        _deviation(power, weight, len(parts)),
        hum[mains][1] / math.sqrt(len(parts)),
        mains,
        size * len(parts) / record.rate_hz,
    )


def _quiet_parts(record: TwoChannelRecord) -> list[Floats]:
    """Stretches of the output in which the stimulus has been silent for a while."""
    settled, least = (round(s * record.rate_hz) for s in (_SETTLED_S, _LEAST_S))
    if record.stimulus.size < least:
        return []
    loud = _loud(record.stimulus, record.rate_hz)
    edges = np.concatenate([[-1], np.flatnonzero(loud), [loud.size]])
    gain = float(record.volts.var() / record.stimulus.var())
    parts = []
    for gap in np.flatnonzero(np.diff(edges) > least):
        quiet = slice(int(edges[gap]) + 1 + (settled if gap > 0 else 0), int(edges[gap + 1]))
        output, stimulus = record.volts[quiet], record.stimulus[quiet]
        if output.size >= least and gain * stimulus.var() <= _EXPLAINED * output.var():
            parts.append(output)
    return parts


def _loud(stimulus: Floats, rate_hz: float) -> NDArray[np.bool_]:
    """Samples that stand out of the quietest block: a recorded stimulus has noise of its own."""
    size = round(_BLOCK_S * rate_hz)
    blocks = stimulus[: stimulus.size // size * size].reshape(-1, size)
    quietest = blocks[int(np.argmin(blocks.std(axis=1)))]
    peak, noise = float(np.abs(stimulus).max()), _STANDS_OUT * float(quietest.std())
    offset = float(quietest.mean())
    if max(noise, abs(offset)) > _QUIET * peak:
        offset, noise = 0.0, 0.0
    return np.asarray(np.abs(stimulus - offset) > max(_SILENT * peak, noise))


def _periodogram(part: Floats) -> Floats:
    """Mean squares line by line, of all lines together that of the part."""
    window = np.hanning(part.size)
    spectrum = np.abs(np.fft.rfft((part - part.mean()) * window)) ** 2
    return np.asarray(2.0 * spectrum / (part.size * np.sum(window**2)))


def _deviation(power: Floats, weight: Floats, parts: int) -> float:
    """Standard deviation of a weighted sum of lines, hum and noise.

    A line of power p in noise n has a variance of 2 p n - n^2: n^2 of noise alone.
    """
    from scipy.ndimage import median_filter

    noise = median_filter(power, _SMOOTHED, mode="nearest") / _median_share(parts)
    hum = np.maximum(power - 10.0 * noise, 0.0)
    variance = float(np.sum(weight**2 * (noise**2 + 2.0 * hum * noise)))
    return math.sqrt(_BLUR * variance / parts)


def _median_share(parts: int) -> float:
    """Median over mean of a line's power in noise, a gamma distribution by the number of parts."""
    from scipy.special import gammaincinv

    return float(gammaincinv(parts, 0.5)) / parts


def _hum(power: Floats, hz: Floats, mains_hz: float, *, parts: int) -> tuple[float, float]:
    """Mean square about the mains's lines beyond that beside them, and its deviation."""
    total, variance = 0.0, 0.0
    for line in mains_hz * np.arange(1, _LINES + 1):
        about = np.abs(hz - line) <= 2.0 * _LINE_HZ
        beside = (np.abs(hz - line) <= 4.0 * _LINE_HZ) & ~about & (hz > 0.0)
        noise = float(np.median(power[beside])) / _median_share(parts)
        own = float(power[about].sum()) - noise * int(about.sum())
        total += own
        # A line of power p in noise n under a window: 4 sigma^2 p sum w^4/(sum w^2)^2 = 2 p n blur.
        variance += _BLUR * (noise**2 * int(about.sum()) + 2.0 * noise * max(own, 0.0))
    return max(total, 0.0), math.sqrt(variance)
