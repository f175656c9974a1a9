"""Square waves: records of a unit's output over time."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.judge.broken_edges import edges_break_off
from antecurve.judge.bypass import bypass_responses
from antecurve.judge.capture import Capture, DirectResponse, ObservationSettings
from antecurve.judge.columns import ascending_column, equal_columns
from antecurve.judge.held_tops import Tops
from antecurve.judge.network_estimate import NetworkEstimate
from antecurve.judge.record import limit_share, prepare_record
from antecurve.judge.square_observation import SquareWaveObservation, reduced_record

if TYPE_CHECKING:
    from antecurve.judge.deviation import Deviation

__all__ = ["SquareWaveCapture"]

Floats = NDArray[np.float64]

_LEAST_SAMPLES = 64  # some twenty harmonics and their noise
_TIME_UNITS = {"milliseconds": 1e3, "microseconds": 1e6}
_SAME = 1e-5  # of the swing: five digits of a table; noise of 16 bits differs by more
_USUAL_HZ = (5.0, 5000.0)  # of square waves for an audio unit
_SMALLEST_SWING_V = 1e-12  # a ten-thousandth of the noise of 1 ohm in a band of 20 kHz
_LARGEST_SWING_V = 400.0  # beyond what a unit puts out on any supply; 1 V in millivolts is more


@checked
@dataclass(frozen=True, slots=True, eq=False)
class SquareWaveCapture(Capture):
    """A record of the unit's output while a square wave goes through the network into it.

    Attributes
    ----------
    time_s : numpy.ndarray of float, shape (samples,)
        Time of each sample [s], ascending, not necessarily evenly spaced; any start.
    volts : numpy.ndarray of float, shape (samples,)
        Output [V]; offset and polarity do not matter.
    name : str
        How messages call it, such as the name of the file.

    Raises
    ------
    InputError
        When a value is not finite, time does not ascend, the columns look swapped, volts look
        like millivolts, or there are fewer than 64 samples.
    """

    kind: ClassVar[str] = "square wave"
    kind_in_files: ClassVar[str] = "square"
    usual_signal: ClassVar[str] = "square"
    known_columns: ClassVar[tuple[str, ...]] = ("time_s", "volts")
    columns_rule: ClassVar[str] = "time_s, volts"

    time_s: Floats
    volts: Floats
    name: str = "capture"

    def __post_init__(self) -> None:
        time, volts = equal_columns(self.name, time_s=self.time_s, volts=self.volts)
        if time.size < _LEAST_SAMPLES:
            raise InputError(
                self.name,
                f"{time.size} samples",
                f"at least {_LEAST_SAMPLES} are needed, 2,000 or more are good",
            )
        ascending_column(time, volts, name="time_s", other_name="volts", capture=self.name)
        if np.ptp(volts) == 0:
            raise InputError(
                f"{self.name}: volts",
                f"{volts[0]:g} V throughout",
                "there is no signal; check the unit's supply, the leads and the input range",
            )
        if np.ptp(volts) > _LARGEST_SWING_V:
            raise InputError(
                f"{self.name}: volts",
                f"{np.ptp(volts):.4g} V from lowest to highest",
                "are the values in millivolts? Give them in volts: divide them by 1,000",
            )
        if np.ptp(volts) < _SMALLEST_SWING_V:
            raise InputError(
                f"{self.name}: volts",
                f"{np.ptp(volts):.4g} V from lowest to highest",
                "no instrument resolves so little; give the values in volts",
            )
        object.__setattr__(self, "time_s", time)
        object.__setattr__(self, "volts", volts)

    @classmethod
    def fits(cls, header: Collection[str]) -> bool:
        """Tell whether there are times and volts, documented in `Capture`."""
        return set(header) == set(cls.known_columns)

    @classmethod
    def from_columns(cls, columns: Mapping[str, Floats], name: str) -> Self:
        """Make a record of the columns of a file, documented in `Capture`."""
        return cls(columns["time_s"], columns["volts"], name=name)

    def holds_same(self, other: Self) -> bool:
        """Tell whether the samples are the same on whatever scales, documented in `Capture`."""
        if self.volts.size != other.volts.size:
            return False
        each = (_on_unit_scale(self.volts), _on_unit_scale(other.volts))
        apart = float(np.abs(each[0] - each[1]).max())
        turned = float(np.abs(each[0] + each[1] - 1.0).max())
        return min(apart, turned) < _SAME

    @property
    def rate_hz(self) -> float:
        """Mean sampling rate [Hz]."""
        return (self.time_s.size - 1) / float(np.ptp(self.time_s))

    @property
    def highest_seen_hz(self) -> float:
        """Half the sampling rate [Hz]."""
        return self.rate_hz / 2.0

    def observation(self, settings: ObservationSettings) -> SquareWaveObservation:
        """Reduce the record to its harmonics, documented in `Capture`."""
        record = prepare_record(self, highest_hz=settings.highest_hz)
        reference = settings.reference_for(self, record.frequency_hz)
        return reduced_record(self, record, settings.highest_hz, reference)

    def reach_problem(self, band_hz: tuple[float, float]) -> InputError | None:
        """Say why the sampling is too coarse, documented in `Capture`."""
        if self.rate_hz >= 2.0 * band_hz[1]:
            return None
        for unit, factor in _TIME_UNITS.items():
            if self.rate_hz * factor >= 2.0 * band_hz[1] and self._usual(factor, band_hz[1]):
                return InputError(
                    f"{self.name}: time_s",
                    f"{np.ptp(self.time_s):.4g} s from first to last sample",
                    f"are the times in {unit}? Give them in seconds: divide them by {factor:,.0f}",
                )
        return InputError(
            f"{self.name}: time_s",
            f"{self.rate_hz:.4g} samples per second",
            f"a band up to {band_hz[1]:g} Hz needs at least {2.2 * band_hz[1]:.3g}; set a faster "
            "time base or a smaller band",
        )

    def _usual(self, factor: float, highest_hz: float) -> bool:
        """Whether the square wave would be of a usual frequency on a faster time scale."""
        try:
            record = prepare_record(self, highest_hz=highest_hz)
        except InputError:
            return False
        return _USUAL_HZ[0] <= record.frequency_hz * factor <= _USUAL_HZ[1]

    def saturation_text(self) -> str:
        """Say when the record stands at its limits, documented in `Capture`."""
        share = limit_share(self.volts)
        if share > 0.0:
            return (
                f"{self.name}: the record is at its limit for {100.0 * share:.0f} % of the "
                "samples. Reduce the level or set a larger range, and capture again"
            )
        what = self._clipping_text()
        if not what:
            return ""
        return (
            f"{self.name}: {what}: a clipped record. The unit or the instrument is overdriven; "
            "reduce the level, and capture again"
        )

    def question(self, network: NetworkEstimate, deviation: Deviation, limit_db: Floats) -> str:
        """Ask whether flat tops are clipped, documented in `Capture`."""
        tops = self._tops()
        if tops is None or not tops.are_flat():
            return ""
        return (
            f"{self.name}: the tops are flat, as of a unit without a low corner or of a clipped "
            "record. Capture again at half the level: tops that are clipped are then not half as "
            "high"
        )

    def _clipping_text(self) -> str:
        """What of the tops shows that something clips; empty where nothing does."""
        tops = self._tops()
        if tops is None:
            return ""
        level = tops.held_level()
        if level is not None:
            return f"the tops are held at {level + float(self.volts.mean()):.3g} V and let go"
        broken = tops.are_flat() and edges_break_off(
            tops.time_s, tops.volts, frequency_hz=tops.frequency_hz
        )
        return "the tops are flat and the edges break off at them" if broken else ""

    def _tops(self) -> Tops | None:
        """The tops of the whole record; ``None`` where nothing repeats."""
        try:
            record = prepare_record(self, highest_hz=self.rate_hz)
        except InputError:
            return None
        return Tops(record.time_s, record.volts, record.frequency_hz, record.step_v)

    @classmethod
    def direct_responses(
        cls, references: Sequence[Self], highest_hz: float, through: NetworkEstimate
    ) -> tuple[DirectResponse, ...]:
        """Compute odd harmonics over those of a square wave, documented in `Capture`."""
        records = [(r, prepare_record(r, highest_hz=highest_hz)) for r in references]
        return bypass_responses([reduced_record(*r, highest_hz) for r in records], through)


def _on_unit_scale(volts: Floats) -> Floats:
    """Samples from 0 to 1."""
    return np.asarray((volts - volts.min()) / np.ptp(volts))
