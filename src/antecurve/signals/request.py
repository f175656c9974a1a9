"""What a test signal is to be: kind, rate, length, level, frequencies."""

from __future__ import annotations

import math
from dataclasses import dataclass

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.quantities import check_count, check_number

__all__ = ["HIGHEST_SHARE", "KINDS", "SignalRequest", "SineStep"]

KINDS = ("square", "sines", "sweep", "multitone", "noise")
"""Kinds of test signal."""

HIGHEST_SHARE = 0.45
"""Of the sampling rate: the highest frequency played; converters' filters begin there."""

_RATES_HZ = (22_050, 192_000)  # what sound interfaces play; the cue needs 8 kHz
_LONGEST_S = 600.0  # of a whole file: what a capture may be long, and more than a bench needs
_LOWEST_DB = -100.0  # below, a converter's noise is all that is left
_LOWEST_HZ = 10.0  # an octave below the band of hearing
_SQUARE_HZ = 200.0  # settles turnover and treble of most units
_LEAST_STEP_S = 0.1  # two periods of 20 Hz, by which a sine is told from hum
_THIRD_OCTAVES = tuple(round(10.0 ** (n / 10.0), 3) for n in range(13, 44))
"""20 Hz to 20 kHz by the exact frequencies of base ten (ISO 266:1997)."""


@dataclass(frozen=True, slots=True)
class SineStep:
    """One sine of a stepped signal.

    Attributes
    ----------
    first, last : int
        Samples from the start of the run; the last one is left out.
    frequency_hz : float
        Frequency [Hz].
    level_db : float
        Peak level re full scale [dB].
    """

    first: int
    last: int
    frequency_hz: float
    level_db: float


@checked
@dataclass(frozen=True, slots=True)
class SignalRequest:
    """A test signal as it is asked for.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    rate_hz : int
        Sampling rate [Hz], 22,050 to 192,000.
    seconds : float
        Length of one run [s], without cue and silence.
    level_db : tuple of float
        Peak level re full scale [dB], -100 to 0: one, or for sines several, ascending.
    frequency_hz : tuple of float
        Of a square wave one, of sines one or more [Hz]; by default 200 Hz, and third octaves.
    band_hz : tuple of float or None
        Ends of sweep, multitone and noise [Hz]; by default 10 Hz and 0.45 of the rate.
    repetitions : int
        Runs, one after the other without a gap.
    cue : bool
        Whether a cue stands before and behind the runs.

    Raises
    ------
    InputError
        When a value is out of range or does not belong to the kind.
    """

    kind: str
    rate_hz: int = 48_000
    seconds: float = 10.0
    level_db: tuple[float, ...] = (-12.0,)
    frequency_hz: tuple[float, ...] = ()
    band_hz: tuple[float, float] | None = None
    repetitions: int = 1
    cue: bool = True

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise InputError("kind of signal", self.kind, f"use one of {', '.join(KINDS)}")
        check_count(self.rate_hz, field="rate", least=_RATES_HZ[0], most=_RATES_HZ[1])
        check_count(self.repetitions, field="repetitions", most=1000)
        check_number(self.seconds, field="seconds", unit="s")
        if self.seconds * self.repetitions > _LONGEST_S or self.seconds < _LEAST_STEP_S:
            runs = "" if self.repetitions == 1 else f" in each of {self.repetitions} runs"
            raise InputError(
                "seconds", _written(self.seconds, "s") + runs,
                f"a run takes {_LEAST_STEP_S:g} s or more, all runs together {_LONGEST_S:g} s "
                "at most",
            )  # fmt: skip
        self._check_levels()
        self._check_frequencies()
        if self.kind == "sines" and self.seconds < _LEAST_STEP_S * self._count:
            raise InputError(
                "seconds", _written(self.seconds, "s"),
                f"{self._count} steps need {_LEAST_STEP_S * self._count:g} s or more",
            )  # fmt: skip

    @property
    def highest_hz(self) -> float:
        """Highest frequency that can be played [Hz]."""
        return HIGHEST_SHARE * self.rate_hz

    @property
    def frequencies_hz(self) -> tuple[float, ...]:
        """The frequencies of a square wave or of sines [Hz]."""
        if self.frequency_hz or self.kind not in ("square", "sines"):
            return self.frequency_hz
        every = (_SQUARE_HZ,) if self.kind == "square" else _THIRD_OCTAVES
        return tuple(f for f in every if f <= self.highest_hz)

    @property
    def ends_hz(self) -> tuple[float, float]:
        """The band of a sweep, a multitone or noise [Hz]."""
        return self.band_hz or (_LOWEST_HZ, self.highest_hz)

    @property
    def period_samples(self) -> int:
        """Samples after which the signal repeats: of a multitone periods of its low end."""
        if self.kind == "multitone":
            low_hz = self.ends_hz[0]
            periods = max(1, math.ceil(_LEAST_STEP_S * low_hz * (1.0 - 1e-12)))
            return round(periods * self.rate_hz / low_hz)
        return round(self.seconds * self.rate_hz)

    @property
    def run_samples(self) -> int:
        """Samples of one run, in whole periods."""
        periods = round(self.seconds * self.rate_hz / self.period_samples)
        return max(1, periods) * self.period_samples

    @property
    def _count(self) -> int:
        return len(self.frequencies_hz) * len(self.level_db)

    @property
    def steps(self) -> tuple[SineStep, ...]:
        """The steps of sines: each frequency at each level; none of another kind."""
        if self.kind != "sines":
            return ()
        pairs = [(f, level) for f in self.frequencies_hz for level in self.level_db]
        edges = [round(k * self.run_samples / len(pairs)) for k in range(len(pairs) + 1)]
        return tuple(
            SineStep(first, last, *pair)
            for first, last, pair in zip(edges, edges[1:], pairs, strict=False)
        )

    def _check_levels(self) -> None:
        received = _written(self.level_db, "dB")
        if not self.level_db or not all(_LOWEST_DB <= v <= 0.0 for v in self.level_db):
            raise InputError("level", received, f"it must be {_LOWEST_DB:g} to 0 dB")
        if list(self.level_db) != sorted(set(self.level_db)):
            raise InputError("level", received, "levels must ascend")
        if len(self.level_db) > 1 and self.kind != "sines":
            raise InputError("level", received, "only sines take several levels")

    def _check_frequencies(self) -> None:
        allowed = f"it must be from 1 Hz to 0.45 of the rate, {self.highest_hz:,.0f} Hz"
        for frequency in self.frequency_hz:
            if not 1.0 <= frequency <= self.highest_hz:
                raise InputError("frequency", _written(frequency, "Hz"), allowed)
        received = _written(self.frequency_hz, "Hz")
        if self.frequency_hz and self.kind not in ("square", "sines"):
            raise InputError("frequency", received, f"a {self.kind} takes a band instead")
        if self.kind == "square" and len(self.frequency_hz) > 1:
            raise InputError("frequency", received, "a square wave takes one")
        if self.kind == "square" and self.seconds * self.frequencies_hz[0] < 1.0:
            raise InputError(
                "seconds", _written(self.seconds, "s"), "a run needs one period or more"
            )
        if self.band_hz is None:
            return
        low, high = self.band_hz
        received = _written(self.band_hz, "Hz")
        if self.kind in ("square", "sines"):
            raise InputError(
                "band", received, f"{self.kind.removesuffix('s')}s take a frequency instead"
            )
        if not (low >= 1.0 and 2.0 * low <= high <= self.highest_hz and math.isfinite(low)):
            raise InputError("band", received, f"{allowed}, an octave wide or more")
        if low * self.seconds < 1.0:
            raise InputError("band", received, "a run needs one period of its low end or more")


def _written(values: float | tuple[float, ...], unit: str) -> str:
    """Values with their unit, as a message shows them."""
    every = values if isinstance(values, tuple) else (values,)
    return ", ".join(f"{value:g} {unit}" for value in every)
