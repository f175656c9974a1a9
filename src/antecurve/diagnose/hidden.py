"""What may be off in a unit without showing at its output, level apart."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from antecurve.diagnose.hypotheses import FaultKind, Hypothesis
from antecurve.diagnose.ranking import Ranker
from antecurve.diagnose.telling_apart import ODDS, ideal_information, meter_text
from antecurve.parts.position import Position
from antecurve.results import Result

__all__ = ["HiddenRange", "hidden_ranges"]

_FACTORS = 1.1 ** np.arange(1, 26)  # steps of a tenth, to ten times: a builder asks no closer
_LEAST = 3.0  # times its tolerance: a part off by less is as good as within it
_WORTH = 0.15  # of its value: less is nothing to unsolder a part for


@dataclass(frozen=True, slots=True)
class HiddenRange(Result):
    """How far a part may be off while good parts about it make up for it.

    Attributes
    ----------
    ref : str
        The part.
    unit : str
        Unit of its value, as in `format_quantity`.
    nominal : float
        Nominal value in that unit.
    low, high : float or None
        Ends of the range; ``None`` where ten times off does not show either.
    how_to_tell : str
        The measurement that would tell.
    """

    ref: str
    unit: str
    nominal: float
    low: float | None
    high: float | None
    how_to_tell: str


def hidden_ranges(ranker: Ranker) -> tuple[HiddenRange, ...]:
    """Find which parts may be off without a capture at the output telling it.

    Each part is put off step by step, and a good unit's response is fitted with the other parts
    within their tolerances; a step shows when an ideal capture speaks ten to one against it.

    Parameters
    ----------
    ranker : Ranker
        The circuit, solved about nominal parts.

    Returns
    -------
    tuple of HiddenRange
        Parts that may be off by more than three times their tolerance and by 15 %, the widest
        range first.
    """
    frequency = ranker.information.frequency_hz
    about = np.log(ranker.solved.response)
    ideal = replace(ranker, information=ideal_information(about, frequency))
    positions = ranker.solved.model.circuit.positions
    ranges = []
    for port, position in enumerate(positions):
        up, down = (
            _unseen(ideal, [_put(port, position, factor**sign) for factor in _FACTORS])
            for sign in (1.0, -1.0)
        )
        reach = max(_LEAST * position.tolerance, _WORTH)
        widest = max(up, down)
        if widest < 1.0 + reach:
            continue
        wrong = position.value * up if up >= down else position.value / down
        ranges.append(
            (
                up * down,
                HiddenRange(
                    position.element.ref,
                    position.element.kind.unit,
                    position.value,
                    None if down == _FACTORS[-1] else position.value / down,
                    None if up == _FACTORS[-1] else position.value * up,
                    meter_text(ranker.solved.model, position.element.ref, wrong),
                ),
            )
        )
    return tuple(r for _, r in sorted(ranges, key=lambda item: -item[0]))


def _put(port: int, position: Position, factor: float) -> Hypothesis:
    """A part of another value, scattering as before."""
    return Hypothesis(FaultKind.VALUE, (position.element.ref,), ((port, position.value * factor),))


def _unseen(ideal: Ranker, steps: list[Hypothesis]) -> float:
    """The largest factor up to which nothing shows, 1 where the first step does."""
    number = 0
    for fit in ideal.fitted(steps):
        # To first order first: good parts of a fifth may make up for more.
        if fit.chi_square >= ODDS and ideal.polished(fit).chi_square >= ODDS:
            break
        number += 1
    return float(_FACTORS[number - 1]) if number else 1.0
