"""Which quantity leaves a verdict open, and which further capture would decide it.

With I the information of the fit (the normal matrix of its whitened derivatives, priors included)
and g the derivatives of the deviation at the frequency that ruled, the deviation has the variance
g' I^-1 g.  A further capture adds its own information, gain and delay eliminated; the expanded
uncertainty falls as the standard deviation does.  Knowing one quantity exactly takes
(I^-1 g)_j^2/(I^-1)_jj off the variance: the quantity that takes most off is the one named.

The share of the network's parts stays when the captures' noise is gone.  Where it alone reaches
over the limit, and no further capture through the network decides, the parts leave it open.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import log_frequencies
from antecurve.judge.advice import LOW_SQUARE_HZ, clear_frequency
from antecurve.judge.conformity import BandDecision
from antecurve.judge.fit import Family
from antecurve.judge.harmonics import reduced_orders
from antecurve.judge.network_estimate import network_slopes
from antecurve.judge.periodic import USABLE_OF_RATE
from antecurve.judge.problem import FitProblem
from antecurve.judge.signal_path import probe_slopes
from antecurve.judge.variance_shares import (
    NETWORK,
    VarianceShare,
    deviation_slope,
    inverse_information,
    unknown_name,
    variance_shares,
)
from antecurve.quantities import DB_PER_NEPER, format_quantity
from antecurve.results import Result
from antecurve.texts import capitalised

__all__ = ["FurtherCapture", "OpenQuestion", "open_question"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_POINTS = 10_000  # of a capture: what oscilloscopes store
_PERIODS = 4.0  # of a square wave in a capture: two at least, and not many more
_SCOPE_NOISE = 0.005  # of the amplitude: one step of 8 bits
_SWEEP_NEPER = 0.02 / DB_PER_NEPER  # of a good meter
_SWEEP_POINTS = 31  # from 20 Hz to 20 kHz: third octaves
_RECORD_NEPER = 1e-3  # of a band of a ten-second record, 60 dB above noise
_RECORD_POINTS = 100  # bands of a record over three decades, by its resolution at the low end
_MORE = 4.0  # times the points: half the noise
_PART_TO_METER = 5.0  # a part of 1 % against a meter of 0.2 %, one of 2.5 % against 0.5 %
_KNOWN = 100.0  # times surer: what a reference makes of generator and chain
_SURELY = 0.9  # in nine cases of ten it decides; fewer are no advice
_WIDER = 2.0  # times the reach foreseen: of 51 captures nine in ten left less than 1.8 times
_SQUARES_HZ = (200.0, 1000.0)  # beside the low one: the middle and the top of the band
_BESIDE = 1.3  # of the nearest harmonic: half way from the third to the fifth
_SAME = 1.1  # of a frequency captured: one so near brings what a longer record of it brings
_NEAR = 1.2  # of an end, up to which a capture shows a response: it grows by (1.2)^4 at most


@dataclass(frozen=True, slots=True)
class FurtherCapture(Result):
    """A further capture, or another piece of evidence, and what it would bring.

    Attributes
    ----------
    text : str
        What to do.
    expanded_uncertainty_db : float
        Expanded uncertainty that it would leave where the verdict ruled [dB].
    probability : float
        That the verdict is then pass or fail, 0 to 1: the deviation may move by what is uncertain
        of it now and then no more.
    """

    _keys: ClassVar = ("text", "expanded_uncertainty_db", "probability", "decides")

    text: str
    expanded_uncertainty_db: float
    probability: float

    @property
    def decides(self) -> bool:
        """Whether the verdict is then pass or fail in nine cases of ten."""
        return self.probability >= _SURELY


@dataclass(frozen=True, slots=True)
class OpenQuestion(Result):
    """What leaves a verdict open.

    Attributes
    ----------
    quantity : str
        The quantity that is uncertain.
    share : float
        Of the variance, what knowing it exactly would take off; 0 to 1.
    further : tuple of FurtherCapture
        What could be done, the least effort first.
    shares : tuple of VarianceShare
        Of the variance, what each origin makes, the largest first; together 1.
    network_alone_db : float
        Expanded uncertainty that the network's parts make by themselves [dB].
    network_alone_opens : bool
        Whether they make most of the variance, reach over the limit by themselves, and no
        further capture through the network decides.
    """

    _keys: ClassVar = (
        "quantity",
        "share",
        "further",
        "shares",
        "network_alone_db",
        "network_alone_opens",
    )

    quantity: str
    share: float
    further: tuple[FurtherCapture, ...]
    shares: tuple[VarianceShare, ...]
    network_alone_db: float
    network_alone_opens: bool

    @property
    def text(self) -> str:
        """What is uncertain, and what would decide."""
        words = self._by_network if self.network_alone_opens else self._by_quantity
        deciding = [f for f in self.further if f.decides]
        if deciding:
            best = deciding[0]
            return (
                f"{words}. {capitalised(best.text)} would decide it in {_cases(best)}: it leaves "
                f"±{best.expanded_uncertainty_db:.2f} dB"
            )
        best = max(self.further, key=lambda f: (f.probability, -f.expanded_uncertainty_db))
        return (
            f"{words}. The deviation is too near its limit: even {best.text} would leave "
            f"±{best.expanded_uncertainty_db:.2f} dB, and decide it in {_cases(best)}"
        )

    @property
    def _by_quantity(self) -> str:
        share = f"{100.0 * self.share:.0f} % of the variance"
        return f"undecided mainly because of {self.quantity} ({share})"

    @property
    def _by_network(self) -> str:
        network = next(s for s in self.shares if s.origin == NETWORK)
        return (
            f"undecided because {NETWORK} are not known better. They make "
            f"{100.0 * network.share:.0f} % of the variance, {network.most} most of it. "
            f"They alone leave ±{self.network_alone_db:.2f} dB, which crosses the limit. "
            "No further capture through the network would decide it"
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Planned:
    """A further capture as the fit would see it."""

    text: str
    frequency_hz: Floats
    sigma: Floats  # of the real and of the imaginary part of ln of a ratio
    with_phase: bool = True
    through_network: bool = True
    through_chain: bool = True

    def shows(self, frequency_hz: float) -> bool:
        """Tell whether it reaches over a frequency."""
        low, high = float(self.frequency_hz[0]), float(self.frequency_hz[-1])
        within = low <= _NEAR * frequency_hz and frequency_hz <= _NEAR * high
        apart = np.abs(np.log(self.frequency_hz / frequency_hz)).min()
        return within and bool(apart <= math.log(_BESIDE))


def open_question(
    families: Sequence[Family],
    ruling: BandDecision,
    *,
    flatness_db: float = 0.0,
    misfit_db: float = 0.0,
    shapes_db: float = 0.0,
    mains_hz: float | None = None,
) -> OpenQuestion:
    """Say what leaves a verdict open and what would decide it.

    Parameters
    ----------
    families : sequence of Family
        The shapes that the captures allow.
    ruling : BandDecision
        The undecided decision that ruled.
    flatness_db : float, optional
        What the generator's flatness adds to the expanded uncertainty [dB].
    misfit_db : float, optional
        What a shape that the model lacks adds to it [dB]; a capture that shows the frequency
        which ruled measures it there.
    shapes_db : float, optional
        How much of it is due to several shapes being allowed [dB].
    mains_hz : float, optional
        Mains frequency [Hz], of which further square waves keep clear; by default of 50 and 60 Hz.

    Returns
    -------
    OpenQuestion
        The uncertain quantity, and further captures by what they would leave.
    """
    hertz, reach = ruling.frequency_hz, ruling.expanded_uncertainty_db
    widest = max(families, key=lambda f: _deviation(f, hertz, None))
    quantity, share = _most_uncertain(widest, hertz)
    beside = math.hypot(flatness_db, misfit_db)
    if reach > 0.0 and (misfit_db / reach) ** 2 > share:
        quantity, share = "a shape of the response that the model lacks", (misfit_db / reach) ** 2
    fitted = math.sqrt(max(reach**2 - beside**2, 0.0))
    by_shapes = fitted**2 - max(fitted - shapes_db, 0.0) ** 2
    if by_shapes > share * reach**2:
        quantity, share = "the response's shape, of which several are allowed", by_shapes / reach**2
    now = _deviation(widest, hertz, None)
    further, through = [], []
    problem = widest.solution.problem
    squares_hz = _squares_hz(problem, mains_hz, hertz if misfit_db else None)
    for text, planned in _choices(problem, flatness_db, squares_hz):
        then = fitted * min(1.0, max(_deviation(f, hertz, planned) for f in families) / now)
        unlevel = 0.0 if planned == "reference" else flatness_db
        lacking = 0.0 if isinstance(planned, _Planned) and planned.shows(hertz) else misfit_db
        further.append(_further(text, math.hypot(then, unlevel, lacking), ruling))
        if _is_through_network(planned):
            through.append(further[-1])
    squares = len(squares_hz)  # as little effort each: the best of them first
    further[:squares] = sorted(further[:squares], key=lambda f: f.expanded_uncertainty_db)
    parts = {
        "a shape that the model lacks": misfit_db**2,
        "the generator's flatness": flatness_db**2,
        "the choice of shape": by_shapes,
    }
    shares = variance_shares(families[0], hertz, total=reach**2, beside=parts)
    network = sum(s.share for s in shares if s.origin == NETWORK)
    alone = _further("", reach * math.sqrt(network), ruling)
    first = bool(shares) and shares[0].origin == NETWORK
    reaches = [one.expanded_uncertainty_db for one in (alone, *through)]
    open_alone = first and not any(_clears(one, ruling) for one in reaches)
    return OpenQuestion(
        quantity, share, tuple(further), shares, alone.expanded_uncertainty_db, open_alone
    )


def _further(text: str, reach: float, ruling: BandDecision) -> FurtherCapture:
    """A capture with the probability that it decides.

    The best value after it is normal about that of today, with the variance that it takes off
    (Gelman et al., Bayesian Data Analysis, 3rd edition, section 2.6: the prior variance of the
    posterior mean); the verdict stays open where that lies within the reach of the limit.
    """
    from scipy.special import ndtr

    size, limit, wide = abs(ruling.deviation_db), ruling.band.limit_db, _WIDER * reach
    moves = math.sqrt(max(ruling.expanded_uncertainty_db**2 - reach**2, 0.0)) / 2.0
    if moves == 0.0:
        return FurtherCapture(text, reach, float(_clears(wide, ruling)))
    stays_open = sum(
        float(ndtr((end + wide - size) / moves) - ndtr((end - wide - size) / moves))
        for end in (limit, -limit)
    )
    return FurtherCapture(text, reach, max(0.0, 1.0 - stays_open))


def _clears(reach: float, ruling: BandDecision) -> bool:
    """Whether a reach about the deviation of today leaves the limit on one side."""
    size, limit = abs(ruling.deviation_db), ruling.band.limit_db
    return size + reach <= limit or size - reach > limit


def _cases(further: FurtherCapture) -> str:
    """How often it decides, in whole percent, never all."""
    return f"{min(99, math.floor(100.0 * further.probability))} of 100 cases"


_Choice = _Planned | str | None


def _is_through_network(choice: _Choice) -> bool:
    """Whether a choice is nothing but more captures of the unit behind the network."""
    return choice == "points" or (isinstance(choice, _Planned) and choice.through_network)


def _squares_hz(
    problem: FitProblem, mains_hz: float | None, lacking_hz: float | None
) -> list[float]:
    """Frequencies of further square waves [Hz]: none captured already, one where a shape lacks."""
    given = [float(o.frequency_hz[0]) for o in problem.observations if o.edges_apart_s > 0.0]
    wished = [LOW_SQUARE_HZ, *_SQUARES_HZ]
    if min(given, default=math.inf) <= _BESIDE * LOW_SQUARE_HZ:
        wished.append(LOW_SQUARE_HZ / 2.0)
    if lacking_hz is not None and LOW_SQUARE_HZ < lacking_hz < _SQUARES_HZ[0]:
        wished.append(lacking_hz)
    tries = [f if f in _SQUARES_HZ else clear_frequency(f, mains_hz=mains_hz) for f in wished]
    return [f for f in tries if all(max(f / g, g / f) > _SAME for g in given)]


def _choices(
    problem: FitProblem, flatness_db: float, squares_hz: Sequence[float]
) -> list[tuple[str, _Choice]]:
    """What could be done, the least effort first; square waves come first."""
    choices: list[tuple[str, _Choice]] = []
    choices += [(s.text, s) for s in (_square(problem, frequency) for frequency in squares_hz)]
    choices.append((f"captures of {_MORE:.0f} times the points", "points"))
    words = f"a sweep of {_SWEEP_POINTS} frequencies from 20 Hz to 20 kHz, levels to 0.02 dB"
    every = log_frequencies((20.0, 20e3), points_per_decade=_SWEEP_POINTS // 3)
    sweep = _Planned(words, every, np.full(every.size, _SWEEP_NEPER), with_phase=False)
    choices.append((words, sweep))
    if problem.bench.references:
        choices.append((f"references of {_MORE:.0f} times the points", "longer references"))
    elif flatness_db or problem.priors > problem.bench.estimate.sources:
        choices.append(("a reference with the unit bypassed", "reference"))
    if unmeasured := _unmeasured(problem):
        choices.append((f"measured values of {unmeasured}", "parts"))
    bands = log_frequencies((20.0, 20e3), points_per_decade=_RECORD_POINTS // 3)
    sigma = np.full(bands.size, _RECORD_NEPER)
    for words, through in (
        ("a two-channel record of a ten-second sweep", True),
        ("a two-channel record of a ten-second sweep with the stimulus at the unit's input", False),
    ):
        record = _Planned(words, bands, sigma, through_network=through, through_chain=False)
        choices.append((words, record))
    return choices


def _unmeasured(problem: FitProblem) -> str:
    """What a meter has not read of the network, in words; empty where there is nothing."""
    estimate = problem.bench.estimate
    if not estimate.unmeasured.any():
        return ""
    of_parts = np.any(estimate.errors[: len(estimate.topology.elements)] != 0.0, axis=0)
    if np.all(estimate.unmeasured[of_parts]):
        return "the network's parts"
    return "the network's parts that are not measured yet"


def _square(problem: FitProblem, frequency_hz: float) -> _Planned:
    """A capture of a square wave: harmonics at 1/n in the noise of an oscilloscope."""
    rate = _POINTS * frequency_hz / _PERIODS
    highest = max(float(o.frequency_hz.max()) for o in problem.observations)
    orders = reduced_orders(min(highest, USABLE_OF_RATE * rate) / frequency_hz, samples=_POINTS)
    orders = orders[orders % 2.0 == 1.0]
    sigma = _SCOPE_NOISE * math.sqrt(2.0 / _POINTS) * math.pi / 4.0 * orders
    at = format_quantity(frequency_hz, "Hz")
    return _Planned(f"a square wave of {at} with {_POINTS:,} points", orders * frequency_hz, sigma)


def _information(family: Family, choice: _Choice) -> Floats:
    """Information of the fit about its free unknowns, with that of a further capture."""
    solution = family.solution
    problem, jacobian = solution.problem, solution.evaluation.jacobian
    total = jacobian.T @ jacobian
    first, last = problem.unit_count, problem.unit_count + problem.bench.estimate.sources
    common = problem.unit_count + problem.priors
    diagonal = np.zeros(problem.size)
    if choice == "points":
        data = jacobian[: solution.evaluation.data_rows]
        total = total + (_MORE - 1.0) * data.T @ data
    elif choice == "parts":
        diagonal[first:last] = (_PART_TO_METER**2 - 1.0) * problem.bench.estimate.unmeasured
    elif choice == "reference":
        diagonal[last:common] = _KNOWN**2
    elif choice == "longer references":
        diagonal[last:common] = _MORE - 1.0
    elif isinstance(choice, _Planned):
        shared = _planned_slopes(family, choice)
        total[:common, :common] += _without_nuisances(choice, shared)
    total = total + np.diag(diagonal)
    return np.asarray(total[np.ix_(solution.free, solution.free)])


def _planned_slopes(family: Family, planned: _Planned) -> Complex:
    """Derivatives of ln of the path by constants, sources of error and rise time."""
    problem, solution = family.solution.problem, family.solution
    hertz, bench = planned.frequency_hz, problem.bench
    slopes = np.zeros((hertz.size, problem.unit_count + problem.priors), dtype=complex)
    slopes[:, : problem.unit_count] = family.model.linearised(solution.units, hertz).derivative
    known = problem.unit_count + bench.estimate.sources
    if planned.through_network:
        sources = solution.unknowns[problem.unit_count : known]
        slopes[:, problem.unit_count : known] = network_slopes(bench.estimate, sources, hertz)[1:].T
    if planned.through_chain and not bench.references:
        probe = probe_slopes(bench.chain, hertz)
        slopes[:, known : known + len(probe)] = probe.T
    return slopes


def _without_nuisances(planned: _Planned, shared: Complex) -> Floats:
    """Information of a capture about what captures share, its gain and delay eliminated."""
    weight = 1.0 / planned.sigma
    omega = 2.0 * np.pi * planned.frequency_hz / planned.frequency_hz.max()
    rows = [shared.real * weight[:, None]]
    own = [np.stack([weight, 0.0 * weight], axis=1)]
    if planned.with_phase:
        rows.append(shared.imag * weight[:, None])
        own.append(np.stack([0.0 * weight, omega * weight], axis=1))
    jacobian, nuisance = np.vstack(rows), np.vstack(own)
    basis, _ = np.linalg.qr(nuisance[:, : 1 + int(planned.with_phase)])
    jacobian = jacobian - basis @ (basis.T @ jacobian)
    return np.asarray(jacobian.T @ jacobian)


def _deviation(family: Family, frequency_hz: float, choice: _Choice) -> float:
    """Standard deviation of the deviation [dB], with a further capture."""
    slope = deviation_slope(family, frequency_hz)
    covariance = inverse_information(_information(family, choice))
    return math.sqrt(max(float(slope @ covariance @ slope), 1e-30))


def _most_uncertain(family: Family, frequency_hz: float) -> tuple[str, float]:
    """The quantity that would take most off the variance, and its share."""
    slope = deviation_slope(family, frequency_hz)
    covariance = inverse_information(_information(family, None))
    carried = covariance @ slope
    common = family.solution.problem.unit_count + family.solution.problem.priors
    numbers = np.flatnonzero(family.solution.free)
    taken = np.where(numbers < common, carried**2 / np.diag(covariance), 0.0)
    at = int(np.argmax(taken))
    share = float(taken[at] / max(float(slope @ carried), 1e-300))
    return unknown_name(family, int(numbers[at])), min(share, 1.0)
