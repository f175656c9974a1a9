"""The resistances of output and input of an interface, by a resistor that is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.results import Result
from antecurve.sound.interface import SoundInterface, recorded_whole

__all__ = ["Resistances", "resistances_by", "tone_amplitude", "tone_waveform"]

Floats = NDArray[np.float64]

_TONE_HZ = 1000.0  # where levels are stated; coupling capacitors and cables do not show
_TONE_S = 0.5  # some 500 periods: noise beside the line counts for little
_FADE = 0.1  # of the tone, against clicks
_HALF_BAND_HZ = 50.0  # about it: what the fade makes of a line


@dataclass(frozen=True, slots=True)
class Resistances(Result):
    """Resistances of an interface.

    Attributes
    ----------
    source_ohm : float
        Of its output, the generator [ohm].
    input_ohm : float or None
        Of its input [ohm]; ``None`` where it is not known and taken as infinite.
    origin : str
        ``measured``, ``stated`` or ``as designed``.
    """

    source_ohm: float
    input_ohm: float | None
    origin: str

    @property
    def emf_over_input(self) -> float:
        """The generator's EMF over the voltage at an input straight at it."""
        return 1.0 if self.input_ohm is None else 1.0 + self.source_ohm / self.input_ohm


def tone_waveform(*, rate_hz: int, level_db: float) -> Floats:
    """Compute the tone by which resistances are measured.

    Parameters
    ----------
    rate_hz : int
        Sampling rate [Hz].
    level_db : float
        Peak level re full scale [dB].

    Returns
    -------
    numpy.ndarray of float, shape (samples,)
        Half a second of 1 kHz.
    """
    from scipy.signal.windows import tukey

    count = round(_TONE_S * rate_hz)
    tone = np.sin(2.0 * np.pi * _TONE_HZ * np.arange(count) / rate_hz)
    return np.asarray(10.0 ** (level_db / 20.0) * tone * tukey(count, _FADE))


def tone_amplitude(interface: SoundInterface, *, level_db: float) -> float:
    """Play the tone and measure what comes back.

    Parameters
    ----------
    interface : SoundInterface
        The interface.
    level_db : float
        Peak level re full scale [dB].

    Returns
    -------
    float
        In proportion to the voltage at its first input, above 0.

    Raises
    ------
    InputError
        When nothing comes back.
    """
    record = recorded_whole(interface, tone_waveform(rate_hz=interface.rate_hz, level_db=level_db))[
        :, 0
    ]
    power = np.abs(np.fft.rfft(record)) ** 2
    frequency = np.fft.rfftfreq(record.size, 1.0 / interface.rate_hz)
    beside = np.abs(frequency - _TONE_HZ)
    tone = float(power[beside <= _HALF_BAND_HZ].sum())
    noise = float(power[(beside > _HALF_BAND_HZ) & (beside <= 2.0 * _HALF_BAND_HZ)].sum())
    if not tone > 2.0 * noise:
        raise InputError("input", "no tone of 1 kHz", "check the leads and the levels")
    return math.sqrt(tone - noise)


def resistances_by(
    *, known_ohm: float, straight: float, in_series: float, across: float
) -> Resistances:
    """Derive both resistances from three readings.

    With E the EMF, a and b the resistances of output and input and R the known one, straight
    reads E b/(a + b), R in series E b/(a + b + R): their ratio gives the sum S = a + b. R across
    the input makes the voltage smaller by 1 + P/R, P = a b/(a + b). Both are the roots of
    x^2 - S x + P S (voltage dividers).

    Parameters
    ----------
    known_ohm : float
        The known resistor [ohm], above 0.
    straight, in_series, across : float
        Voltages at the input: output straight to it, the resistor between them, and the resistor
        across the input; any unit, above 0.

    Returns
    -------
    Resistances
        The smaller one as that of the output.

    Raises
    ------
    InputError
        When no two resistances explain the readings.
    """
    read = f"{in_series / straight:.4g} in series, {across / straight:.4g} across"
    if not 0.0 < in_series < straight or not 0.0 < across < straight:
        raise InputError(
            "known resistor", read,
            "each must lower the level; check where the resistor was connected",
        )  # fmt: skip
    total = known_ohm / (straight / in_series - 1.0)
    both = known_ohm * (straight / across - 1.0)
    root = total**2 - 4.0 * both * total
    if root < 0.0:
        raise InputError(
            "known resistor", read,
            "no output and input give such readings; check the resistor's value and the leads",
        )  # fmt: skip
    larger = (total + math.sqrt(root)) / 2.0
    return Resistances(both * total / larger, larger, "measured")
