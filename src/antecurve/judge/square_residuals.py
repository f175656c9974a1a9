"""The residuals of a square-wave record: stray lines, even orders, clipping, misfit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.observation import ResidualFinding, ResidualKind
from antecurve.judge.periodic import HarmonicBasis
from antecurve.quantities import DB_PER_NEPER

__all__ = ["ResidualRecord", "record_findings"]

Floats = NDArray[np.float64]

_CLEAR_PEAK = 45.0  # exponential: exp(-45) by chance, in any of 20,000 lines never
_EXCESS = 1.5  # mean square; noise in 100 residuals reaches it once in 1,100 records
_NOTABLE_DB = 0.01  # a fiftieth of the usual limit of 0.5 dB
_EVEN_EXCESS = 4.0  # mean square; noise in four harmonics reaches it once in 10,000
_FLOOR_OF_STEP = 1.3  # of a converter's step / sqrt(12): the noise is the converter's own
_WINDOW_LINES = 2.5  # half width of the peak of a Hann window, in lines of the spectrum
_LEAST_LINES = 16  # for the median to be the level of the noise


@dataclass(frozen=True, slots=True, eq=False)
class ResidualRecord:
    """A record less its fit.

    Attributes
    ----------
    name : str
        The capture.
    basis : HarmonicBasis
        Its reduction.
    remainder : numpy.ndarray of float, shape (samples,)
        Record less fitted waveform [V], hum and drift still in it.
    reduced : numpy.ndarray of float, shape (2 harmonics,)
        Residuals of the reduction [V].
    noise : float
        Standard deviation of a sample [V].
    excess : float
        Mean square residual over that of the noise.
    """

    name: str
    basis: HarmonicBasis
    remainder: Floats
    reduced: Floats
    noise: float
    excess: float

    @property
    def size_v(self) -> float:
        """Half the swing of the record [V]."""
        return float(np.ptp(self.basis.record.volts)) / 2.0

    @property
    def settled(self) -> Floats:
        """Record less waveform, hum and drift [V], shape (samples,)."""
        beside = self.basis.interference.columns(self.basis.record.time_s)
        return self.remainder - self.basis.interference_amplitudes(self.remainder)[0] @ beside


def record_findings(
    record: ResidualRecord, *, band_hz: tuple[float, float]
) -> list[ResidualFinding]:
    """Describe what a fit does not explain of a record.

    Parameters
    ----------
    record : ResidualRecord
        The record less its fit.
    band_hz : tuple of float
        The band judged [Hz].

    Returns
    -------
    list of ResidualFinding
        Empty where noise explains it.
    """
    findings = []
    line = _strongest_line(record, record.basis.interference.line_hz)
    if line is not None:
        frequency, amplitude = line
        level = _line_level(amplitude, record.size_v)
        text = f"{record.name}: a line near {frequency:.0f} Hz, {level}: pick-up or oscillation"
        findings.append(ResidualFinding(ResidualKind.LINE, record.name, text, frequency))
    return [*findings, *_misfit(record, band_hz)]


def _line_level(amplitude: float, size: float) -> str:
    level = 20.0 * math.log10(max(amplitude, 1e-12 * size) / size)
    return f"{1e3 * amplitude:.3g} mV, {level:.0f} dB re the square wave"


def _strongest_line(
    residual: ResidualRecord, hum_hz: tuple[float, ...]
) -> tuple[float, float] | None:
    """A line beside the harmonics and the hum that stands out of the spectrum, if any."""
    record = residual.basis.record
    length = float(np.ptp(record.time_s))
    count = residual.remainder.size
    grid = np.linspace(record.time_s[0], record.time_s[-1], count)
    window = np.hanning(count)
    spectrum = np.fft.rfft(np.interp(grid, record.time_s, residual.settled) * window)
    frequency = np.arange(spectrum.size) / length
    apart = np.abs(frequency - np.round(frequency / record.frequency_hz) * record.frequency_hz)
    usable = (apart > _WINDOW_LINES / length) & (frequency > 3.0 / length)
    for line in hum_hz:
        usable &= np.abs(frequency - line) > _WINDOW_LINES / length
    if usable.sum() < _LEAST_LINES:
        return None
    power = np.abs(spectrum) ** 2 / (np.sum(window**2) / 2.0)
    level = float(np.median(power[usable])) / math.log(2.0)
    top = int(np.argmax(np.where(usable, power, 0.0)))
    if power[top] < _CLEAR_PEAK * level:
        return None
    return float(frequency[top]), 2.0 * float(np.abs(spectrum[top])) / float(window.sum())


def _misfit(record: ResidualRecord, band_hz: tuple[float, float]) -> list[ResidualFinding]:
    """Harmonics off the fit by more than noise: even orders, clipping, or a shape."""
    from scipy.linalg import solve_triangular

    basis, noise = record.basis, record.noise
    raw = solve_triangular(basis.whitener, record.reduced)
    half = raw.size // 2
    data = basis.amplitudes(basis.record.volts)
    missed = -(raw[:half] + 1j * raw[half:])
    error = missed / np.where(np.abs(data) > 0, data, 1.0)
    findings = _even_orders(record, missed)
    frequency = basis.orders * basis.record.frequency_hz
    inside = (basis.orders % 2 == 1) & (frequency <= band_hz[1] * 1.001)
    sigma = noise * np.sqrt(basis.variances()) / np.maximum(np.abs(data), 1e-300)
    misfit = DB_PER_NEPER * error.real[inside]
    beyond = np.sqrt(np.maximum(0.0, misfit**2 - (2.0 * DB_PER_NEPER * sigma[inside]) ** 2))
    rms = float(np.sqrt(np.mean(beyond**2)))
    if record.excess < _allowed_excess(record) or rms < _NOTABLE_DB:
        return findings
    worst = int(np.argmax(np.abs(error.real) / np.maximum(sigma, 1e-12)))
    kind, look = ResidualKind.MISFIT, f"strongest near {frequency[worst]:.3g} Hz"
    if _clipped(basis.record.volts, record.settled, noise):
        kind, look = ResidualKind.CLIPPING, "the tops are cut: clipping; capture at a lower level"
    text = (
        f"{record.name}: the model leaves {math.sqrt(record.excess):.1f} times the noise, {look}; "
        f"up to {float(beyond.max()):.2f} dB within the band is added to the uncertainty"
    )
    at = float(frequency[worst])
    shape = ResidualFinding(kind, record.name, text, at, frequency[inside], beyond)
    return [*findings, shape]


def _allowed_excess(record: ResidualRecord) -> float:
    """Excess that noise explains; a noiseless record repeats its quantisation each period."""
    step = record.basis.record.step_v
    if step and record.noise < _FLOOR_OF_STEP * step / math.sqrt(12.0):
        return _EXCESS * max(1.0, record.basis.record.periods)
    return _EXCESS


def _even_orders(record: ResidualRecord, error: NDArray[np.complex128]) -> list[ResidualFinding]:
    """Even harmonics beyond what the duty of the square wave explains."""
    even = record.basis.orders % 2 == 0
    if even.sum() < 4:
        return []
    variance = 2.0 * record.noise**2 * record.basis.variances()[even]
    ratio = float(np.mean(np.abs(error[even]) ** 2 / variance))
    if ratio < _EVEN_EXCESS:
        return []
    size = np.abs(error[even])
    top = int(np.argmax(size))
    fundamental = float(np.abs(record.basis.amplitudes(record.basis.record.volts)[0]))
    text = (
        f"{record.name}: even harmonics, number {record.basis.orders[even][top]:.0f} at "
        f"{20.0 * math.log10(size[top] / fundamental):.0f} dB re the fundamental: one half of "
        "the wave is treated unlike the other (even-order distortion, clipping on one side)"
    )
    at = float((record.basis.orders * record.basis.record.frequency_hz)[even][top])
    return [ResidualFinding(ResidualKind.EVEN_ORDERS, record.name, text, at)]


def _clipped(volts: Floats, remainder: Floats, noise: float) -> bool:
    """Whether samples stop at a ceiling that the fitted waveform goes beyond."""
    span = float(np.ptp(volts))
    for sign in (1.0, -1.0):
        top = float(np.max(sign * volts))
        at_top = sign * volts > top - max(2.0 * noise, 1e-3 * span)
        if at_top.mean() > 0.01 and float(np.mean(sign * remainder[at_top])) < -2.0 * noise:
            return True
    return False
