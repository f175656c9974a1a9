"""Output and stimulus laid over each other: what remains, and what it is.

The stimulus behind an ideal unit, a x(t - d), is taken off the output.  What remains is split into
what the fitted response explains, noise, and what grows with the signal beyond that: distortion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import even_turns
from antecurve.judge.response_estimate import Channels
from antecurve.judge.spectral_filter import Response
from antecurve.quantities import format_quantity
from antecurve.results import Result, column_rows

__all__ = ["Overlay", "laid_over"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_FRAME_S = 0.05  # in which a level of music stands still
_LEAST_FRAMES = 32  # to tell noise from what grows with the signal: of fewer the scatter is unsure
_LEAST_SPREAD = 4.0  # of the power from quiet to loud frames, for the same reason
_OCTAVE_FRAME_S = 0.1  # lines of 10 Hz: two within the lowest octave
_SURE = 4.0  # standard deviations: by chance in one of a thousand records of ten octaves
_ROUNDS = 3  # each squares what is left of the delay, in parts of the highest period
_FLOOR_DB = -200.0  # of the arithmetic


@dataclass(frozen=True, slots=True, eq=False)
class Overlay(Result):
    """How output and stimulus coincide within the band.

    Attributes
    ----------
    gain_db : float
        Gain that makes them coincide, from the stimulus behind an ideal unit [dB].
    delay_s : float
        Delay of the output [s].
    polarity : int
        1, or -1 for an output upside down.
    difference_db : float
        Level of the difference relative to the output [dB].
    explained_db : float
        Level of what the fitted response explains of it [dB].
    noise_db : float
        Level of what does not follow the signal: noise and hum [dB].
    distortion_db : float or None
        Level of what grows with the signal and is no response [dB]; ``None`` where none is seen,
        as always with a signal of constant level.
    octave_hz, octave_db : numpy.ndarray of float, shape (octaves,)
        Centres of octaves [Hz] and the level of the difference in each, relative to the output
        there [dB].
    octave_explained_db, octave_noise_db, octave_distortion_db : numpy.ndarray of float, \
shape (octaves,)
        The same of what the response explains, of noise and hum, and of distortion [dB]; NaN where
        no distortion is seen.
    rate_hz : float
        Sampling rate of the waveforms [Hz].
    output, difference : numpy.ndarray of float, shape (samples,)
        The output within the band, aligned, and the difference, in the record's unit.
    """

    _keys: ClassVar = (
        "gain_db",
        "delay_s",
        "polarity",
        "difference_db",
        "explained_db",
        "noise_db",
        "distortion_db",
        "octaves",
    )

    gain_db: float
    delay_s: float
    polarity: int
    difference_db: float
    explained_db: float
    noise_db: float
    distortion_db: float | None
    octave_hz: Floats
    octave_db: Floats
    octave_explained_db: Floats
    octave_noise_db: Floats
    octave_distortion_db: Floats
    rate_hz: float
    output: Floats
    difference: Floats

    @property
    def octaves(self) -> list[dict[str, Any]]:
        """Level of the difference in each octave."""
        return column_rows(
            frequency_hz=self.octave_hz,
            difference_db=self.octave_db,
            explained_db=self.octave_explained_db,
            noise_db=self.octave_noise_db,
            distortion_db=self.octave_distortion_db,
        )

    @property
    def text(self) -> str:
        """The levels in a sentence."""
        seen = "not seen" if self.distortion_db is None else f"{self.distortion_db:.1f} dB"
        turned = ", upside down" if self.polarity < 0 else ""
        return (
            f"Output and stimulus differ by {self.difference_db:.1f} dB of the output "
            f"(response {self.explained_db:.1f} dB, noise {self.noise_db:.1f} dB, "
            f"distortion {seen}). Gain {self.gain_db:.2f} dB, {_delay_text(self.delay_s)}{turned}"
        )


def _delay_text(delay_s: float) -> str:
    """A delay to a microsecond: a metre of air, or the phase of a corner, makes more."""
    microseconds = round(1e6 * delay_s)
    if not microseconds:
        return "no delay"
    size = format_quantity(1e-6 * abs(microseconds), "s", digits=4)
    return f"output {size} {'late' if microseconds > 0 else 'early'}"


def laid_over(
    channels: Channels, ideal: Response, fitted: Response, *, band_hz: tuple[float, float]
) -> Overlay:
    """Lay the output over the stimulus.

    Parameters
    ----------
    channels : Channels
        The record.
    ideal : callable
        The response from the stimulus to the output of an ideal unit.
    fitted : callable
        The same of the fitted unit, with any gain and delay.
    band_hz : tuple of float
        The band that counts [Hz].

    Returns
    -------
    Overlay
        Levels and waveforms.
    """
    from scipy.fft import irfft, rfft

    rate, size = channels.rate_hz, channels.output.size
    ideal_lines, fitted_lines = (rfft(channels.flattened(r)) for r in (ideal, fitted))
    one, own, other = (
        _within(x, rate, band_hz, size) for x in (ideal_lines, channels.output_lines, fitted_lines)
    )
    one, late = _coincident(one, own, rate, size)
    other, _ = _coincident(other, own, rate, size)
    expected, output, explained = (np.asarray(irfft(x, size)) for x in (one, own, other))
    gain, part = _gain(expected, output), _gain(explained, output)
    one, other = gain * one, part * other
    expected, model = gain * expected, part * explained
    difference, remains, response = output - expected, output - model, model - expected
    power = float(np.sum(expected**2))
    noise, distortion = _noise_and_distortion(remains, model, rate)
    octaves = _Octaves.within(band_hz)
    reference, unlike, unexplained, explained_of_it = (
        octaves.energies(x, rate / size) for x in (one, own - one, own - other, other - one)
    )
    steady = octaves.steady_shares(remains, model, rate)
    return Overlay(
        20.0 * math.log10(abs(gain)),
        channels.alignment.delay_s + late,
        channels.alignment.polarity,
        _level(float(np.sum(difference**2)), power),
        _level(float(np.sum(response**2)), power),
        _level(noise, power),
        _level(distortion, power) if distortion else None,
        octaves.centre_hz,
        _levels(unlike, reference),
        _levels(explained_of_it, reference),
        _levels(steady * unexplained, reference),
        np.where(steady < 1.0, _levels((1.0 - steady) * unexplained, reference), np.nan),
        rate,
        output,
        difference,
    )


def _within(lines: Complex, rate_hz: float, band_hz: tuple[float, float], size: int) -> Complex:
    """Fourier lines within a band, and none beyond."""
    step = rate_hz / size
    first, last = math.ceil(band_hz[0] / step), math.floor(band_hz[1] / step)
    kept = np.zeros_like(lines)
    kept[first : last + 1] = lines[first : last + 1]
    return kept


def _gain(expected: Floats, output: Floats) -> float:
    return float(expected @ output) / max(float(expected @ expected), 1e-300)


def _coincident(
    lines: Complex, output: Complex, rate_hz: float, size: int
) -> tuple[Complex, float]:
    """Lines of a signal delayed so that it coincides with the output, and the delay [s].

    By the slope, which is right to first order; what is left of the delay is a part of a sample.
    Sums over samples are sums over lines (Parseval); of these each but the ends stands for two.
    """
    turn, total = 2.0 * math.pi * rate_hz / size, 0.0  # a second, from line to line
    omega = turn * np.arange(lines.size)
    for _ in range(_ROUNDS):
        slope = 1j * omega * lines
        gain = float(np.vdot(lines, output).real) / max(float(np.vdot(lines, lines).real), 1e-300)
        steepness = gain * float(np.vdot(slope, slope).real) or 1.0
        late = -float(np.vdot(slope, output - gain * lines).real) / steepness
        total += late
        lines = lines * even_turns(lines.size, step=-turn * late)
    return lines, total


def _level(power: float, reference: float) -> float:
    return 10.0 * math.log10(max(power / max(reference, 1e-300), 10.0 ** (_FLOOR_DB / 10.0)))


def _levels(energies: Floats, references: Floats) -> Floats:
    return np.array([_level(float(e), float(r)) for e, r in zip(energies, references, strict=True)])


def _frames(signal: Floats, rate_hz: float, frame_s: float) -> Floats:
    """A signal cut to frames, row by row."""
    length = int(frame_s * rate_hz)
    count = signal.size // length
    return signal[: count * length].reshape(count, length)


def _noise_and_distortion(remains: Floats, signal: Floats, rate_hz: float) -> tuple[float, float]:
    """Energies of what stays and of what grows with the signal; 0 where none is seen."""
    total = float(np.sum(remains**2))
    noise, power = (np.mean(_frames(x, rate_hz, _FRAME_S) ** 2, axis=1) for x in (remains, signal))
    steady = _steady_share(noise, power)
    return steady * total, (1.0 - steady) * total


def _steady_share(noise: Floats, power: Floats) -> float:
    """Share of what remains that does not grow with the signal, frame by frame.

    Least squares without negative shares: noise, and powers of a second and a third order.  1
    where the signal is too steady to tell, or the growth is within the scatter.
    """
    from scipy.optimize import nnls

    if noise.size < _LEAST_FRAMES:
        return 1.0
    quiet, loud = np.quantile(power, [0.1, 0.9])
    if loud < _LEAST_SPREAD * max(quiet, 1e-300):
        return 1.0
    relative = power / power.max()
    columns = np.stack([np.ones(noise.size), relative**2, relative**3], axis=1)
    # Frames weigh by their own size: a power scatters in proportion to itself.
    weight = 1.0 / (noise + np.median(noise) + 1e-300)
    design, wanted = columns * weight[:, None], noise * weight
    shares, _ = nnls(design, wanted)
    active = shares > 0.0
    mean = columns.mean(axis=0)
    growing = float(mean[1:] @ shares[1:])
    slope = (mean * (0.0, 1.0, 1.0))[active]
    inverse = np.linalg.pinv(design[:, active].T @ design[:, active])
    scatter = float(np.mean((design @ shares - wanted) ** 2))
    error = math.sqrt(max(0.0, scatter * float(slope @ inverse @ slope)))
    if growing <= _SURE * error:
        return 1.0
    # Where growth explains all, noise is at most what the quietest frames hold.
    steady = float(shares[0]) or float(np.quantile(noise, 0.1))
    return min(steady / float(mean @ shares), 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class _Octaves:
    """Octaves by their centres [Hz]."""

    centre_hz: Floats

    @classmethod
    def within(cls, band_hz: tuple[float, float]) -> _Octaves:
        """Select the octaves whose centres lie within a band, 1 kHz being one of them."""
        lowest = math.ceil(math.log2(band_hz[0] / 1000.0))
        highest = math.floor(math.log2(band_hz[1] / 1000.0))
        return cls(1000.0 * np.exp2(np.arange(lowest, highest + 1, dtype=float)))

    def _summed(self, power: Floats, step_hz: float) -> Floats:
        """Sums of spectral lines over each octave, along the last axis."""
        edges = np.append(self.centre_hz / math.sqrt(2.0), self.centre_hz[-1:] * math.sqrt(2.0))
        lines = np.minimum(np.ceil(edges / step_hz).astype(int), power.shape[-1])
        total = np.concatenate([np.zeros((*power.shape[:-1], 1)), np.cumsum(power, axis=-1)], -1)
        return np.diff(total[..., lines], axis=-1)

    def energies(self, lines: Complex, step_hz: float) -> Floats:
        """Measure the energy of a signal by its lines in each octave, all in one measure."""
        return self._summed(lines.real**2 + lines.imag**2, step_hz)

    def steady_shares(self, remains: Floats, signal: Floats, rate_hz: float) -> Floats:
        """Share of noise and hum in what remains, octave by octave."""
        from scipy.fft import rfft

        frames = _frames(remains, rate_hz, _OCTAVE_FRAME_S)
        power = np.mean(_frames(signal, rate_hz, _OCTAVE_FRAME_S) ** 2, axis=1)
        lines = np.abs(rfft(frames * np.hanning(frames.shape[1]), axis=1)) ** 2
        noise = self._summed(lines, rate_hz / frames.shape[1])
        return np.array([_steady_share(octave, power) for octave in noise.T])
