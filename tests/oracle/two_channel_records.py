"""Two-channel records of a simulated unit, for every kind of signal, by Fourier transforms."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from playback_units import LOADING, VALUES, Unit, network_polynomials
from scipy.signal import chirp

from antecurve.judge.two_channel import TwoChannelRecord

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

RATE_HZ = 96_000.0


def white_noise(time: Floats, rng: np.random.Generator) -> Floats:
    """Normal noise."""
    return rng.standard_normal(time.size)


def pink_noise(time: Floats, rng: np.random.Generator) -> Floats:
    """Noise of equal power in each octave."""
    spectrum = np.fft.rfft(rng.standard_normal(time.size))
    spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
    spectrum[0] = 0.0
    return np.fft.irfft(spectrum, time.size)


def log_sweep(time: Floats, rng: np.random.Generator) -> Floats:
    """A sine from 10 Hz to 40 kHz, by equal times for each octave."""
    return chirp(time, 10.0, time[-1], 40e3, "logarithmic", phi=rng.uniform(0, 360))


def square_wave(time: Floats, rng: np.random.Generator) -> Floats:
    """A square wave near 23 Hz, as sampled."""
    return np.where((time * rng.uniform(22.5, 23.5) + rng.uniform()) % 1.0 < 0.5, 1.0, -1.0)


def multitone(time: Floats, rng: np.random.Generator) -> Floats:
    """Sines six to the octave, phases drawn."""
    tones = 15.0 * 2.0 ** (np.arange(68) / 6.0)
    phases = rng.uniform(0, 2 * np.pi, tones.size)
    return sum(np.sin(2 * np.pi * f * time + p) for f, p in zip(tones, phases, strict=True))


def sine_steps(time: Floats, rng: np.random.Generator) -> Floats:
    """One sine after another, six to the octave, without a jump of phase."""
    tones = 15.0 * 2.0 ** (np.arange(68) / 6.0)
    frequency = tones[np.minimum((time / time[-1] * 68).astype(int), 67)]
    return np.sin(2 * np.pi * np.cumsum(frequency) / RATE_HZ + rng.uniform(0, 2 * np.pi))


def music(time: Floats, rng: np.random.Generator) -> Floats:
    """Tones of a scale with harmonics that die away, and a dull noise."""
    total = np.zeros(time.size)
    for _ in range(60):
        lowest, start = 55.0 * 2.0 ** (rng.integers(0, 48) / 12.0), rng.uniform(0, time[-1])
        sounding = time[np.searchsorted(time, start, "right") :]
        angle = 2 * np.pi * lowest * sounding
        # sin((k + 1) x) = 2 cos(x) sin(k x) - sin((k - 1) x): a sine of each would take longer.
        sine, before, twice_cosine = np.sin(angle), np.zeros(angle.size), 2.0 * np.cos(angle)
        tone = sine.copy()
        for order in range(2, 25):
            if lowest * order >= 20e3:
                break
            sine, before = twice_cosine * sine - before, sine
            tone += sine / order**1.5
        total[time.size - tone.size :] += tone * np.exp((start - sounding) / rng.uniform(0.1, 1.0))
    spectrum = np.fft.rfft(rng.standard_normal(time.size))
    spectrum /= 1.0 + (np.fft.rfftfreq(time.size, 1 / RATE_HZ) / 300.0) ** 2
    return total + 0.3 * np.fft.irfft(spectrum, time.size)


SIGNALS: dict[str, Callable[[Floats, np.random.Generator], Floats]] = {
    "white noise": white_noise,
    "pink noise": pink_noise,
    "log sweep": log_sweep,
    "square wave": square_wave,
    "multitone": multitone,
    "sine steps": sine_steps,
    "music": music,
}


def through(signal: Floats, response: Callable[[Floats], Complex], delay_s: float) -> Floats:
    """The signal behind a response, silence before it."""
    size = 2 * signal.size
    frequency = np.fft.rfftfreq(size, 1 / RATE_HZ)
    frequency[0] = 1e-3
    turn = np.exp(-2j * np.pi * frequency * delay_s)
    spectrum = np.fft.rfft(signal, size) * response(frequency) * turn
    return np.fft.irfft(spectrum, size)[: signal.size]


def recorded(signal: Floats, rng: np.random.Generator, *, noise_db: float, bits: int) -> Floats:
    """A channel 3 dB below full scale, with noise re full scale and the steps of a converter."""
    channel = 0.7 * signal / np.abs(signal).max()
    channel = channel + 10 ** (noise_db / 20.0) * rng.standard_normal(signal.size)
    return np.round(channel * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1)


def two_channel_record(
    unit: Unit,
    rng: np.random.Generator,
    *,
    signal: str,
    stimulus_at: str = "emf",
    values: Floats = VALUES,
    seconds: float = 2.0,
    noise_db: float = -60.0,
    bits: int = 16,
    clock: float = 0.0,
    quiet_s: float = 0.0,
) -> TwoChannelRecord:
    """Draw a record of a signal through network and unit, late and maybe upside down."""
    time = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    played = SIGNALS[signal](time, rng)
    if quiet_s:
        quiet = np.zeros(int(quiet_s * RATE_HZ))
        played = np.concatenate([quiet, played, quiet])
    network, own = network_polynomials(values), unit.polynomials()
    shunt = values[5] * LOADING.load_resistance / (values[5] + LOADING.load_resistance)
    top, bottom = network[0], network[1]
    # Input voltage over EMF: 1 - source resistance x current; the current through the shunt and
    # the load's capacitance is H (1/shunt + s C).
    admittance = np.array([LOADING.load_capacitance, 1 / shunt]) * LOADING.source_resistance

    def emphasis(frequency: Floats) -> Complex:
        s = 2j * np.pi * frequency
        return np.polyval(top, s) / np.polyval(bottom, s)

    def playback(frequency: Floats) -> Complex:
        s = 2j * np.pi * frequency
        return np.polyval(own[0], s) / np.polyval(own[1], s)

    def before(frequency: Floats) -> Complex:
        s = 2j * np.pi * frequency
        if stimulus_at == "input":
            return emphasis(frequency)
        if stimulus_at == "generator":
            return 1.0 - emphasis(frequency) * np.polyval(admittance, s)
        return np.ones(frequency.shape, dtype=complex)

    stimulus = through(played, before, 0.0)
    output = through(played, lambda f: emphasis(f) * playback(f), rng.uniform(0.0, 0.003))
    output = output * rng.choice([-1.0, 1.0])
    if clock:
        from scipy.interpolate import CubicSpline
        from scipy.signal import resample

        fine = CubicSpline(np.arange(4 * output.size) / 4.0, resample(output, 4 * output.size))
        position = np.arange(output.size) * (1.0 + clock)
        output = fine(np.minimum(position, output.size - 1))
    return TwoChannelRecord(
        RATE_HZ,
        recorded(stimulus, rng, noise_db=-95.0, bits=bits),
        recorded(output, rng, noise_db=noise_db, bits=bits),
        stimulus_at=stimulus_at,
        name=signal,
    )
