"""Limits of a unit's figures and the decision on each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.judge.conformity import Decision
from antecurve.judge.unit_figure import FIGURE_NAMES, POLARITY_WORDS, UnitFigure
from antecurve.results import Result

__all__ = ["FigureDecision", "FigureLimit", "figure_decisions", "worst_decision"]

_NEEDS = {
    "gain": "a two-channel record",
    "polarity": "a two-channel record",
    "balance": "a capture of the other channel",
    "match": "a capture of the other channel",
    "crosstalk_1khz": "a record of an idle channel",
    "crosstalk_10khz": "a record of an idle channel",
    "hum": "a two-channel record with 0.2 s of silence",
    "noise": "a two-channel record with 0.2 s of silence",
    "noise_a_weighted": "a two-channel record with 0.2 s of silence",
    "distortion": "a record of a played sweep or of played sines",
    "overload_1khz": "a record of sines of 1 kHz at several levels",
    "overload_20khz": "a record of sines of 20 kHz at several levels",
}
"""What each figure is measured from."""
_OPEN = {
    "levels": "Record the generator on a second channel, or in volts and state the EMF with "
    "--full-scale",
    "inputs": "Give a record with the unit bypassed as --reference; or set both inputs alike and "
    "state their --full-scale",
}
"""What to do about a gain that holds the levels of an interface, by its scale."""
_GRAVITY = (Decision.FAIL, Decision.UNDECIDED, Decision.PASS)

_RULED = {
    Decision.FAIL: "beyond its limit:",
    Decision.UNDECIDED: "not surely within its limit:",
    Decision.PASS: "within its limit:",
}


@checked
@dataclass(frozen=True, slots=True)
class FigureLimit:
    """A limit of a figure.

    Attributes
    ----------
    name : str
        One of `FIGURE_NAMES`.
    least, most : float
        Smallest and largest value allowed, in decibels; of polarity 1 or -1.

    Raises
    ------
    InputError
        When the name is not known, or nothing lies between the limits.
    """

    name: str
    least: float = -math.inf
    most: float = math.inf

    def __post_init__(self) -> None:
        if self.name not in FIGURE_NAMES:
            raise InputError("limits", self.name, f"the figures are {', '.join(FIGURE_NAMES)}")
        if not self.least <= self.most:
            raise InputError(
                f"limits.{self.name}", [self.least, self.most], "the least is above the most"
            )


@dataclass(frozen=True, slots=True)
class FigureDecision(Result):
    """The decision on the limit of a figure.

    Attributes
    ----------
    limit : FigureLimit
        The limit.
    figure : UnitFigure or None
        The figure; ``None`` where no record tells it.
    decision : Decision
        Pass, fail or undecided.
    """

    _keys: ClassVar = (
        "name:limit.name",
        "least:limit.least",
        "most:limit.most",
        "verdict:decision",
        "text",
    )

    limit: FigureLimit
    figure: UnitFigure | None
    decision: Decision

    @property
    def is_open(self) -> bool:
        """Whether no record tells the figure, or its scale is not known."""
        return self.figure is None or self.figure.scale in _OPEN

    @property
    def text(self) -> str:
        """The decision in words: which figure, its value and its limit."""
        if self.figure is None:
            needed = _NEEDS[self.limit.name]
            name = FIGURE_NAMES[self.limit.name]
            return f"limited but not measured: {name}. It needs {needed}"
        if self.is_open:
            return f"limited but not judged: {self.figure.text}. {_OPEN[self.figure.scale]}"
        return f"{self.figure.text}; limit {self.limits_text}"

    @property
    def ruling(self) -> str:
        """A decision that is no pass, in words."""
        if self.figure is None or self.is_open:
            return self.text
        if self.figure.name == "polarity":
            turned = POLARITY_WORDS[self.figure.value > 0]
            return f"wrong polarity: the output is {turned}, its limit asks for {self.limits_text}"
        return f"{_RULED[self.decision]} {self.text}"

    @property
    def limits_text(self) -> str:
        """The limit in words."""
        least, most = self.limit.least, self.limit.most
        if self.limit.name == "polarity" and least == most:
            return POLARITY_WORDS[least > 0]
        if least == most:
            return f"{least:g} dB"
        bounds = [f"at least {least:g}"] if math.isfinite(least) else []
        bounds += [f"at most {most:g}"] if math.isfinite(most) else []
        return " and ".join(bounds) + " dB"


def figure_decisions(
    figures: Sequence[UnitFigure], limits: Sequence[FigureLimit]
) -> tuple[FigureDecision, ...]:
    """Decide on each limit, with a guard band as wide as the expanded uncertainty.

    Parameters
    ----------
    figures : sequence of UnitFigure
        Figures of a unit.
    limits : sequence of FigureLimit
        Their limits.

    Returns
    -------
    tuple of FigureDecision
        One a limit; undecided where the figure was not measured (JCGM 106:2012, 8.3.3), or holds
        levels of a sound interface that are not known.
    """
    measured = {f.name: f for f in figures}
    return tuple(
        FigureDecision(limit, measured.get(limit.name), _decision(measured.get(limit.name), limit))
        for limit in limits
    )


def _decision(figure: UnitFigure | None, limit: FigureLimit) -> Decision:
    if figure is None or figure.scale in _OPEN:
        return Decision.UNDECIDED
    reach = figure.expanded_uncertainty
    low = -math.inf if figure.bound == "at most" else figure.value - reach
    high = math.inf if figure.bound == "at least" else figure.value + reach
    if high < limit.least or low > limit.most:
        return Decision.FAIL
    return Decision.PASS if limit.least <= low and high <= limit.most else Decision.UNDECIDED


def worst_decision(decisions: Sequence[Decision]) -> Decision:
    """Choose the gravest of several decisions.

    Parameters
    ----------
    decisions : sequence of Decision
        At least one.

    Returns
    -------
    Decision
        A failure, else an open one, else a pass.
    """
    return min(decisions, key=_GRAVITY.index)
