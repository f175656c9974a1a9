"""What a pick returns: the network, what the search examined and proved, and alternatives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from antecurve.parts.position import PickedNetwork
from antecurve.results import Result

__all__ = ["FormOutcome", "PickProgress", "PickResult", "SearchReport", "ShortlistEntry"]


@dataclass(frozen=True, slots=True)
class PickProgress:
    """How far a search is.

    Attributes
    ----------
    form : str
        Form being searched.
    best_db : float or None
        Smallest objective found so far [dB].
    lower_bound_db : float
        What no combination can be below [dB], as far as proved.
    evaluated : int
        Combinations evaluated one by one.
    open_boxes : int
        Boxes of combinations still to be examined.
    seconds : float
        Time since the start [s].
    most_seconds : float or None
        Time until the search ends with what it has [s]; ``None`` without a limit.
    """

    form: str
    best_db: float | None
    lower_bound_db: float
    evaluated: int
    open_boxes: int
    seconds: float
    most_seconds: float | None = None


@dataclass(frozen=True, slots=True)
class SearchReport(Result):
    """What a search examined and what it proves.

    Attributes
    ----------
    objective_db : float
        The objective of the pick [dB].
    proved : bool
        Whether no combination of the candidate space has a smaller objective (smaller by more
        than 1e-5 dB, where the objective is below that).
    lower_bound_db : float
        What no combination's objective is below [dB].
    combinations : float
        Size of the candidate space.
    evaluated : int
        Combinations that were evaluated one by one; the rest were excluded by bounds.
    seconds : float
        Duration [s].
    claim : str
        What exactly is proved, in a sentence.
    criterion : str
        What the job picks by, as `antecurve.job.PickRequest` has it.  The objective is the
        centred error where ``nominal``, its 95th percentile where ``build``, the error that as
        many builds keep as keep the limit where ``yield``, the ``worst`` case at the corners.
    interval_db : tuple of float or None
        What holds the percentile of all builds with 95 % confidence [dB]; ``None`` where none
        are drawn.
    ties : int
        Finalists that chance does not tell from the pick.
    """

    objective_db: float
    proved: bool
    lower_bound_db: float
    combinations: float
    evaluated: int
    seconds: float
    claim: str = ""
    criterion: str = "nominal"
    interval_db: tuple[float, float] | None = None
    ties: int = 0

    _keys: ClassVar = (
        "objective_db",
        "proved",
        "lower_bound_db",
        "combinations",
        "evaluated",
        "seconds",
        "claim",
        "criterion",
        "gap_db",
        "interval_db",
        "ties",
    )

    @property
    def gap_db(self) -> float:
        """How far the bound is below the objective [dB]."""
        return self.objective_db - self.lower_bound_db


@dataclass(frozen=True, slots=True)
class ShortlistEntry(Result):
    """One line of the shortlist.

    Attributes
    ----------
    picked : PickedNetwork
        The network.
    centred_db : float
        Nominal centred error [dB].
    spread_p95_db : float
        95th percentile of the centred error over the job's builds [dB], as its spread has it.
    parts : int
        Number of physical parts.
    output_resistance_ohm : float
        Magnitude of the output impedance at 1 kHz [ohm].
    trade : str
        What the line gains and gives up against the pick.
    """

    _keys: ClassVar = (
        "*:picked",
        "centred_db",
        "spread_p95_db",
        "parts",
        "output_resistance_ohm",
        "trade",
    )

    picked: PickedNetwork
    centred_db: float
    spread_p95_db: float
    parts: int
    output_resistance_ohm: float
    trade: str = ""


@dataclass(frozen=True, slots=True)
class FormOutcome(Result):
    """What one form of a job comes to.

    Attributes
    ----------
    form : str
        Name of the form; of forms that are one network all names, with commas between.
    centred_db : float or None
        Nominal centred error of its best network met [dB]; ``None`` where there is none.
    spread_p95_db : float or None
        95th percentile of the centred error over the job's builds [dB].
    parts : int or None
        Number of physical parts.
    output_resistance_ohm : float or None
        Magnitude of the output impedance at 1 kHz [ohm].
    reason : str
        Why there is none.
    objective_db : float or None
        What the job picks by: the error, or its 95th percentile over builds [dB].
    lower_bound_db : float or None
        What no combination of the form is below, as far as proved [dB].
    proved : bool
        Whether no combination of the form has a smaller objective.
    """

    form: str
    centred_db: float | None = None
    spread_p95_db: float | None = None
    parts: int | None = None
    output_resistance_ohm: float | None = None
    reason: str = ""
    objective_db: float | None = None
    lower_bound_db: float | None = None
    proved: bool = False


@dataclass(frozen=True, slots=True)
class PickResult(Result):
    """The outcome of a pick.

    Attributes
    ----------
    best : PickedNetwork
        The pick, with the exact value of each position at its own level and impedance.
    search : SearchReport
        What was examined and proved.
    shortlist : sequence of ShortlistEntry
        The pick and alternatives, none beaten by another in every respect; builds of them are
        simulated when it is first looked at.
    second : PickedNetwork or None
        The other network of a stereo pair.
    match_db : float or None
        Largest difference of the two networks' levels over the band, each re 1 kHz [dB].
    forms : sequence of FormOutcome
        The forms of the job side by side, worked out when first looked at.
    """

    best: PickedNetwork
    search: SearchReport
    shortlist: Sequence[ShortlistEntry] = ()
    second: PickedNetwork | None = None
    match_db: float | None = None
    forms: Sequence[FormOutcome] = ()
