"""Hypotheses weighed: evidence times prior, two faults where one does not explain."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.diagnose.hypotheses import PRIOR_GOOD, PRIOR_TWO, PRIOR_UNEXPLAINED, Hypothesis
from antecurve.diagnose.normal_mass import REACH
from antecurve.diagnose.ranking import FittedHypothesis, Ranker
from antecurve.diagnose.two_faults import double_faults

__all__ = ["Weighed", "is_double", "log_weight", "weigh"]

Complex = NDArray[np.complex128]

_POLISHED = 12  # faults that may come first once good parts are where they belong


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """All hypotheses with their evidence.

    Attributes
    ----------
    ranker : Ranker
        Circuit and captures.
    good : FittedHypothesis
        The unit without a fault.
    fits : tuple of FittedHypothesis
        The faults.
    log_unexplained : float
        ln of the evidence of responses of no fault, their prior counted.
    measured : numpy.ndarray of complex, shape (nodes,)
        ln U as the captures show it.
    """

    ranker: Ranker
    good: FittedHypothesis
    fits: tuple[FittedHypothesis, ...]
    log_unexplained: float
    measured: Complex

    @property
    def best(self) -> FittedHypothesis:
        """The most probable one, the good unit among them."""
        return max((self.good, *self.fits), key=log_weight)

    @property
    def best_single(self) -> FittedHypothesis:
        """The most probable one of at most one fault."""
        singles = [f for f in self.fits if not is_double(f)]
        return max((self.good, *singles), key=log_weight)

    @property
    def good_response(self) -> Complex:
        """ln U of the good unit next to the captures, no part of it beyond its tolerance."""
        ranker = self.ranker
        values = ranker.values_at(np.clip(self.good.parts, -REACH, REACH))
        return np.asarray(np.log(ranker.solved.model.response(values, ranker.drive)))

    @property
    def explained(self) -> bool:
        """Whether it is more probable than none of these."""
        return log_weight(self.best) > self.log_unexplained


def is_double(fit: FittedHypothesis) -> bool:
    """Tell whether a hypothesis is of two faults.

    Parameters
    ----------
    fit : FittedHypothesis
        A hypothesis.

    Returns
    -------
    bool
        Parts exchanged are one fault.
    """
    hypothesis = fit.hypothesis
    return hypothesis is not None and len(hypothesis.refs) > 1 and bool(hypothesis.free)


def log_weight(fit: FittedHypothesis) -> float:
    """Compute ln of evidence times prior.

    Parameters
    ----------
    fit : FittedHypothesis
        A hypothesis.

    Returns
    -------
    float
        Up to a constant that all share.
    """
    prior = math.log(PRIOR_GOOD) if fit.hypothesis is None else fit.hypothesis.log_prior
    return fit.log_evidence + prior


def weigh(ranker: Ranker, faults: Sequence[Hypothesis]) -> Weighed:
    """Weigh faults by the captures; two at once where one does not explain them.

    Parameters
    ----------
    ranker : Ranker
        Circuit and captures.
    faults : sequence of Hypothesis
        Single faults.

    Returns
    -------
    Weighed
        All with their evidence.
    """
    shaped, measured = ranker.free_shape()
    # A smooth response, or failing that any at all: half of what is not explained each.
    evidence = float(np.logaddexp(shaped, ranker.free_response())) - math.log(2.0)
    fits = tuple(_polished(ranker, ranker.fitted(faults)))
    good = ranker.polished(ranker.good())
    weighed = Weighed(ranker, good, fits, evidence + math.log(PRIOR_UNEXPLAINED), measured)
    if weighed.explained:
        return weighed
    doubles = _polished(ranker, double_faults(ranker, fits, PRIOR_TWO))
    return replace(weighed, fits=(*fits, *doubles))


def _polished(ranker: Ranker, fits: list[FittedHypothesis]) -> list[FittedHypothesis]:
    """The most probable ones fitted again."""
    order = sorted(range(len(fits)), key=lambda k: -log_weight(fits[k]))
    return [ranker.polished(f) if k in order[:_POLISHED] else f for k, f in enumerate(fits)]
