"""A difference of clocks by tones that last: their phases turn with time, whatever a unit does.

A tone has a delay up to whole periods only, and a few tones one up to the period they share.  Cut
to short stretches, the cross spectrum of a line at f turns by 2 pi f c from second to second where
the output's clock is slower by a share c.  The lowest tones tell c without a doubt about turns,
higher ones and stretches farther apart tell it better.  (Integer ambiguity resolved from coarse to
fine, as in interferometry.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.clock_drift import CellDelay, half_octaves

__all__ = ["Gap", "ToneDelays", "tone_delays"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_STRETCH_S = 0.25  # in which clocks 500 ppm apart turn 2 kHz by a quarter
_STRETCHES = (8, 64)  # as many as half octaves need, and as few as 16 s bear
_LEAST_STRETCH = 2000  # samples: forty lines in the lowest half octave at 48 kHz
_SOUNDS = 1e-8  # of the power of the loudest half octave: a square wave at 20 kHz has 1e-5
_TONES = 0.3  # of the lines hold the power; of noise all, of a square wave of 15 Hz a fifth
_LASTS = 0.75  # of what neighbours share: tones with a fifth of silence about them 0.8, music 0.6
_COHERENT = 0.7  # of products of neighbours: noise has far less
_LEAST_NOISE = 1e-6  # of the squared coherence that is none: what the arithmetic leaves
_STAYS = 0.9  # of the magnitudes: phases within 0.5 rad
_AGREES = 0.8  # of what neighbours share: phases within 0.7 rad
_MOST_STAY = 0.75  # of the half octaves: a narrow filter of hum or a click may move others
_FINER = 4  # points a sample: the peak of a few tones to an eighth of a sample
_STANDS_OUT = 0.95  # of the highest peak: tones that repeat sooner have two alike
_TAPERED = 1.4  # times the deviation: neighbouring lines share noise through the window
_LEAST_DEVIATION = 1e-3  # samples: what tapering alone moves a delay by
_CLOCKS_DIFFER = 4.0  # standard deviations; by chance once in 16,000 records
_NOTABLE_DRIFT = 0.01  # samples over the record: turns the top of the band by 0.03 rad
_FARTHEST = 3e-3  # far more than crystals differ by


@dataclass(frozen=True, slots=True)
class Gap:
    """Samples that are missing amid tones.

    Attributes
    ----------
    start : float
        About where [samples].
    missing : float or None
        How many, give or take what the tones repeat after; ``None`` where that is open.
    """

    start: float
    missing: float | None


@dataclass(frozen=True, slots=True, eq=False)
class ToneDelays:
    """Delays of tones from stretch to stretch.

    Attributes
    ----------
    clock : float
        Growth of the delay, in samples a sample; 0 where it does not stand out.
    cells : list of CellDelay
        Delays re their mean in each half octave, that growth taken out.
    steady : bool
        Whether that growth explains how phases turn over the record.
    gap : Gap or None
        What explains it beside the growth, where phases turn at once.
    """

    clock: float
    cells: list[CellDelay]
    steady: bool = True
    gap: Gap | None = None


def tone_delays(flat: Floats, output: Floats, rate_hz: float) -> ToneDelays | None:
    """Follow the delay of an output by the tones of its stimulus.

    Parameters
    ----------
    flat, output : numpy.ndarray of float, shape (samples,)
        The stimulus behind a response that is nearly right, and the output; tones need no common
        delay.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    ToneDelays or None
        ``None`` where the stimulus is no sum of tones that last, or is too short.
    """
    tones = _tones(flat, output, rate_hz)
    if tones is None:
        return None
    near = tones.growth_of_neighbours()
    if not tones.steady(near):
        return ToneDelays(near, [], steady=False, gap=tones.gap(near))
    clock = tones.growth(near)
    cells = tones.cells(clock)
    if not cells:
        return None
    change, error = _slope(cells)
    clock += change
    sure = abs(clock) > _CLOCKS_DIFFER * error and abs(clock) < _FARTHEST
    if sure and abs(clock) * flat.size > _NOTABLE_DRIFT:
        return ToneDelays(clock, cells)
    return ToneDelays(0.0, tones.cells(0.0))


def _slope(cells: list[CellDelay]) -> tuple[float, float]:
    """Growth that is left of delays, by least squares, and its standard deviation."""
    time, delay, deviation = (
        np.array([getattr(c, name) for c in cells]) for name in ("time", "delay", "deviation")
    )
    away, white = (time - time.mean()) / deviation, delay / deviation
    information = max(float(away @ away), 1e-300)
    slope = float(away @ white) / information
    off = white - slope * away
    scatter = max(1.0, float(off @ off) / len(cells))
    # Where deviations err, those that count most tell by themselves how much.
    counted = float((away * off) @ (away * off)) / information
    return slope, math.sqrt(max(scatter, counted) / information)


@dataclass(frozen=True, slots=True, eq=False)
class _Tones:
    """Cross spectra of stretches, shape (stretches, lines), and the half octaves that sound."""

    cross: Complex
    angle: Floats
    bands: list[tuple[slice, float]]
    length: int

    def growth_of_neighbours(self) -> float:
        """Growth of the delay from stretch to stretch: each half octave unwraps the next higher.

        By medians: one gap turns the phase between two stretches, or three.
        """
        growth, known = 0.0, 0.0
        for lines, _ in self.bands:
            product = self._products(lines, 1, growth)
            coherence, omega = self._coherence(product, lines)
            if coherence < _COHERENT:
                continue
            sums = product.sum(axis=1)
            whole = complex(sums.sum())
            turned = float(np.angle(whole)) + float(np.median(np.angle(sums * np.conj(whole))))
            weight = omega**2 * coherence**2 / max(1.0 - coherence**2, _LEAST_NOISE)
            known += weight
            growth -= turned / (omega * self.length) * weight / known
        return growth

    def growth(self, near: float) -> float:
        """Growth of the delay by stretches ever farther apart, from a near value on."""
        growth, lag = near, 2
        while lag <= len(self.cross) // 2:
            change, known = 0.0, 0.0
            for lines, _ in self.bands:
                product = self._products(lines, lag, growth)
                coherence, omega = self._coherence(product, lines)
                if coherence < _COHERENT:
                    continue
                weight = omega**2 * coherence**2 / max(1.0 - coherence**2, _LEAST_NOISE)
                turned = float(np.angle(complex(product.sum())))
                change, known = change - weight * turned / (omega * lag), known + weight
            growth += change / (known * self.length) if known else 0.0
            lag *= 2
        return growth

    def _products(self, lines: slice, lag: int, growth: float) -> Complex:
        """Products of stretches some stretches apart, a growth of the delay taken out."""
        turn = np.exp(1j * self.angle[lines] * growth * (lag * self.length))
        return np.asarray(self.cross[lag:, lines] * self.cross[:-lag, lines].conj() * turn)

    def _coherence(self, product: Complex, lines: slice) -> tuple[float, float]:
        """Sum of products over that of their magnitudes, and their mean frequency [rad]."""
        size = np.abs(product).sum(axis=0)
        whole = float(size.sum())
        if whole <= 0.0:
            return 0.0, 1.0
        return abs(complex(product.sum())) / whole, float(size @ self.angle[lines]) / whole

    def _turned(self, lines: slice, growth: float) -> Complex:
        """Cross spectra with a growth of the delay taken out, from the middle of the record."""
        middle = (np.arange(len(self.cross)) - (len(self.cross) - 1) / 2.0) * self.length
        return np.asarray(
            self.cross[:, lines] * np.exp(1j * growth * np.outer(middle, self.angle[lines]))
        )

    def _follows(self, growth: float) -> list[slice]:
        """Half octaves whose phases go on from stretch to stretch, more than by chance."""
        return [
            lines
            for lines, _ in self.bands
            if np.median(np.cos(np.angle(self._products(lines, 1, growth).sum(axis=1)))) > _STAYS
        ]

    def steady(self, growth: float) -> bool:
        """Whether most half octaves that follow from stretch to stretch do so over the record."""
        follows = self._follows(growth)
        stays = [_agreement(self._turned(lines, growth)) > _AGREES for lines in follows]
        return sum(stays) >= _MOST_STAY * len(follows)

    def gap(self, growth: float) -> Gap | None:
        """The gap between two steady parts; none where the parts are not."""
        every = [self._turned(lines, growth) for lines in self._follows(growth)]
        turned = [band for band in every if _agreement(band) <= _AGREES]
        best, at = 0.0, 0
        # The stretch of the gap shows either phase, or none.
        for stretch in range(2, len(self.cross) - 2):
            held = [
                min(_agreement(band[:stretch]), _agreement(band[stretch + 1 :])) for band in turned
            ]
            if float(np.median(held)) > best:
                best, at = float(np.median(held)), stretch
        if best < _AGREES:
            return None
        whole = self._turned(slice(0, self.angle.size), growth)
        step = whole[at + 1 :].sum(axis=0) * whole[:at].sum(axis=0).conj()
        return Gap((at + 0.5) * self.length, self._missing(step))

    def _missing(self, step: Complex) -> float | None:
        """By how many samples the output is earlier behind a gap, where one number stands out."""
        from scipy.fft import irfft

        white = np.zeros(self.angle.size, dtype=complex)
        for lines, _ in self.bands:
            white[lines] = step[lines] / max(float(np.abs(step[lines]).sum()), 1e-300)
        count = _FINER * self.length
        correlation = np.abs(irfft(white, count)) * count / (2.0 * len(self.bands))
        peak = int(np.argmax(correlation))
        beside = np.arange(-2 * _FINER, 2 * _FINER + 1)
        others = np.delete(correlation, (peak + beside) % count)
        if correlation[peak] < _STAYS or others.max() > _STANDS_OUT * correlation[peak]:
            return None
        late = (peak if peak < count / 2 else peak - count) / _FINER
        return -late

    def cells(self, growth: float) -> list[CellDelay]:
        """Delays re the mean of each half octave, a growth taken out."""
        told = []
        for lines, middle_hz in self.bands:
            turned = self._turned(lines, growth)
            mean = turned.mean(axis=0)
            power = np.abs(mean) ** 2
            whole = float(power.sum())
            if whole <= 0.0:
                continue
            omega = float(power @ self.angle[lines]) / whole
            for stretch, cross in enumerate(turned):
                along = complex(np.vdot(mean, cross)) / whole
                if abs(along) ** 2 * whole < _COHERENT**2 * float(np.sum(np.abs(cross) ** 2)):
                    continue
                off = np.abs(cross / along - mean) ** 2
                noise = math.sqrt(float(off @ power) / 2.0) / (whole * omega)
                time = (stretch + 0.5) * self.length
                delay = -float(np.angle(along)) / omega
                deviation = max(_TAPERED * noise, _LEAST_DEVIATION)
                told.append(CellDelay(stretch, time, middle_hz, delay, deviation))
        return told


def _tones(flat: Floats, output: Floats, rate_hz: float) -> _Tones | None:
    """Cross spectra of stretches; none where the stimulus is no sum of lasting tones."""
    from scipy.fft import rfft

    count = int(np.clip(round(flat.size / (_STRETCH_S * rate_hz)), *_STRETCHES))
    length = flat.size // count
    if length < _LEAST_STRETCH:
        return None
    window = np.hanning(length)
    parts = (x[: count * length].reshape(count, length) for x in (flat, output))
    one, other = (rfft((x - x.mean(axis=1, keepdims=True)) * window, axis=1) for x in parts)
    power = one.real**2 + one.imag**2
    bands = list(half_octaves(rate_hz, length=length))
    loudest = max((float(power[:, lines].sum()) for lines, _ in bands), default=0.0)
    sounding = [b for b in bands if float(power[:, b[0]].sum()) > _SOUNDS * loudest]
    lasting = [_lasts(power[:, lines]) for lines, _ in sounding]
    if sum(lasting) < _MOST_STAY * max(1, len(sounding)):
        return None
    if np.median([_share(power[:, lines].sum(axis=0)) for lines, _ in sounding]) > _TONES:
        return None
    angle = 2.0 * math.pi * np.arange(power.shape[1]) / length
    return _Tones(other * one.conj(), angle, sounding, length)


def _agreement(part: Complex) -> float:
    """Coherence of all pairs of stretches over that of neighbours: 1 where no phase moves.

    Noise of stretches is independent and lowers both alike; so do levels that change.
    """
    size = np.abs(part)
    own = float(np.vdot(part, part).real)
    total, sizes = part.sum(axis=0), size.sum(axis=0)
    every = (float(np.vdot(total, total).real) - own) / max(float(sizes @ sizes) - own, 1e-300)
    near = float(np.vdot(part[:-1], part[1:]).real)
    near /= max(float(np.vdot(size[:-1], size[1:])), 1e-300)
    return every / near if near > 0.0 else 0.0


def _lasts(power: Floats) -> bool:
    """Whether the same lines of a half octave sound all the time: of notes they change."""
    count = len(power)
    total = power.sum(axis=0)
    every = (float(total @ total) - float(np.vdot(power, power))) / (count * (count - 1))
    near = float(np.vdot(power[:-1], power[1:])) / (count - 1)
    return every > _LASTS * near


def _share(power: Floats) -> float:
    """Share of the lines that hold the power."""
    return float(power.sum()) ** 2 / (power.size * float(power @ power))
