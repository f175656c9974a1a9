"""An observation: a capture as the fit and the diagnosis see it.

Each kind is one module that implements `Capture` and `Observation`.  Nothing else knows the kinds.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from antecurve.judge.interference import Interference
    from antecurve.judge.level_dependence import RelativeHarmonics
    from antecurve.judge.overlay import Overlay
    from antecurve.judge.reference import MeasuredChain
    from antecurve.judge.remainder import Remainder
    from antecurve.judge.residual_record import HarmonicLevels
    from antecurve.judge.unseen_pause import RecordedEdges

__all__ = [
    "Evaluation",
    "Observation",
    "Prediction",
    "ResidualFinding",
    "ResidualKind",
    "RiseTime",
    "Trace",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class RiseTime:
    """Rise time of the generator's edge, 10 to 90 %.

    Attributes
    ----------
    value_s : float
        Its value [s].
    uncertainty_s : float
        Its standard uncertainty [s]; 0 when it is taken as known.
    """

    value_s: float
    uncertainty_s: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """Residuals at a point.

    Attributes
    ----------
    residual : numpy.ndarray of float, shape (rows,)
        Whitened residuals, data first, then the priors.
    jacobian : numpy.ndarray of float, shape (rows, unknowns)
        Derivatives.
    data_rows : int
        Number of leading rows that belong to data.
    """

    residual: Floats
    jacobian: Floats
    data_rows: int


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """What a fit says of one capture.

    Attributes
    ----------
    nuisance : numpy.ndarray of float, shape (nuisances,)
        The capture's own unknowns, such as gain and delay, in the fit's coordinates.
    rise_time_s : float
        Rise time of the generator [s].
    log_response : callable
        ln of all in the capture's path at frequencies [Hz], gain and delay apart.
    """

    nuisance: Floats
    rise_time_s: float
    log_response: Callable[[Floats], Complex]


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A capture beside its fit.

    Attributes
    ----------
    name, kind : str
        The capture, and its kind, such as ``square wave`` or ``sweep``.
    position : numpy.ndarray of float, shape (points,)
        Time [s], or frequency [Hz].
    captured, fitted : numpy.ndarray of float, shape (points,)
        Output [V] over time, or level [dB] over frequency.
    over_time : bool
        Whether it is a waveform; otherwise a level over frequency.
    """

    name: str
    kind: str
    position: Floats
    captured: Floats
    fitted: Floats
    over_time: bool


class ResidualKind(StrEnum):
    """What a residual looks like."""

    HUM = "hum"
    DRIFT = "drift"
    LINE = "line"
    OSCILLATION = "oscillation"
    RINGING = "ringing"
    SLOW_MOVEMENT = "slow movement"
    EVEN_ORDERS = "even orders"
    EDGES = "edges"
    HIDDEN_EDGES = "hidden edges"
    NO_EDGES = "no edges"
    SLOPE = "slope"
    PAUSE = "pause"
    LEVEL = "level"
    CLICK = "click"
    STIMULUS_NOISE = "stimulus noise"
    TWO_UNITS = "two units"
    MISFIT = "misfit"
    BETWEEN_HARMONICS = "between harmonics"
    NARROW_SHAPE = "narrow shape"
    NO_SHAPE = "no shape"
    NETWORK = "network"
    FOURTH_CORNER = "fourth corner"


@dataclass(frozen=True, slots=True, eq=False)
class ResidualFinding:
    """Something in a capture that the model of the unit does not describe.

    Attributes
    ----------
    kind : ResidualKind
        What it looks like.
    capture, text : str
        The capture that shows it, and a description with numbers.
    frequency_hz : float
        Where it is strongest [Hz].
    misfit_hz, misfit_db, uncertainty_db : numpy.ndarray of float, shape (points,)
        Frequencies in the band [Hz], what the fit leaves there of the response [dB], and the
        expanded uncertainty it brings [dB]; empty where the deviation is untouched.
    forbids_pass : bool
        Whether no linear unit does it: none passes until the capture named settles it.
    """

    kind: ResidualKind
    capture: str
    text: str
    frequency_hz: float
    misfit_hz: Floats = field(default_factory=lambda: np.zeros(0))
    misfit_db: Floats = field(default_factory=lambda: np.zeros(0))
    uncertainty_db: Floats = field(default_factory=lambda: np.zeros(0))
    forbids_pass: bool = False


class Observation(ABC):
    """A capture as the fit sees it.

    The fit moves the unit's constants, the network within its uncertainty, and a few nuisance
    unknowns of each observation, the first of which is ln of its gain.  One that has a phase fits
    a delay too: the unit model leaves out the delay of its top.
    """

    __slots__ = ()

    through_network: ClassVar[bool] = True
    """Whether the network is in the path that the observation shows."""
    through_chain: ClassVar[bool] = True
    """Whether the capture chain is in that path; it cancels from the ratio of two channels."""
    noise_known: ClassVar[bool] = True
    """Whether the noise is known before a fit; otherwise it is what residuals show."""

    @property
    def edges_apart_s(self) -> float:
        """Longest time between samples of its edges, laid over one another [s]; 0 without edges."""
        return 0.0

    @property
    def reference(self) -> MeasuredChain | None:
        """The capture chain as a reference shows it, where one serves this capture."""
        return None

    @property
    @abstractmethod
    def name(self) -> str:
        """How messages call it."""

    @property
    @abstractmethod
    def frequency_hz(self) -> Floats:
        """Frequencies at which the response counts [Hz], ascending, shape (frequencies,)."""

    @property
    def evaluated_hz(self) -> Floats:
        """Frequencies at which `evaluate` asks for the response [Hz], shape (evaluated,)."""
        return self.frequency_hz

    @property
    @abstractmethod
    def rows(self) -> int:
        """Number of residuals."""

    @property
    @abstractmethod
    def nuisance_bounds(self) -> tuple[Floats, Floats]:
        """Lowest and highest nuisance unknowns, each of shape (nuisances,)."""

    @property
    def nuisances(self) -> int:
        """Number of nuisance unknowns."""
        return int(self.nuisance_bounds[0].size)

    @abstractmethod
    def evaluate(
        self, nuisance: Floats, total: Complex, shared: Complex, rise: RiseTime
    ) -> Evaluation:
        """Compute whitened residuals and their derivatives.

        Parameters
        ----------
        nuisance : numpy.ndarray of float, shape (nuisances,)
            Own unknowns in the fit's coordinates.
        total : numpy.ndarray of complex, shape (evaluated,)
            ln of all in the path.
        shared : numpy.ndarray of complex, shape (evaluated, constants + sources)
            Its derivatives by the shared unknowns.
        rise : RiseTime
            Rise time; its column follows the shared ones when it is uncertain.

        Returns
        -------
        Evaluation
            Columns: shared, rise time, nuisances.
        """

    def residual(self, nuisance: Floats, total: Complex, rise: RiseTime) -> Floats:
        """Compute whitened residuals alone.

        Parameters
        ----------
        nuisance, total, rise
            As in `evaluate`.

        Returns
        -------
        numpy.ndarray of float, shape (rows,)
            As `evaluate` computes them, but for rounding.
        """
        return self.evaluate(nuisance, total, np.zeros((total.size, 0), complex), rise).residual

    @abstractmethod
    def start(self, log_response: Complex) -> tuple[Floats, float]:
        """Fit nuisance unknowns for a response, and the share of the data it misses.

        Parameters
        ----------
        log_response : numpy.ndarray of complex, shape (frequencies,)
            ln of all in the path.

        Returns
        -------
        tuple of numpy.ndarray and float
            Nuisance unknowns, and a cost from 0 to about 1.
        """

    @abstractmethod
    def gain(self, nuisance: Floats) -> float:
        """Choose the gain to report.

        Parameters
        ----------
        nuisance : numpy.ndarray of float, shape (nuisances,)
            Own unknowns in the fit's coordinates.

        Returns
        -------
        float
            Volts from EMF peak 1 V for a waveform, otherwise a level [dB].
        """

    @abstractmethod
    def trace(self, prediction: Prediction) -> Trace:
        """Lay the capture beside its fit.

        Parameters
        ----------
        prediction : Prediction
            The fit.

        Returns
        -------
        Trace
            For a picture.
        """

    @abstractmethod
    def residual_findings(
        self,
        residual: Floats,
        prediction: Prediction,
        *,
        excess: float,
        band_hz: tuple[float, float],
    ) -> list[ResidualFinding]:
        """Name what the fit does not describe.

        Parameters
        ----------
        residual : numpy.ndarray of float, shape (rows,)
            Whitened residuals.
        prediction : Prediction
            The fit.
        excess : float
            Mean square residual before the noise was raised to meet it.
        band_hz : tuple of float
            The band judged [Hz].

        Returns
        -------
        list of ResidualFinding
            Empty where noise explains the residuals.
        """

    def relative_harmonics(self, residual: Floats, *, excess: float) -> RelativeHarmonics | None:
        """Compute the odd harmonics of a record over those of the fit.

        Parameters
        ----------
        residual : numpy.ndarray of float, shape (rows,) or (rows, several)
            Whitened residuals, or several at once; ``error`` then has as many columns.
        excess : float
            Mean square residual before the noise was raised to meet it.

        Returns
        -------
        RelativeHarmonics or None
            ``None`` for a kind that holds no record of a square wave.
        """
        return None

    def harmonic_levels(self) -> HarmonicLevels | None:
        """Take the levels of the odd harmonics of a record over those of a square wave.

        Returns
        -------
        HarmonicLevels or None
            ``None`` for a kind that holds no record of a square wave.
        """
        return None

    def recorded_edges(
        self, residual: Floats, prediction: Prediction, *, excess: float
    ) -> RecordedEdges | None:
        """Take the edges of a square wave off a record and its fit.

        Parameters
        ----------
        residual : numpy.ndarray of float, shape (rows,)
            Whitened residuals.
        prediction : Prediction
            The fit.
        excess : float
            Mean square residual before the noise was raised to meet it.

        Returns
        -------
        RecordedEdges or None
            ``None`` for a kind that holds no record of a square wave, or whose samples pass over
            the edges.
        """
        return None

    def remainder(self, prediction: Prediction | None = None) -> Remainder | None:
        """Subtract the fitted waveform from the record, so that hum and drift show.

        Parameters
        ----------
        prediction : Prediction, optional
            The fit; none before there is one.

        Returns
        -------
        Remainder or None
            ``None`` for a kind that holds no record.
        """
        return None

    def without_interference(self, interference: Interference) -> Observation:
        """Take hum and drift out of the observation.

        Parameters
        ----------
        interference : Interference
            What to take out.

        Returns
        -------
        Observation
            Itself where there is nothing to take out.
        """
        return self

    def overlay(self, prediction: Prediction, band_hz: tuple[float, float]) -> Overlay | None:
        """Lay output and stimulus over each other.

        Parameters
        ----------
        prediction : Prediction
            The fit.
        band_hz : tuple of float
            The band judged [Hz].

        Returns
        -------
        Overlay or None
            ``None`` for a kind that holds no stimulus.
        """
        return None

    def corrected(self, prediction: Prediction, *, folded: bool) -> Observation | None:
        """Correct the observation for what its reduction passes over, as a fit predicts it.

        Parameters
        ----------
        prediction : Prediction
            The fit.
        folded : bool
            Whether what lies beyond half the sampling rate is folded into the record.

        Returns
        -------
        Observation or None
            ``None`` for a kind that passes nothing over.
        """
        return None

    def residual_power(self, residual: Floats) -> float:
        """Compute the sum of squares of what a corrected reduction leaves [V^2].

        Parameters
        ----------
        residual : numpy.ndarray of float, shape (rows,)
            Whitened residuals.

        Returns
        -------
        float
            0 for a kind that has no `corrected`.
        """
        return 0.0

    def with_estimated_noise(self, residual: Floats, used: float) -> Observation:
        """Set the noise that the residuals show.

        Parameters
        ----------
        residual : numpy.ndarray of float, shape (rows,)
            Whitened residuals.
        used : float
            Number of unknowns that these rows pay for.

        Returns
        -------
        Observation
            Itself where the noise is known.
        """
        return self

    def with_raised_noise(self, ratio: float) -> Observation:
        """Raise the noise of the observation to its residuals (a Birge ratio).

        Parameters
        ----------
        ratio : float
            Mean square residual, above 1.

        Returns
        -------
        Observation
            Itself where the noise is what the residuals show already.
        """
        return self
