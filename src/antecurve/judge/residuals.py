"""What a fit leaves over, and what it looks like: hum, lines, even orders, clipping, the rest."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.fit import Fit
from antecurve.judge.noise import has_shape
from antecurve.judge.observations import SquareBlock, SweepBlock
from antecurve.judge.unused_harmonics import waveform
from antecurve.quantities import DB_PER_NEPER

__all__ = ["Leftover", "LeftoverKind", "find_hum", "leftovers"]

Floats = NDArray[np.float64]

_MAINS_HZ = (50.0, 60.0)
_MAINS_MULTIPLES = 6
_CLEAR_LINE = 30.0
_TELLING_S = 0.08
_CLEAR_PEAK = 45.0
_EXCESS = 1.5
_NOTABLE_DB = 0.01
_NOTABLE_SWEEP_DB = 0.005
_EVEN_EXCESS = 4.0


class LeftoverKind(StrEnum):
    """What a residual looks like."""

    HUM = "hum"
    LINE = "line"
    EVEN_ORDERS = "even orders"
    CLIPPING = "clipping"
    MISFIT = "misfit"


@dataclass(frozen=True, slots=True, eq=False)
class Leftover:
    """Something in a capture that the model of the unit does not describe.

    Attributes
    ----------
    kind : LeftoverKind
        What it looks like.
    capture : str
        In which capture.
    text : str
        In words, with numbers.
    frequency_hz : float
        Where it is strongest [Hz].
    spoils : bool
        Whether the deviation is less certain for it.
    misfit_hz, misfit_db : numpy.ndarray of float, shape (points,)
        Frequencies [Hz] within the band, and what the fit leaves of the response there [dB].
    """

    kind: LeftoverKind
    capture: str
    text: str
    frequency_hz: float
    spoils: bool
    misfit_hz: Floats
    misfit_db: Floats


_NONE = np.zeros(0)


def _rest(fit: Fit, place: int) -> Floats:
    """Record less fitted waveform [V]."""
    block = fit.blocks[place]
    assert isinstance(block, SquareBlock)
    return block.basis.record.volts - waveform(fit.solution, place)


def find_hum(fit: Fit) -> tuple[float, ...]:
    """Return the mains frequencies and multiples that stand out of the residuals.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    tuple of float
        Frequencies [Hz], empty for none; multiples of 50 Hz or of 60 Hz, whichever explains
        more.  Lines too near a harmonic of the square wave to be told from it are passed over.
    """
    best: tuple[float, tuple[float, ...]] = (0.0, ())
    for place, block in enumerate(fit.blocks):
        if not isinstance(block, SquareBlock):
            continue
        rest = _rest(fit, place)
        for mains in _MAINS_HZ:
            gain, lines = _mains_lines(block, rest, mains)
            if gain > best[0]:
                best = (gain, lines)
    return best[1]


def _mains_lines(block: SquareBlock, rest: Floats, mains: float) -> tuple[float, tuple[float, ...]]:
    record = block.basis.record
    length = float(np.ptp(record.time_s))
    lines = [
        mains * k
        for k in range(1, _MAINS_MULTIPLES + 1)
        if _separate(mains * k, record.frequency_hz, length) and mains * k < 0.4 * record.rate_hz
    ]
    if not lines:
        return 0.0, ()
    time = record.time_s
    plain = np.column_stack([np.ones_like(time), time / length])
    waves = [w(2.0 * math.pi * f * time) for f in lines for w in (np.cos, np.sin)]
    columns = np.column_stack([plain, *waves])
    left = rest - plain @ np.linalg.lstsq(plain, rest, rcond=None)[0]
    found = np.linalg.lstsq(columns, rest, rcond=1e-6)[0]
    after = rest - columns @ found
    noise = float(after @ after) / max(1, time.size - columns.shape[1])
    gain = (float(left @ left) - float(after @ after)) / max(noise, 1e-300)
    if gain < _CLEAR_LINE + 2.0 * len(lines):
        return 0.0, ()
    power = found[2::2] ** 2 + found[3::2] ** 2
    clear = power * time.size / 2.0 / max(noise, 1e-300) > _CLEAR_LINE
    kept = tuple(f for f, c in zip(lines, clear, strict=True) if c)
    return gain, kept or (lines[int(np.argmax(power))],)


def _separate(line: float, fundamental: float, length: float) -> bool:
    """Whether a line can be told from every harmonic and from an offset."""
    apart = abs(line - round(line / fundamental) * fundamental)
    return apart > 0.75 / length


def leftovers(
    fit: Fit, *, hum_hz: tuple[float, ...], band_hz: tuple[float, float]
) -> tuple[Leftover, ...]:
    """Return what the fit leaves over in each capture.

    Parameters
    ----------
    fit : Fit
        The fit, hum taken out where it was found.
    hum_hz : tuple of float
        What `find_hum` found [Hz].
    band_hz : tuple of float
        Band that is judged [Hz].

    Returns
    -------
    tuple of Leftover
        In the order of the captures.
    """
    found: list[Leftover] = []
    first = 0
    for place, block in enumerate(fit.blocks):
        rows = block.rows
        residual = fit.solution.evaluation.residual[first : first + rows]
        first += rows
        if isinstance(block, SquareBlock):
            found += _of_square(fit, place, block, residual, hum_hz, band_hz)
        else:
            found += _of_sweep(block, residual)
    return tuple(found)


def _of_square(
    fit: Fit,
    place: int,
    block: SquareBlock,
    residual: Floats,
    hum_hz: tuple[float, ...],
    band_hz: tuple[float, float],
) -> list[Leftover]:
    found: list[Leftover] = []
    rest = _rest(fit, place)
    size = float(np.ptp(block.basis.record.volts)) / 2.0
    if hum_hz:
        found.append(_hum(block, rest, hum_hz, size))
    line = _strongest_line(block, rest, hum_hz)
    if line is not None:
        frequency, amplitude = line
        text = (
            f"{block.name}: a line near {frequency:.0f} Hz, {_below(amplitude, size)}: "
            "pick-up or oscillation"
        )
        found.append(Leftover(LeftoverKind.LINE, block.name, text, frequency, False, _NONE, _NONE))
    return found + _misfit_of_square(fit, place, block, residual, rest, band_hz)


def _below(amplitude: float, size: float) -> str:
    level = 20.0 * math.log10(max(amplitude, 1e-12 * size) / size)
    return f"{1e3 * amplitude:.3g} mV, {level:.0f} dB re the square wave"


def _hum(block: SquareBlock, rest: Floats, hum_hz: tuple[float, ...], size: float) -> Leftover:
    time = block.basis.record.time_s
    waves = [w(2.0 * math.pi * f * time) for f in hum_hz for w in (np.cos, np.sin)]
    columns = np.column_stack([np.ones_like(time), *waves])
    found = np.linalg.lstsq(columns, rest, rcond=1e-6)[0]
    amplitude = np.hypot(found[1::2], found[2::2])
    strongest = hum_hz[int(np.argmax(amplitude))]
    mains = next(m for m in _MAINS_HZ if abs(hum_hz[0] / m - round(hum_hz[0] / m)) < 1e-9)
    sure = float(np.ptp(time)) > _TELLING_S
    which = f"{mains:.0f} Hz" if sure else "50 or 60 Hz (the record is too short to say which)"
    lines = ", ".join(f"{f:.0f}" for f in hum_hz)
    text = (
        f"{block.name}: hum of {which}, lines at {lines} Hz, strongest "
        f"{_below(float(amplitude.max()), size)}; taken out before the fit"
    )
    return Leftover(LeftoverKind.HUM, block.name, text, strongest, False, _NONE, _NONE)


def _strongest_line(
    block: SquareBlock, rest: Floats, hum_hz: tuple[float, ...]
) -> tuple[float, float] | None:
    """A line beside the harmonics and the hum that stands out of the spectrum, if any."""
    record = block.basis.record
    length = float(np.ptp(record.time_s))
    count = rest.size
    grid = np.linspace(record.time_s[0], record.time_s[-1], count)
    window = np.hanning(count)
    spectrum = np.fft.rfft(np.interp(grid, record.time_s, rest) * window)
    frequency = np.arange(spectrum.size) / length
    apart = np.abs(frequency - np.round(frequency / record.frequency_hz) * record.frequency_hz)
    usable = (apart > 2.5 / length) & (frequency > 3.0 / length)
    for line in hum_hz:
        usable &= np.abs(frequency - line) > 2.5 / length
    if usable.sum() < 16:
        return None
    power = np.abs(spectrum) ** 2 / (np.sum(window**2) / 2.0)
    level = float(np.median(power[usable])) / math.log(2.0)
    top = int(np.argmax(np.where(usable, power, 0.0)))
    if power[top] < _CLEAR_PEAK * level:
        return None
    return float(frequency[top]), 2.0 * float(np.abs(spectrum[top])) / float(window.sum())


def _misfit_of_square(
    fit: Fit,
    place: int,
    block: SquareBlock,
    residual: Floats,
    rest: Floats,
    band_hz: tuple[float, float],
) -> list[Leftover]:
    from scipy.linalg import solve_triangular

    excess = fit.excess[place]
    record = block.basis.record
    noise = block.sigma / math.sqrt(max(1.0, excess))
    allowed = _EXCESS
    if record.step_v and noise < 1.3 * record.step_v / math.sqrt(12.0):
        # A noiseless record repeats its quantisation error in every period.
        allowed *= max(1.0, record.periods)
    raw = solve_triangular(block.basis.whitener, residual * block.sigma)
    half = raw.size // 2
    data = block.basis.amplitudes(record.volts)
    error = -(raw[:half] + 1j * raw[half:]) / np.where(np.abs(data) > 0, data, 1.0)
    found = _even_orders(block, -(raw[:half] + 1j * raw[half:]), noise)
    frequency = block.frequency_hz
    inside = (block.basis.orders % 2 == 1) & (frequency <= band_hz[1] * 1.001)
    sigma = noise * np.sqrt(block.basis.variances()) / np.maximum(np.abs(data), 1e-300)
    misfit = DB_PER_NEPER * error.real[inside]
    beyond = np.sqrt(np.maximum(0.0, misfit**2 - (2.0 * DB_PER_NEPER * sigma[inside]) ** 2))
    if excess < allowed or float(np.sqrt(np.mean(beyond**2))) < _NOTABLE_DB:
        return found
    worst = int(np.argmax(np.abs(error.real) / np.maximum(sigma, 1e-12)))
    kind, look = LeftoverKind.MISFIT, f"strongest near {frequency[worst]:.3g} Hz"
    if _clipped(record.volts, rest, noise):
        kind, look = LeftoverKind.CLIPPING, "the tops are cut: clipping; capture at a lower level"
    text = (
        f"{block.name}: the model leaves {math.sqrt(excess):.1f} times the noise, {look}; "
        f"up to {float(beyond.max()):.2f} dB within the band is added to the uncertainty"
    )
    found.append(
        Leftover(kind, block.name, text, float(frequency[worst]), True, frequency[inside], beyond)
    )
    return found


def _even_orders(block: SquareBlock, error: NDArray[np.complex128], noise: float) -> list[Leftover]:
    """Even harmonics beyond what the duty of the square wave explains."""
    even = block.basis.orders % 2 == 0
    if even.sum() < 4:
        return []
    variance = 2.0 * noise**2 * block.basis.variances()[even]
    ratio = float(np.mean(np.abs(error[even]) ** 2 / variance))
    if ratio < _EVEN_EXCESS:
        return []
    size = np.abs(error[even])
    top = int(np.argmax(size))
    fundamental = float(np.abs(block.basis.amplitudes(block.basis.record.volts)[0]))
    text = (
        f"{block.name}: even harmonics, number {block.basis.orders[even][top]:.0f} at "
        f"{20.0 * math.log10(size[top] / fundamental):.0f} dB re the fundamental: one half of "
        "the wave is treated unlike the other (even-order distortion, clipping on one side)"
    )
    at = float(block.frequency_hz[even][top])
    return [Leftover(LeftoverKind.EVEN_ORDERS, block.name, text, at, False, _NONE, _NONE)]


def _clipped(volts: Floats, rest: Floats, noise: float) -> bool:
    """Whether samples stop at a ceiling that the fitted waveform goes beyond."""
    span = float(np.ptp(volts))
    for sign in (1.0, -1.0):
        top = float(np.max(sign * volts))
        at_top = sign * volts > top - max(2.0 * noise, 1e-3 * span)
        if at_top.mean() > 0.01 and float(np.mean(sign * rest[at_top])) < -2.0 * noise:
            return True
    return False


def _of_sweep(block: SweepBlock, residual: Floats) -> list[Leftover]:
    """A remainder with a shape, large enough to matter: the unit's own."""
    left = -residual[: block.frequency_hz.size] * block.sigma_db
    if float(np.sqrt(np.mean(left**2))) < _NOTABLE_SWEEP_DB or not has_shape(left):
        return []
    worst = int(np.argmax(np.abs(left)))
    text = (
        f"{block.name}: the response has a shape that the model lacks, {left[worst]:+.2f} dB at "
        f"{block.frequency_hz[worst]:.0f} Hz; it is counted as the unit's own"
    )
    return [
        Leftover(
            LeftoverKind.MISFIT,
            block.name,
            text,
            float(block.frequency_hz[worst]),
            True,
            block.frequency_hz,
            left,
        )
    ]
