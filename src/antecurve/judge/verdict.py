"""The verdict on a unit as data, and its record for files."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.conformity import BandDecision, Decision
from antecurve.judge.deviation import Deviation
from antecurve.judge.figure_limits import FigureDecision
from antecurve.judge.further_capture import OpenQuestion
from antecurve.judge.observation import Trace
from antecurve.judge.overlay import Overlay
from antecurve.judge.unit_figure import UnitFigure
from antecurve.results import Result

__all__ = ["FittedValue", "Verdict"]
Floats = NDArray[np.float64]

_ANY_CORRELATION = (
    "Intervals allow for any correlation between the readings of the parts' meter, and so are up "
    "to a third wider"
)


@dataclass(frozen=True, slots=True)
class FittedValue(Result):
    """A constant of the unit as fitted.

    Attributes
    ----------
    name : str
        ``bass_shelf_s``, ``turnover_s``, ``treble_s``, ``low_corner_hz``, ``high_corner_hz``.
    nominal : float or None
        Nominal value [s or Hz]; ``None`` where there is none.
    value, low, high : float
        Best value and 95 % interval [s or Hz]; a high corner that is not seen is infinite.
    unit : str
        ``s`` or ``Hz``.
    """

    name: str
    nominal: float | None
    value: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True, eq=False)
class Verdict(Result):
    """The verdict on a unit.

    Attributes
    ----------
    decision : Decision
        Pass, fail or undecided; the worst of `bands` and `figure_decisions`, and undecided in
        place of a pass where a record shows what no sound unit does.
    bands : tuple of BandDecision
        One per limit.
    ruling : BandDecision
        The one that decided.
    band_hz : tuple of float
        The whole band judged [Hz].
    playback : str
        ``published`` or ``inverse``: what counts as ideal playback.
    deviation : Deviation
        Deviation and expanded uncertainty over frequency.
    fitted : tuple of FittedValue
        The constants; none where the captures can't tell them: a record at its limits, captures
        of more than one unit, and then the expanded uncertainty is infinite; or a unit that is not
        linear.
    low_end : str
        Shape of the low corner reported.
    findings : tuple of str
        What was found, in words, the gravest first.
    faults : tuple of str
        Names of constants that are surely off by more than the limit, the gravest first; ahead
        of them the one constant or part that explains all.
    gain : tuple of float
        Per capture, network taken off: fitted gain from EMF peak 1 V [V] for a waveform,
        otherwise level at 1 kHz [dB].
    traces : tuple of Trace
        Captures beside the fit.
    overlay : Overlay or None
        Output and stimulus laid over each other, where a capture holds both.
    figures : tuple of UnitFigure
        What two-channel records tell beside the response.
    figure_decisions : tuple of FigureDecision
        The decision on each limit of a figure; the worst counts in `decision` as well.
    question : OpenQuestion or None
        Of an undecided response what is uncertain, and what would decide it.
    unit_curve : str
        Name of the curve that the unit was judged by.
    levels : str
        At which levels the captures show the unit, and which compression they leave unseen.
    edges : str
        Of a pass, which dead zone the edges captured leave unseen; empty where they show it.
    gap : str
        Of a pass, which peak the widest gap between harmonics leaves unseen; empty without one.
    parts_read : bool
        Whether constants rest on parts of the network that one meter read.
    unlike_any_db : float
        Farthest that the response is from every shape of the model [dB]; 0 where none is told,
        infinite where none comes near, or only beside parts that hardly a network has.
    """

    FORMAT: ClassVar = "antecurve-verdict-1"
    _keys: ClassVar = (
        "format:FORMAT",
        "verdict:decision",
        "limit_db:ruling.band.limit_db",
        "band_hz",
        "playback",
        "unit_curve",
        "deviation_db",
        "expanded_uncertainty_db",
        "frequency_hz:ruling.frequency_hz",
        "fitted",
        "gain_db_at_1khz",
        "polarity:overlay.polarity",
        "overlay",
        "figures",
        "figure_decisions",
        "question",
        "low_end",
        "findings",
        "notes",
        "faults",
        "bands",
        "deviation:deviation.rows",
    )

    decision: Decision
    bands: tuple[BandDecision, ...]
    ruling: BandDecision
    band_hz: tuple[float, float]
    playback: str
    deviation: Deviation
    fitted: tuple[FittedValue, ...]
    low_end: str
    findings: tuple[str, ...]
    faults: tuple[str, ...]
    gain: tuple[float, ...]
    traces: tuple[Trace, ...]
    overlay: Overlay | None = None
    figures: tuple[UnitFigure, ...] = ()
    figure_decisions: tuple[FigureDecision, ...] = ()
    question: OpenQuestion | None = None
    unit_curve: str = ""
    levels: str = ""
    edges: str = ""
    gap: str = ""
    parts_read: bool = False
    unlike_any_db: float = 0.0

    @property
    def is_result(self) -> bool:
        """Whether the captures tell anything: not clipped, and of one unit in one state."""
        return math.isfinite(self.expanded_uncertainty_db)

    @property
    def notes(self) -> tuple[str, ...]:
        """What captures leave open and intervals allow for, in words; no finding about the unit."""
        open_level = self.decision is not Decision.FAIL and self.overlay is None
        level, parts = (
            self.levels if open_level else "",
            _ANY_CORRELATION if self.parts_read else "",
        )
        return tuple(filter(None, (level, self.edges, self.gap, parts)))

    @property
    def deviation_db(self) -> float:
        """The deviation that decided, signed [dB]."""
        return self.ruling.deviation_db

    @property
    def expanded_uncertainty_db(self) -> float:
        """Its expanded uncertainty, 95 % [dB]."""
        return self.ruling.expanded_uncertainty_db

    @property
    def gain_db_at_1khz(self) -> float | None:
        """Level of the unit's gain at 1 kHz [dB], where a capture holds input and output."""
        return None if self.overlay is None else self.gain[0]

    def value(self, name: str) -> FittedValue:
        """Look up one fitted constant.

        Parameters
        ----------
        name : str
            Such as ``treble_s``.

        Returns
        -------
        FittedValue
            The constant.

        Raises
        ------
        KeyError
            When the unit has no such constant.
        """
        for entry in self.fitted:
            if entry.name == name:
                return entry
        raise KeyError(name)
