"""Two faults at once, tried where one does not explain the captures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from antecurve.diagnose.hypotheses import FaultKind, Hypothesis
from antecurve.diagnose.ranking import FittedHypothesis, Ranker

__all__ = ["double_faults"]

_BEGUN = 12  # most probable single faults that a second one is added to


def double_faults(
    ranker: Ranker, singles: Sequence[FittedHypothesis], prior: float
) -> list[FittedHypothesis]:
    """Weigh pairs of faults: one that explains most, and a wrong value of another part.

    Parameters
    ----------
    ranker : Ranker
        Circuit and captures.
    singles : sequence of FittedHypothesis
        Single faults with their evidence.
    prior : float
        Probability of two faults before any capture.

    Returns
    -------
    list of FittedHypothesis
        With their evidence.
    """
    alone = [f for f in singles if f.hypothesis is not None and math.isfinite(f.log_evidence)]
    alone.sort(key=lambda f: -f.log_evidence)
    # One change each: a pair of parts exchanged and a third one off are three.
    first = [f for f in alone if f.hypothesis and len(f.hypothesis.refs) == 1][:_BEGUN]
    values = [
        f.hypothesis for f in singles if f.hypothesis and f.hypothesis.kind is FaultKind.VALUE
    ]
    pairs: dict[tuple[object, ...], Hypothesis] = {}
    for fit in first:
        one = fit.hypothesis
        assert one is not None
        for other in values:
            if other.refs == one.refs:
                continue
            begun = tuple(replace(f, usual=v) for f, v in zip(one.free, fit.values, strict=True))
            key = (one.kind, one.fixed, frozenset((*one.refs, *other.refs)))
            pairs[key] = replace(
                one,
                refs=tuple(sorted((*one.refs, *other.refs))),
                free=(*other.free, *begun),
            )
    if not pairs:
        return []
    share = math.log(prior / len(pairs))
    fits = ranker.fitted([replace(h, log_prior=share) for h in pairs.values()])
    return [f for f in fits if math.isfinite(f.log_evidence)]
