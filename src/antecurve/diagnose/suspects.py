"""From weighed hypotheses to suspects: parts by probability, and what can't be told apart."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.diagnose.hypotheses import FaultKind
from antecurve.diagnose.nodal import NodalModel, ideal_drive
from antecurve.diagnose.normal_mass import log_mass
from antecurve.diagnose.ports import Quantity
from antecurve.diagnose.ranking import FittedHypothesis
from antecurve.diagnose.suspect import Reading, Suspect
from antecurve.diagnose.telling_apart import ODDS, distances, further_capture, how_to_tell
from antecurve.diagnose.weighing import Weighed, is_double, log_weight
from antecurve.quantities import DB_PER_NEPER

__all__ = ["suspects_of"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_LISTED = 8  # most suspects
_LEAST = 1e-3  # a probability below is not worth a line
_ELSE = 0.1  # of a suspect's probability: a fault or a rival with less is not worth a word
_TRIED = 4  # most probable faults of a suspect that may do what another does
_WITHOUT_VALUE = (FaultKind.OPEN, FaultKind.SHORT)  # what is left of such a part is no value
_SMALL = 1e-4  # of a value: nearer to nominal its distance is rounding
_COVERAGE = 1.96  # standard deviations of 95 %


@dataclass(slots=True)
class _Group:
    """The hypotheses about the same parts."""

    refs: tuple[str, ...]
    probability: float
    fits: list[tuple[float, FittedHypothesis]]

    @property
    def best(self) -> FittedHypothesis:
        return max(self.fits, key=lambda item: item[0])[1]

    @property
    def kinds(self) -> list[str]:
        """What may be wrong with them, but for what has less than a tenth of the probability."""
        shares: dict[str, float] = {}
        for share, fit in self.fits:
            assert fit.hypothesis is not None
            kind = fit.hypothesis.kind.value
            shares[kind] = shares.get(kind, 0.0) + share
        return [k for k, share in shares.items() if share >= _ELSE * self.probability > 0.0]


def suspects_of(
    weighed: Weighed, band_hz: tuple[float, float]
) -> tuple[float, float, tuple[Suspect, ...], int, float]:
    """Sum hypotheses up by the parts they concern.

    Parameters
    ----------
    weighed : Weighed
        Hypotheses with their evidence.
    band_hz : tuple of float
        The band in which a misfit counts [Hz].

    Returns
    -------
    tuple
        Probability of a good unit, of none of these, the suspects, how many hypotheses were
        weighed, and what a good unit would leave of the level [dB].
    """
    fits = [weighed.good, *weighed.fits]
    logs = np.array([log_weight(f) for f in fits] + [weighed.log_unexplained])
    shares = np.exp(logs - logs.max())
    shares /= shares.sum()
    unseen = _unseen(weighed, shares)
    faulty = shares[1:-1] * (1.0 - unseen)
    good = float(shares[0] + shares[1:-1] @ unseen)
    groups: dict[tuple[str, ...], _Group] = {}
    for share, fit in zip(faulty, weighed.fits, strict=True):
        assert fit.hypothesis is not None
        group = groups.setdefault(fit.hypothesis.refs, _Group(fit.hypothesis.refs, 0.0, []))
        group.probability += float(share)
        group.fits.append((float(share), fit))
    ranked = sorted(groups.values(), key=lambda g: -g.probability)
    listed = [g for k, g in enumerate(ranked[:_LISTED]) if g.probability > _LEAST or k == 0]
    twins = _twins(weighed, listed)
    suspects = tuple(
        _suspect(
            weighed,
            g,
            [listed[j] for j in np.flatnonzero(row)],
            [listed[j] for j in np.flatnonzero(~row) if listed[j] is not g],
            band_hz,
        )
        for g, row in zip(listed, twins, strict=True)
    )
    misfit = _misfit_db(weighed, weighed.good_response, band_hz)
    return good, float(shares[-1]), suspects, len(fits), misfit


def _unseen(weighed: Weighed, shares: Floats) -> Floats:
    """How much of each fault leaves the output as good parts can."""
    hidden = np.zeros(len(weighed.fits))
    if shares[0] > _LEAST:
        for k in np.flatnonzero(shares[1:-1] > _LEAST * shares[0]):
            fit = weighed.fits[k]
            distance = float(distances(weighed.ranker, fit, [weighed.good])[0])
            hidden[k] = _hidden_share(weighed.ranker.solved.model, fit, distance)
    return hidden


def _hidden_share(model: NodalModel, fit: FittedHypothesis, distance: float) -> float:
    """Probability that a value is so near its nominal one that it does not show.

    Chi-square of good parts grows as the square of ln of the value over the nominal one.
    """
    free = fit.hypothesis.free if fit.hypothesis else ()
    nominal = model.nominal[free[0].port] if len(free) == 1 else math.inf
    off = math.log(fit.values[0] / nominal) if 0.0 < abs(nominal) < math.inf else 0.0
    if abs(off) < _SMALL or distance <= 0.0:
        return float(distance < ODDS)
    reach = abs(off) * math.sqrt(ODDS / distance)
    ends = np.array([-reach - off, reach - off]) / max(fit.log_deviations[0], _SMALL)
    return float(np.exp(log_mass(ends[:1], ends[1:]))[0])


def _twins(weighed: Weighed, listed: list[_Group]) -> NDArray[np.bool_]:
    """Which of the suspects no capture can tell from which: one can do what the other does."""
    tried = [
        (number, fit)
        for number, group in enumerate(listed)
        for _, fit in sorted(group.fits, key=lambda item: -item[0])[:_TRIED]
    ]
    owner = np.array([number for number, _ in tried])
    same = np.zeros((len(listed), len(listed)), dtype=bool)
    for number, group in enumerate(listed):
        as_well = distances(weighed.ranker, group.best, [fit for _, fit in tried]) < ODDS
        same[number, owner[as_well]] = True
    return np.asarray((same | same.T) & ~np.eye(len(listed), dtype=bool))


def _misfit_db(weighed: Weighed, log_response: Complex, band_hz: tuple[float, float]) -> float:
    within = weighed.ranker.information.within(band_hz)
    level = DB_PER_NEPER * (log_response - weighed.measured).real[within]
    return float(np.std(level))


def _suspect(
    weighed: Weighed,
    group: _Group,
    twins: list[_Group],
    others: list[_Group],
    band_hz: tuple[float, float],
) -> Suspect:
    fit = group.best
    hypothesis = fit.hypothesis
    assert hypothesis is not None
    model = weighed.ranker.solved.model
    rival = twins[0].best if twins else None
    frequency = weighed.ranker.information.frequency_hz
    drive = ideal_drive(frequency[(frequency >= band_hz[0]) & (frequency <= band_hz[1])])
    single = len(hypothesis.refs) == 1
    changes = [*hypothesis.fixed]
    changes += [(f.port, v) for f, v in zip(hypothesis.free, fit.values, strict=True)]
    port, value = changes[0]
    quantity = model.quantities[port]
    low = high = None
    told = single and hypothesis.kind not in _WITHOUT_VALUE
    if hypothesis.free and told:
        spread = math.exp(_COVERAGE * fit.log_deviations[0])
        low, high = sorted((value / spread, value * spread))
    fault = hypothesis.kind.value
    if is_double(fit):
        fault = "two faults"
    return Suspect(
        refs=hypothesis.refs,
        fault=fault,
        quantity=quantity.name,
        unit=quantity.unit,
        nominal=_nominal(quantity) if single else None,
        value=value if told else None,
        low=low,
        high=high,
        probability=group.probability,
        misfit_db=_misfit_db(weighed, fit.log_response, band_hz),
        alike=tuple(g.refs for g in twins),
        how_to_tell=how_to_tell(model, fit, rival, drive),
        or_else=tuple(k for k in group.kinds if k != hypothesis.kind.value),
        further_capture=next(
            (
                further_capture(model, fit, g.best, drive)
                for g in others
                if g.probability > _ELSE * group.probability
            ),
            "",
        ),
        readings=() if single else tuple(_reading(model, *change) for change in changes),
    )


def _reading(model: NodalModel, port: int, value: float) -> Reading:
    quantity = model.quantities[port]
    return Reading(quantity.ref, quantity.unit, _nominal(quantity), value)


def _nominal(quantity: Quantity) -> float | None:
    """A nominal value worth a word: leaks, and loads that none is stated of, have none."""
    return quantity.nominal if 0.0 < abs(quantity.nominal) < math.inf else None
