"""The fit of a unit in stages, each tried only while the one before does not describe the captures.

Strong hum is removed, then comes a first fit.  Hum and drift that stand out of its residuals are
removed before the next one.  Captures that are still not described may be of more than one unit.

Whether captures given as those of one unit can be of one unit.

Each by itself is fitted by the same family as all together.  Where each is described to within
little more than its noise, and together they are not, no one linear unit in one state gave them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from antecurve.curves.model import Curve
from antecurve.judge.fit import Fit, fit_observations, residual_power, with_compared_shapes
from antecurve.judge.hum import interferences
from antecurve.judge.interference import NOTHING_ELSE
from antecurve.judge.observation import Observation
from antecurve.judge.problem import Bench
from antecurve.judge.residuals import is_nonlinear
from antecurve.judge.solve import solve_from, with_own_start
from antecurve.judge.unit_model import UnitModel, unit_model

__all__ = ["STAGES", "FitTask", "Stage", "StagedFit", "different_units", "fit_in_stages"]

_DESCRIBED = 1.5  # mean square; noise in 100 residuals reaches it once in 1,100 records


@dataclass(frozen=True, slots=True, eq=False)
class FitTask:
    """What is fitted.

    Attributes
    ----------
    curve : Curve
        The emphasis curve.
    bench : Bench
        What is given beside the unit.
    undo_ultrasonic : bool
        Whether the unit undoes the curve's ultrasonic poles.
    level_only : bool
        Whether no capture shows a phase.
    band_hz : tuple of float
        The band judged [Hz].
    mains_hz : float or None
        Mains frequency where it is known [Hz].
    begin : callable or None
        Called with the name of each stage as it begins.
    """

    curve: Curve
    bench: Bench
    undo_ultrasonic: bool
    level_only: bool
    band_hz: tuple[float, float]
    mains_hz: float | None = None
    begin: Callable[[str], None] | None = None

    def begins(self, stage: str) -> None:
        """Say which stage begins.

        Parameters
        ----------
        stage : str
            Its name.
        """
        if self.begin is not None:
            self.begin(stage)

    @property
    def model(self) -> UnitModel:
        """The constants of the unit."""
        return unit_model(
            self.curve, undo_ultrasonic=self.undo_ultrasonic, level_only=self.level_only
        )

    def fit(self, observations: Sequence[Observation], near: Fit | None = None) -> Fit:
        """Fit the widest shape of a unit.

        Parameters
        ----------
        observations : sequence of Observation
            The captures.
        near : Fit, optional
            A fit of the same captures to start from.

        Returns
        -------
        Fit
            The widest shape.
        """
        return fit_observations(observations, model=self.model, bench=self.bench, near=near)


@dataclass(frozen=True, slots=True, eq=False)
class StagedFit:
    """How far the stages have come.

    Attributes
    ----------
    observations : tuple of Observation
        The captures reduced, before any fit; shared by all fits.
    fit : Fit
        The fit so far.
    contradiction : str
        Why the captures can't be of one unit; empty while they may be.
    """

    observations: tuple[Observation, ...]
    fit: Fit
    contradiction: str = ""

    @property
    def described(self) -> bool:
        """Whether noise explains the residuals of every capture."""
        return max(self.fit.excess) <= _DESCRIBED


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage.

    Attributes
    ----------
    run : callable
        Takes the task and the fit so far, returns the fit after it.
    always : bool
        Whether it is tried even where the fit describes the captures.
    """

    run: Callable[[FitTask, StagedFit], StagedFit]
    always: bool = False


def _strong_interference_removed(
    task: FitTask, observations: tuple[Observation, ...]
) -> tuple[Observation, ...]:
    """Observations fit for a first fit: strong hum would bend it and draw the frequency aside."""
    remainders = [o.remainder() for o in observations]
    beside = interferences(remainders, mains_hz=task.mains_hz)
    if all(i is NOTHING_ELSE for i in beside):
        return observations
    return tuple(o.without_interference(i) for o, i in zip(observations, beside, strict=True))


def _remove_interference(task: FitTask, staged: StagedFit) -> StagedFit:
    task.begins("hum and drift")
    fit = staged.fit
    remainders = [o.remainder(fit.prediction(k)) for k, o in enumerate(fit.observations)]
    beside = interferences(remainders, mains_hz=task.mains_hz)
    if all(i is NOTHING_ELSE for i in (*beside, *(r.taken_out for r in remainders if r))):
        return staged
    observations = tuple(
        o.without_interference(i) for o, i in zip(fit.observations, beside, strict=True)
    )
    again = task.fit(observations, fit)
    if residual_power(again.solution) > residual_power(fit.solution):
        # Edges within one sample leave the frequency open, and a fit may wander off.
        return staged
    return StagedFit(observations, again)


def _check_one_unit(task: FitTask, staged: StagedFit) -> StagedFit:
    task.begins("each capture by itself")

    each: list[Fit] = []

    def alone(observation: Observation) -> Fit:
        each.append(task.fit([observation]))
        return each[-1]

    sentence = different_units(staged.observations, staged.fit, alone, enough=_DESCRIBED)
    if not sentence:
        return staged
    again = min((_from_one(task, staged, one) for one in each), key=lambda s: max(s.fit.excess))
    if max(again.fit.excess) <= _TOGETHER:
        return again
    contradicts = not is_nonlinear(staged.fit, task.band_hz)
    return replace(staged, contradiction=sentence if contradicts else "")


def _from_one(task: FitTask, staged: StagedFit, one: Fit) -> StagedFit:
    """All captures fitted from the unit that one of them shows: a fit may miss its least."""
    solution = staged.fit.solution
    count = solution.problem.unit_count
    unknowns = np.zeros(solution.problem.size)
    unknowns[:count] = one.solution.units
    started = with_own_start(solution.problem, unknowns)
    solution = solve_from(solution.problem, started, free=solution.free[:count])
    (family,) = staged.fit.families
    near = replace(staged.fit, families=(replace(family, solution=solution),))
    return replace(staged, fit=task.fit(staged.fit.observations, near))


STAGES = (
    Stage(_remove_interference, always=True),
    Stage(_check_one_unit),
)
"""The stages after the plain fit, in order."""


def fit_in_stages(
    observations: Sequence[Observation], task: FitTask, *, stages: Sequence[Stage] = STAGES
) -> StagedFit:
    """Fit a unit, stage by stage, until its captures are described or contradict each other.

    Parameters
    ----------
    observations : sequence of Observation
        The captures reduced.
    task : FitTask
        What is fitted.
    stages : sequence of Stage, optional
        The stages after the plain fit; none for captures that can't tell anything.

    Returns
    -------
    StagedFit
        The shapes compared.
    """
    reduced = tuple(observations)
    if stages:
        reduced = _strong_interference_removed(task, reduced)
    task.begins("first fit")
    staged = StagedFit(reduced, task.fit(reduced))
    for stage in stages:
        if stage.always or not staged.described:
            staged = stage.run(task, staged)
        if staged.contradiction:
            return staged
    if not stages:
        return staged
    task.begins("comparing shapes of the unit")
    return replace(staged, fit=with_compared_shapes(staged.fit))


_TOGETHER = 3.0  # mean square: beyond doubt more than noise
_TIMES = 2.0  # of the mean square: each by itself is clearly better described
_UNLIKE_DB = 2.0  # of usual distortion a fifth or more changes


def different_units(
    observations: Sequence[Observation],
    together: Fit,
    alone: Callable[[Observation], Fit],
    *,
    enough: float,
) -> str:
    """Say when captures do not fit one unit.

    Parameters
    ----------
    observations : sequence of Observation
        The captures.
    together : Fit
        The joint fit.
    alone : callable
        Fits one capture by itself.
    enough : float
        Mean square of whitened residuals up to which a fit describes a capture.

    Returns
    -------
    str
        A sentence; empty when they may be of one unit.
    """
    worst = max(together.excess)
    if len(observations) < 2 or worst <= _TOGETHER:
        return ""
    most = 0.0
    for observation in observations:
        most = max(most, *alone(observation).excess)
        if most > min(enough, worst / _TIMES):
            return ""
    names = " and ".join(o.name for o in observations)
    text = (
        f"the captures do not fit one unit in one state. Together {names} leave "
        f"{worst**0.5:.1f} times the noise, each by itself {most**0.5:.1f} times at most. Either "
        "the unit was changed in between, or one unit has a shape that the model lacks. Capture "
        "again without touching it. If they still disagree, capture a sweep of the band: its "
        "levels count whatever the shape"
    )
    level = _level_between(together)
    if level < _UNLIKE_DB:
        return text
    return (
        f"{text}. Their levels are {level:.0f} dB apart: a unit that compresses, clips or has a "
        "dead zone differs so too. Capture all at one level, and one frequency at two levels"
    )


def _level_between(fit: Fit) -> float:
    """Level of the loudest square wave over the quietest, as the unit was driven [dB]."""
    gains = [
        o.gain(fit.prediction(k).nuisance)
        for k, o in enumerate(fit.observations)
        if o.edges_apart_s > 0.0
    ]
    return 20.0 * math.log10(max(gains) / min(gains)) if gains else 0.0
