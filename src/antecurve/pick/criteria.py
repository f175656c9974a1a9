"""What a pick goes by where the parts scatter: the builds, a limit they keep, or the worst case."""

from __future__ import annotations

import math
from dataclasses import dataclass

from antecurve.errors import InputError
from antecurve.job import Job
from antecurve.pick.shortlist import Contender

__all__ = [
    "Criterion",
    "OfBuilds",
    "OfWorstCase",
    "OfYield",
    "criterion_of",
    "percentile_interval_db",
]

_TWO_SIDED = 1.96  # standard deviations: an interval of 95 %


@dataclass(frozen=True, slots=True)
class OfBuilds:
    """The 95th percentile of the error over builds.

    Attributes
    ----------
    name : str
        As `antecurve.job.PickRequest.pick_by` has it.
    worst : bool
        Whether corners of the tolerances count, not builds.
    fraction : float
        Fraction of the builds that have no more than the objective.
    """

    name: str = "build"
    worst: bool = False
    fraction: float = 0.95

    def compared(self, contender: Contender, builds: int | None) -> tuple[float, float]:
        """Compute the percentile [dB].

        Parameters
        ----------
        contender : Contender
            A combination.
        builds : int or None
            How many builds; all that the job has by default.

        Returns
        -------
        tuple of float
            Smaller is better; the second decides between equal ones.
        """
        value = contender.percentile_db(self.fraction, builds=builds, fresh=False)
        return value, contender.centred_db

    def objective_db(self, contender: Contender) -> float:
        """Compute the percentile of the job's own builds.

        Parameters
        ----------
        contender : Contender
            A combination.

        Returns
        -------
        float
            The objective [dB].
        """
        return contender.p95_db()

    def resolution(self, contender: Contender) -> float:
        """Work out half of the percentile's interval as a share of it.

        Parameters
        ----------
        contender : Contender
            A combination.

        Returns
        -------
        float
            A share of the objective.
        """
        return _resolution(contender, self.fraction)


@dataclass(frozen=True, slots=True)
class OfYield:
    """The share of the builds that keep the error limit.

    Attributes
    ----------
    limit_db : float
        The limit [dB].
    fraction : float
        Fraction of the builds that have no more than the objective.
    name : str
        As `antecurve.job.PickRequest.pick_by` has it.
    worst : bool
        Whether corners of the tolerances count, not builds.
    """

    limit_db: float
    fraction: float
    name: str = "yield"
    worst: bool = False

    def compared(self, contender: Contender, builds: int | None) -> tuple[float, float]:
        """Compute the share that misses the limit, then the percentile.

        Parameters
        ----------
        contender : Contender
            A combination.
        builds : int or None
            How many builds; all that the job has by default.

        Returns
        -------
        tuple of float
            Smaller is better; the second decides between equal ones.
        """
        share = contender.share_within(self.limit_db, builds=builds, fresh=False)
        return 1.0 - share, contender.percentile_db(0.95, builds=builds, fresh=False)

    def objective_db(self, contender: Contender) -> float:
        """Compute the error that as many builds keep as the pick's keep the limit, or the limit.

        Parameters
        ----------
        contender : Contender
            A combination.

        Returns
        -------
        float
            The objective [dB].
        """
        return max(self.limit_db, contender.percentile_db(self.fraction))

    def resolution(self, contender: Contender) -> float:
        """Work out half of the percentile's interval as a share of it.

        Parameters
        ----------
        contender : Contender
            A combination.

        Returns
        -------
        float
            A share of the objective.
        """
        return _resolution(contender, self.fraction)


@dataclass(frozen=True, slots=True)
class OfWorstCase:
    """The largest error with every part at an end of its tolerance.

    Attributes
    ----------
    name : str
        As `antecurve.job.PickRequest.pick_by` has it.
    worst : bool
        Whether corners of the tolerances count, not builds.
    fraction : float
        Fraction of the corners that have no more than the objective.
    """

    name: str = "worst"
    worst: bool = True
    fraction: float = 1.0

    def compared(self, contender: Contender, builds: int | None) -> tuple[float, float]:
        """Compute the largest error over the corners [dB].

        Parameters
        ----------
        contender : Contender
            A combination.
        builds : int or None
            How many builds; all that the job has by default.

        Returns
        -------
        tuple of float
            Smaller is better; the second decides between equal ones.
        """
        return contender.worst_corner_db(), contender.centred_db

    def objective_db(self, contender: Contender) -> float:
        """Compute the largest error over the corners.

        Parameters
        ----------
        contender : Contender
            A combination.

        Returns
        -------
        float
            The objective [dB].
        """
        return contender.worst_corner_db()

    def resolution(self, contender: Contender) -> float:
        """Work out what rounding may add.

        Parameters
        ----------
        contender : Contender
            A combination.

        Returns
        -------
        float
            A share of the objective.
        """
        return 1e-5  # of the objective, as `antecurve.pick.objective.resolution`


Criterion = OfBuilds | OfYield | OfWorstCase
"""What combinations are compared by.

`compared` measures by draws that only serve this (least is best), `objective_db` by draws that a
combination was not chosen by, and `resolution` is the share of it that chance may add or take.
`fraction` of the builds have no more than the objective; where `worst`, corners count, not builds.
"""


def _resolution(contender: Contender, fraction: float) -> float:
    low, high = percentile_interval_db(contender, fraction)
    middle = contender.percentile_db(fraction)
    return (high - low) / 2.0 / middle if middle > 0.0 else 0.0


def percentile_interval_db(contender: Contender, fraction: float) -> tuple[float, float]:
    """Compute the interval that holds a percentile of the population with 95 % confidence.

    Parameters
    ----------
    contender : Contender
        A combination.
    fraction : float
        Fraction of the builds that the percentile is not below.

    Returns
    -------
    tuple of float
        Its ends [dB]: the order statistics whose ranks are 1.96 standard deviations of the
        binomial distribution from the percentile's (David and Nagaraja, Order Statistics, 2003,
        section 7.1).
    """
    builds = contender.space.model.job.spread.builds
    apart = _TWO_SIDED * math.sqrt(fraction * (1.0 - fraction) / builds)
    low, high = max(fraction - apart, 0.5 / builds), min(fraction + apart, 1.0)
    return contender.percentile_db(low), contender.percentile_db(high)


def criterion_of(job: Job) -> Criterion:
    """Choose what the combinations of a job are compared by.

    Parameters
    ----------
    job : Job
        A job that does not pick by the nominal error.

    Returns
    -------
    Criterion
        Its criterion; that of a yield still without its fraction.

    Raises
    ------
    InputError
        When the yield is asked for without a limit.
    """
    if job.pick.pick_by == "worst":
        return OfWorstCase()
    if job.pick.pick_by == "build":
        return OfBuilds()
    if job.target.error_limit_db is None:
        raise InputError(
            "pick.pick_by", "yield", "state the limit that builds must keep, target.error_limit_db"
        )
    return OfYield(job.target.error_limit_db, math.nan)
