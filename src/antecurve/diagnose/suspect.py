"""The result of a diagnosis as data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from antecurve.diagnose.explained import ExplainedLevel
from antecurve.diagnose.hidden import HiddenRange
from antecurve.diagnose.own_error import OwnError
from antecurve.diagnose.unit_circuit import UnitCircuit
from antecurve.results import Result

__all__ = ["Diagnosis", "Reading", "Suspect"]

_SURE = 0.5  # more probable than all else together


@dataclass(frozen=True, slots=True)
class Reading(Result):
    """A value of a part as a fault has it.

    Attributes
    ----------
    ref : str
        The part.
    unit : str
        Unit of the value, as in `format_quantity`.
    nominal : float or None
        Nominal value in that unit; ``None`` for a leak or a load, which a good unit has not.
    value : float
        Fitted value.
    """

    ref: str
    unit: str
    nominal: float | None
    value: float


@dataclass(frozen=True, slots=True)
class Suspect(Result):
    """What may be wrong with a unit.

    Attributes
    ----------
    refs : tuple of str
        The parts concerned; ``input`` and ``load`` for what is outside.
    fault : str
        The most probable fault of them, as in `FaultKind`; ``two faults`` for two at once.
    quantity : str
        Name of the value that is off, such as ``resistance``.
    unit : str
        Its unit, as in `format_quantity`.
    nominal, value : float or None
        Nominal and fitted value in that unit; ``None`` where there is none, as of an open part.
    low, high : float or None
        95 % interval of the value; ``None`` for one that the fault states.
    probability : float
        That these parts are at fault.
    misfit_db : float
        What it leaves of the level over the band, rms [dB].
    alike : tuple of tuple of str
        Suspects that no capture at the output can tell from it.
    how_to_tell : str
        The one measurement that would, in a sentence or two.
    or_else : tuple of str
        Other faults of the same parts, each a tenth of the probability or more.
    further_capture : str
        The capture that tells it from the most probable suspect which captures can tell from it;
        empty where there is no rival, or none by 0.3 dB.
    readings : tuple of Reading
        Of a fault of several parts, the value of each.
    """

    refs: tuple[str, ...]
    fault: str
    quantity: str
    unit: str
    nominal: float | None
    value: float | None
    low: float | None
    high: float | None
    probability: float
    misfit_db: float
    alike: tuple[tuple[str, ...], ...]
    how_to_tell: str
    or_else: tuple[str, ...] = ()
    further_capture: str = ""
    readings: tuple[Reading, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Diagnosis(Result):
    """What is wrong with a unit, by probability.

    Attributes
    ----------
    circuit : UnitCircuit
        The unit's circuit.
    own_error : OwnError
        Its error on paper.
    good_probability : float
        That every part is within its tolerance, or that what is off does not show at the output.
    unexplained_probability : float
        That none of the faults explains the captures.
    suspects : tuple of Suspect
        The most probable first.
    hypotheses : int
        Number of faults weighed.
    misfit_db : float
        What a good unit would leave of the level over the band, rms [dB].
    hidden : tuple of HiddenRange
        Parts that may be off without showing at the output.
    level : ExplainedLevel
        What was captured, and what the first suspect and a good unit make of it.
    limit_db : float
        Largest deviation allowed [dB].
    """

    FORMAT: ClassVar = "antecurve-diagnosis-1"
    _rows: ClassVar = "suspects"
    _keys: ClassVar = (
        "format:FORMAT",
        "title:circuit.title",
        "curve:circuit.curve.name",
        "own_error_db:own_error.centred_db",
        "own_spread_db:own_error.spread_db",
        "limit_db",
        "good_probability",
        "good_misfit_db:misfit_db",
        "unexplained_probability",
        "hypotheses",
        "priors",
        "suspects",
        "hidden",
    )

    circuit: UnitCircuit
    own_error: OwnError
    good_probability: float
    unexplained_probability: float
    suspects: tuple[Suspect, ...]
    hypotheses: int
    misfit_db: float
    hidden: tuple[HiddenRange, ...]
    level: ExplainedLevel
    limit_db: float

    @property
    def called_good(self) -> bool:
        """Whether a good unit is more probable than all else together."""
        return self.good_probability >= _SURE

    @property
    def priors(self) -> dict[str, float]:
        """Probabilities before any capture."""
        from antecurve.diagnose import hypotheses

        return {
            "good": hypotheses.PRIOR_GOOD,
            "one_fault": hypotheses.PRIOR_ONE,
            "two_faults": hypotheses.PRIOR_TWO,
            "unexplained": hypotheses.PRIOR_UNEXPLAINED,
        }
