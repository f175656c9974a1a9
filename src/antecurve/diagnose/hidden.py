"""What may be off in a unit without showing at its output, level apart."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from antecurve.diagnose.hypotheses import FaultKind, Hypothesis, coupling_capacitors
from antecurve.diagnose.ranking import Ranker
from antecurve.diagnose.telling_apart import (
    ODDS,
    ideal_information,
    insulation_text,
    meter_text,
)
from antecurve.parts.position import Position
from antecurve.results import Result

__all__ = ["HiddenRange", "hidden_ranges"]

_FACTORS = 1.1 ** np.arange(1, 26)  # steps of a tenth, to ten times: a builder asks no closer
_LEAKS_OHM = np.geomspace(3e6, 3e3, 7)  # from what upsets a grid to what is nearly a short
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
    nominal : float or None
        Nominal value in that unit; ``None`` for a leak, of which a good part has none.
    low, high : float or None
        Ends of the range; ``None`` where ten times off does not show either.  Of a leak, the
        least resistance that does not show.
    how_to_tell : str
        The measurement that would tell.
    """

    ref: str
    unit: str
    nominal: float | None
    low: float | None
    high: float | None
    how_to_tell: str

    @property
    def leaks(self) -> bool:
        """Whether it is about a leak across a capacitor."""
        return self.nominal is None


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
        range first, then coupling capacitors that may leak.
    """
    frequency = ranker.information.frequency_hz
    about = np.log(ranker.solved.response)
    ideal = replace(ranker, information=ideal_information(about, frequency))
    model = ranker.solved.model
    ranges = []
    for port, position in enumerate(model.circuit.positions):
        up, down = (
            _unseen(ideal, [_put(port, position, factor**sign) for factor in _FACTORS])
            for sign in (1.0, -1.0)
        )
        reach = max(_LEAST * position.tolerance, _WORTH)
        widest = max(up, down)
        if widest < 1.0 + reach:
            continue
        ranges.append(
            (
                up * down,
                HiddenRange(
                    position.element.ref,
                    position.element.kind.unit,
                    position.value,
                    None if down == _FACTORS[-1] else position.value / down,
                    None if up == _FACTORS[-1] else position.value * up,
                    meter_text(model, position.element.ref),
                ),
            )
        )
    values = [r for _, r in sorted(ranges, key=lambda item: -item[0])]
    return (*values, *_leaks(ideal))


def _leaks(ideal: Ranker) -> list[HiddenRange]:
    """Leaks of coupling capacitors that do not show."""
    model = ideal.solved.model
    leaks = []
    for ref in coupling_capacitors(model):
        port = model.index(ref, "leakage")
        steps = [Hypothesis(FaultKind.LEAKY, (ref,), ((port, float(r)),)) for r in _LEAKS_OHM]
        if number := _count_unseen(ideal, steps):
            low = float(_LEAKS_OHM[number - 1])
            leaks.append(HiddenRange(ref, "ohm", None, low, None, insulation_text(model, ref)))
    return leaks


def _put(port: int, position: Position, factor: float) -> Hypothesis:
    """A part of another value, scattering as before."""
    return Hypothesis(FaultKind.VALUE, (position.element.ref,), ((port, position.value * factor),))


def _unseen(ideal: Ranker, steps: list[Hypothesis]) -> float:
    """The largest factor up to which nothing shows, 1 where the first step does."""
    number = _count_unseen(ideal, steps)
    return float(_FACTORS[number - 1]) if number else 1.0


def _count_unseen(ideal: Ranker, steps: list[Hypothesis]) -> int:
    """How many steps of a growing fault do not show."""
    number = 0
    for fit in ideal.fitted(steps):
        # To first order first: good parts of a fifth may make up for more.
        if fit.chi_square >= ODDS and ideal.polished(fit).chi_square >= ODDS:
            break
        number += 1
    return number
