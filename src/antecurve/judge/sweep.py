"""Sweeps: levels of a unit's output at several frequencies, with or without phase."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.errors import InputError
from antecurve.judge.capture import Capture, DirectResponse, Levels, ObservationSettings
from antecurve.judge.columns import ascending_column, equal_columns
from antecurve.judge.observation import (
    Evaluation,
    Observation,
    Prediction,
    ResidualFinding,
    RiseTime,
    Trace,
)
from antecurve.judge.residual_shape import has_shape, noise_variance, shape_findings
from antecurve.quantities import DB_PER_NEPER

if TYPE_CHECKING:
    from antecurve.judge.network_estimate import NetworkEstimate
    from antecurve.judge.reference import MeasuredChain

__all__ = ["MOST_FREQUENCIES", "SweepCapture", "SweepObservation"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

MOST_FREQUENCIES = 10_000
"""Most frequencies of a sweep; a verdict takes some 20 s for as many."""

_LEAST_FREQUENCIES = 5  # as many as a unit has constants
_DELAY_UNIT_S = 1e-5  # turns 10 kHz by about half a radian, so that the coordinate is about 1
_START_SIGMA_DB = 0.02  # of usual meters; replaced by what the residuals show
_START_SIGMA_RAD = 0.02  # about a degree, of usual meters; replaced likewise
_LEAST_SIGMA_DB = 2e-4  # a tenth of the last digit of the finest printed levels
_LARGEST_LEVEL_DB = 400.0  # twenty decades: no instrument spans half of them
_MOST_DIGITS = 7  # decimals beyond which a level counts as not rounded
_EXCESS = 1.5  # mean square over that of the noise that neighbours do not share


@checked
@dataclass(frozen=True, slots=True, eq=False)
class SweepCapture(Capture):
    """Levels of the unit's output at several frequencies, constant EMF into the network.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz], above 0, ascending.
    level_db : numpy.ndarray of float, shape (frequencies,)
        Level [dB] re any reference.
    phase_deg : numpy.ndarray of float, shape (frequencies,), or None
        Phase [degrees], output re generator; a constant delay and inverted polarity do not matter.
    name : str
        How messages call it, such as the name of the file.

    Raises
    ------
    InputError
        When a value is not finite, frequencies do not ascend above 0 Hz, the columns look
        swapped, or there are fewer than 5 frequencies or more than `MOST_FREQUENCIES`.
    """

    kind: ClassVar[str] = "sweep"
    kind_in_files: ClassVar[str] = "sweep"
    usual_signal: ClassVar[str] = "sines"
    known_columns: ClassVar[tuple[str, ...]] = ("frequency_hz", "level_db", "ratio", "phase_deg")
    columns_rule: ClassVar[str] = (
        "frequency_hz, level_db (or ratio, linear) and optionally phase_deg"
    )
    relies_on_flatness: ClassVar[bool] = True

    frequency_hz: Floats
    level_db: Floats
    phase_deg: Floats | None = None
    name: str = "sweep"

    def __post_init__(self) -> None:
        frequency, level = equal_columns(
            self.name, frequency_hz=self.frequency_hz, level_db=self.level_db
        )
        if frequency.size < _LEAST_FREQUENCIES:
            raise InputError(
                self.name,
                f"{frequency.size} frequencies",
                f"at least {_LEAST_FREQUENCIES} are needed; three per octave of the band are good",
            )
        if frequency.size > MOST_FREQUENCIES:
            raise InputError(
                self.name,
                f"{frequency.size:,} frequencies",
                f"up to {MOST_FREQUENCIES:,} are judged: write every n-th, or fewer per octave",
            )
        ascending_column(
            frequency, level, name="frequency_hz", other_name="level_db", capture=self.name
        )
        if frequency[0] <= 0:
            raise InputError(
                f"{self.name}: frequency_hz", float(frequency[0]), "it must be above 0 Hz"
            )
        farthest = float(level[np.argmax(np.abs(level))])
        if abs(farthest) > _LARGEST_LEVEL_DB:
            raise InputError(
                f"{self.name}: level_db", farthest,
                f"levels lie within {_LARGEST_LEVEL_DB:g} dB of 0; name the column ratio if it is "
                "not in decibels",
            )  # fmt: skip
        object.__setattr__(self, "frequency_hz", frequency)
        object.__setattr__(self, "level_db", level)
        if self.phase_deg is not None:
            _, phase = equal_columns(self.name, frequency_hz=frequency, phase_deg=self.phase_deg)
            object.__setattr__(self, "phase_deg", phase)

    @classmethod
    def fits(cls, header: Collection[str]) -> bool:
        """Tell whether there is one column of levels, documented in `Capture`."""
        names = set(header)
        one_level = len(names & {"level_db", "ratio"}) == 1
        return "frequency_hz" in names and one_level and names <= set(cls.known_columns)

    @classmethod
    def from_columns(cls, columns: Mapping[str, Floats], name: str) -> Self:
        """Make a sweep of the columns of a file, documented in `Capture`."""
        if "ratio" in columns:
            ratio = columns["ratio"]
            if np.any(ratio <= 0):
                row = int(np.flatnonzero(ratio <= 0)[0])
                raise InputError(
                    f"{name}: ratio, data row {row + 1}",
                    float(ratio[row]),
                    "a linear ratio must be above 0; name the column level_db if it is in decibels",
                )
            level = 20.0 * np.log10(ratio)
        else:
            level = columns["level_db"]
        return cls(columns["frequency_hz"], level, columns.get("phase_deg"), name=name)

    @property
    def has_phase(self) -> bool:
        """Whether there is a phase beside the levels."""
        return self.phase_deg is not None

    @property
    def highest_seen_hz(self) -> float:
        """Infinite [Hz]: levels tell a corner beyond the sweep's end."""
        return math.inf

    def observation(self, settings: ObservationSettings) -> SweepObservation:
        """Reduce the sweep for a fit, documented in `Capture`."""
        return SweepObservation(
            self,
            _START_SIGMA_DB,
            _START_SIGMA_RAD,
            settings.reference_for(self, swept_hz=self.frequency_hz),
        )

    def reach_problem(self, band_hz: tuple[float, float]) -> InputError | None:
        """Say why the sweep by itself does not do, documented in `Capture`."""
        end = float(self.frequency_hz[-1])
        if end < REFERENCE_FREQUENCY_HZ:
            return InputError(
                f"{self.name}: frequency_hz", end, "a sweep by itself must reach 1 kHz and above"
            )
        inside = (self.frequency_hz >= band_hz[0]) & (self.frequency_hz <= band_hz[1])
        if np.count_nonzero(inside) >= _LEAST_FREQUENCIES:
            return None
        return InputError(
            f"{self.name}: frequency_hz", f"{np.count_nonzero(inside)} frequencies in the band",
            f"at least {_LEAST_FREQUENCIES} are needed; three per octave of the band are good",
        )  # fmt: skip

    @classmethod
    def direct_responses(
        cls, references: Sequence[Self], highest_hz: float, through: NetworkEstimate
    ) -> tuple[DirectResponse, ...]:
        """Derive responses from levels and phase, documented in `Capture`."""
        responses = []
        for sweep in references:
            neper = sweep.level_db / DB_PER_NEPER
            phase = np.zeros_like(neper) if sweep.phase_deg is None else sweep.phase_deg
            response = neper + 1j * np.unwrap(np.deg2rad(phase))
            exact = np.zeros_like(neper), np.zeros((0, neper.size), dtype=complex)
            responses.append(DirectResponse(sweep.frequency_hz, response, *exact))
        return tuple(responses)

    def network_levels(self, network: NetworkEstimate, band_hz: tuple[float, float]) -> Levels:
        """Take frequencies and levels as they are, documented in `Capture`."""
        return Levels(self.frequency_hz, self.level_db, np.zeros_like(self.level_db))


@dataclass(frozen=True, slots=True, eq=False)
class SweepObservation(Observation):
    """A sweep as the fit sees it; nuisances are ln gain and, with a phase, a delay.

    Attributes
    ----------
    capture : SweepCapture
        The sweep.
    sigma_db : float
        Standard deviation of a level [dB].
    sigma_rad : float
        Standard deviation of a phase [rad].
    reference : MeasuredChain or None
        The capture chain as a reference shows it.
    """

    noise_known: ClassVar[bool] = False

    capture: SweepCapture
    sigma_db: float
    sigma_rad: float
    reference: MeasuredChain | None = None

    @property
    def name(self) -> str:
        """How messages call it."""
        return self.capture.name

    @property
    def rows(self) -> int:
        """Number of residuals: one per frequency, two with phase."""
        return (1 if self.capture.phase_deg is None else 2) * self.capture.frequency_hz.size

    @property
    def frequency_hz(self) -> Floats:
        """Frequencies [Hz]."""
        return self.capture.frequency_hz

    @property
    def nuisance_bounds(self) -> tuple[Floats, Floats]:
        """No bounds on gain and delay."""
        count = 1 if self.capture.phase_deg is None else 2
        return np.full(count, -np.inf), np.full(count, np.inf)

    def evaluate(
        self, nuisance: Floats, total: Complex, shared: Complex, rise: RiseTime
    ) -> Evaluation:
        """Compute whitened residuals and their derivatives, documented in `Observation`."""
        count = total.size
        rise_column = np.zeros((count, int(rise.uncertainty_s > 0)))
        scale = self.sigma_db / DB_PER_NEPER
        residual = (total.real + nuisance[0] - self.capture.level_db / DB_PER_NEPER) / scale
        own_columns = np.zeros((count, self.nuisances))
        own_columns[:, 0] = 1.0
        jacobian = np.hstack([shared.real, rise_column, own_columns]) / scale
        if self.capture.phase_deg is None:
            return Evaluation(residual, jacobian, count)
        omega = 2.0 * math.pi * self.frequency_hz * _DELAY_UNIT_S
        turn = total.imag - omega * nuisance[1] - np.deg2rad(self.capture.phase_deg)
        turn = np.angle(np.exp(2j * turn)) / 2.0  # inverted polarity does not matter
        phase_columns = np.zeros((count, 2))
        phase_columns[:, 1] = -omega
        phase_jacobian = np.hstack([shared.imag, rise_column, phase_columns]) / self.sigma_rad
        return Evaluation(
            np.concatenate([residual, turn / self.sigma_rad]),
            np.vstack([jacobian, phase_jacobian]),
            2 * count,
        )

    def start(self, log_response: Complex) -> tuple[Floats, float]:
        """Fit gain as a mean and delay as a slope, documented in `Observation`."""
        neper = self.capture.level_db / DB_PER_NEPER
        gain = float(np.mean(neper - log_response.real))
        missed = neper - log_response.real - gain
        cost = float(missed @ missed / ((neper - neper.mean()) @ (neper - neper.mean()) + 1e-12))
        nuisance = np.zeros(self.nuisances)
        nuisance[0] = gain
        if self.capture.phase_deg is not None:
            omega = 2.0 * math.pi * self.frequency_hz * _DELAY_UNIT_S
            turn = np.unwrap(log_response.imag - np.deg2rad(self.capture.phase_deg), period=math.pi)
            nuisance[1] = float(np.polyfit(omega, turn, 1)[0])
        return nuisance, cost

    def with_estimated_noise(self, residual: Floats, used: float) -> SweepObservation:
        """Set the noise that the residuals show, documented in `Observation`."""
        count = self.frequency_hz.size
        free = max(1.0, residual.size - used) / residual.size
        level = math.sqrt(noise_variance(residual[:count]) / free) * self.sigma_db
        phase = self.sigma_rad
        if self.capture.phase_deg is not None:
            phase *= math.sqrt(noise_variance(residual[count:]) / free)
        return replace(
            self,
            sigma_db=max(level, _LEAST_SIGMA_DB, _resolution_db(self.capture.level_db)),
            sigma_rad=max(phase, _LEAST_SIGMA_DB / 8.7),
        )

    def gain(self, nuisance: Floats) -> float:
        """Compute the level of the gain, documented in `Observation`."""
        return float(nuisance[0]) * DB_PER_NEPER

    def trace(self, prediction: Prediction) -> Trace:
        """Lay the levels beside the fit.

        Parameters
        ----------
        prediction : Prediction
            The fit.

        Returns
        -------
        Trace
            Over frequency.
        """
        response = prediction.log_response(self.frequency_hz)
        level = DB_PER_NEPER * (response.real + prediction.nuisance[0])
        return Trace(
            self.name,
            self.capture.kind,
            self.frequency_hz,
            self.capture.level_db,
            np.asarray(level),
            over_time=False,
        )

    def residual_findings(
        self,
        residual: Floats,
        prediction: Prediction,
        *,
        excess: float,
        band_hz: tuple[float, float],
    ) -> list[ResidualFinding]:
        """Name a shape that the model lacks: it is the unit's own.

        Parameters
        ----------
        residual, prediction, excess, band_hz
            As in `Observation.residual_findings`; the band [Hz].

        Returns
        -------
        list of ResidualFinding
            One, or none.
        """
        missed = -residual[: self.frequency_hz.size] * self.sigma_db
        shaped = has_shape(missed) or excess > _EXCESS
        return shape_findings(
            self.name, self.frequency_hz, missed, shaped=shaped, noise_db=self.sigma_db
        )


def _resolution_db(levels_db: Floats) -> float:
    """Standard uncertainty that the printed digits of a sweep leave [dB]."""
    for digits in range(_MOST_DIGITS):
        if np.allclose(levels_db, np.round(levels_db, digits), rtol=0, atol=1e-9):
            return float(10.0**-digits / math.sqrt(12.0))
    return 0.0
