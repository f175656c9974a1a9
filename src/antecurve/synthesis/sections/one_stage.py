"""A section of one series arm and one shunt arm: its equations, elements and formulas.

Notation: H(s) = g N(s)/D(s) with N, D the products of the curve's (1 + s T), N with a factor s
for a zero at the origin; R0 is the resistor across the output, Rp = R0 || RL.  The shunt arm,
load included, is

.. math:: Z_p(s) = R_p\\,A(s)/Q(s),

where A takes some of the curve's zeros and Q is made of as many roots of D(s) = g N(s), so that

.. math:: Z(s) = Z_p(s)\\,\\bigl(1/H(s) - 1\\bigr) - R_s
               = \\frac{R_p\\,(D(s) - g N(s))}{g\\,Q(s)\\,N(s)/A(s)} - R_s

has poles at the other zeros only and is an RC impedance when its partial fractions and R_inf
are positive.  Where the shunt arm has no capacitor of its own, the load's capacitance CL adds a
factor 1 + s Tc to Q, with Tc = Rp CL prod(A)/prod(Q), and one more pole T5 to the curve.  A curve
with one pole too few to be finite at high frequency is met with R_inf = 0; the pole that results
is the implied one.  How the unknowns are solved for is the business of each kind of section.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.networks.topology import Loading, Topology
from antecurve.quantities import format_time_constant
from antecurve.synthesis.arms.arm import Arm
from antecurve.synthesis.impedance import RcImpedance
from antecurve.synthesis.sections.elements import StageElements, implied_pole_at_level, kept_zeros
from antecurve.synthesis.sections.refusals import (
    branch_violation,
    capacitor_violation,
    infinity_violation,
    load_pole_violation,
    no_series_violation,
    shunt_branch_violation,
)
from antecurve.synthesis.sections.section import Realisation, Requirements, Section
from antecurve.synthesis.tree import Tree, capacitor, resistor, series
from antecurve.synthesis.violation import Violation
from antecurve.texts import counted

if TYPE_CHECKING:
    from antecurve.synthesis.formula_model import SectionFormulas
    from antecurve.synthesis.symbolic_curve import SymbolicCurve

__all__ = ["Balance", "OneStageSection", "Stage", "StageProblem"]

_NEGLIGIBLE = 1e-9
"""An element below this part of the one it is in series or in parallel with is left out: what is
made is a relative 1e-9 off at most, far below any part's tolerance."""
_ROUNDING = 1e-13  # of a resistance, as sums of partial fractions round

_POLES_FOR_ZEROS = {-1: "one fewer than", 0: "as many as", 1: "one more than"}


@dataclass(frozen=True, slots=True)
class Balance:
    """The unknowns of a section, solved for.

    Attributes
    ----------
    gain_constant : float
        The factor g.
    times : tuple of float
        Time constants [s] of Q, longest first; the last one is that of the capacitance across
        the output, if there is any.
    load_pole : float
        T5 [s]; 0 for none.
    implied_pole : float
        The pole [s] that a curve without ultrasonic pole gets; 0 for none.
    """

    gain_constant: float
    times: tuple[float, ...]
    load_pole: float = 0.0
    implied_pole: float = 0.0

    @property
    def beyond(self) -> tuple[float, ...]:
        """The poles beyond the curve [s]."""
        return tuple(t for t in (self.implied_pole, self.load_pole) if t)


@dataclass(frozen=True, slots=True)
class StageProblem:
    """One way to share a curve's zeros between the arms.

    Attributes
    ----------
    curve : ZeroPoleGain
        The curve.
    loading : Loading
        Source and load.
    gain : float
        Magnitude of H at 1 kHz.
    shunt : float
        R0 [ohm], the resistor across the output.
    taken : tuple of float
        Zeros [s] that the shunt arm makes, longest first.
    """

    curve: ZeroPoleGain[float]
    loading: Loading
    gain: float
    shunt: float
    taken: tuple[float, ...] = ()

    @classmethod
    def of(cls, requirements: Requirements) -> StageProblem:
        """State the problem in which the series arm makes every zero.

        Parameters
        ----------
        requirements : Requirements
            What is asked for.

        Returns
        -------
        StageProblem
            The problem.
        """
        r = requirements
        return cls(r.curve, r.loading, r.gain, r.shunt_resistance)

    @property
    def own_capacitor(self) -> bool:
        """Whether the shunt arm has a capacitor across the output."""
        return self.curve.relative_degree == 1

    @property
    def implied(self) -> bool:
        """Whether the curve lacks a pole to be finite at high frequency."""
        return self.curve.relative_degree == -1

    @property
    def loaded(self) -> bool:
        """Whether the load's capacitance adds a pole."""
        return not self.own_capacitor and self.loading.load_capacitance > 0

    @property
    def parallel(self) -> float:
        """Rp [ohm]."""
        load = self.loading.load_resistance
        return self.shunt * load / (self.shunt + load)

    @property
    def load_time(self) -> float:
        """tau = Rp CL [s]."""
        return self.parallel * self.loading.load_capacitance

    @property
    def kept(self) -> tuple[float, ...]:
        """Zeros [s] that the series arm makes."""
        return kept_zeros(self.curve.zeros_s, self.taken)

    def transfer(self, beyond: Sequence[float] = ()) -> ZeroPoleGain[float]:
        """Build the H(s) asked for, with poles beyond the curve.

        Parameters
        ----------
        beyond : sequence of float, optional
            Their time constants [s].

        Returns
        -------
        ZeroPoleGain
            H = g s^a N/D, D with these poles.
        """
        curve = self.curve
        whole = ZeroPoleGain(curve.zeros_s, (*curve.poles_s, *beyond), curve.zeros_at_origin)
        return whole.with_magnitude(self.gain, frequency_hz=REFERENCE_FREQUENCY_HZ)

    def elements(self, balance: Balance) -> StageElements:
        """Take the element formulas with these numbers.

        Parameters
        ----------
        balance : Balance
            The unknowns.

        Returns
        -------
        StageElements
            Over floats.
        """
        return StageElements(
            self.curve.with_gain_constant(balance.gain_constant),
            balance.beyond,
            self.taken,
            balance.times,
            self.parallel,
            self.loading.source_resistance,
            self.own_capacitor or self.loaded,
        )

    def lead(self, transfer: ZeroPoleGain[float]) -> float:
        """Compute l = g prod(z)/prod(p) with the g of a transfer function.

        Parameters
        ----------
        transfer : ZeroPoleGain
            What `transfer` built.

        Returns
        -------
        float
            l; a time [s] where the curve lacks a pole.
        """
        return float(self.curve.with_gain_constant(transfer.gain_constant).leading_ratio())

    def beyond(self, unknown: float) -> tuple[float, ...]:
        """Compute the poles beyond the curve: the unknown and what follows from it.

        Without ultrasonic pole the unknown is the longer one, and R_inf = 0 makes
        T5 = y l Rs CL/T with y^2 = (1 + w^2 T^2)(1 + w^2 T5^2).

        Parameters
        ----------
        unknown : float
            The pole [s].

        Returns
        -------
        tuple of float
            Time constants [s]; infinite where there is none.
        """
        if not (self.implied and self.loaded and self.loading.source_resistance):
            return (unknown,)
        slope = self.lead(self.transfer((unknown,))) * self.loading.source_resistance
        return (unknown, implied_pole_at_level(slope * self.loading.load_capacitance / unknown))


@dataclass(frozen=True, slots=True)
class Stage:
    """A section that makes a curve.

    Attributes
    ----------
    problem : StageProblem
        The curve, and how its zeros are shared between the arms.
    balance : Balance
        The unknowns.
    series : RcImpedance
        Z(s) of the series arm, source resistance not counted.
    branches : tuple of tuple of float
        Series RC branches across the output: pairs (R [ohm], C [F]), longest time constant first.
    capacitance : float
        Capacitor across the output [F], the load's not counted; 0 for none.
    """

    problem: StageProblem
    balance: Balance
    series: RcImpedance
    branches: tuple[tuple[float, float], ...]
    capacitance: float

    def realisation(self, arm: Arm) -> Realisation | Violation:
        """Expand the series arm into elements and put the shunt arm beside it.

        Parameters
        ----------
        arm : Arm
            How to expand it.

        Returns
        -------
        Realisation or Violation
            The elements, or why the arm does not exist.
        """
        degenerate = arm.violation(self.series)
        if degenerate is not None:
            return degenerate
        shunt: list[Tree] = [series(resistor(r), capacitor(c)) for r, c in self.branches]
        if self.capacitance:
            shunt.append(capacitor(self.capacitance))
        shunt.append(resistor(self.problem.shunt))
        return Realisation(
            ((arm.elements(self.series), "in", "out"), *((part, "out", "0") for part in shunt)),
            self.balance.gain_constant,
            self.balance.load_pole or None,
            (self.balance.implied_pole,) if self.balance.implied_pole else (),
        )

    @classmethod
    def of(cls, problem: StageProblem, balance: Balance) -> Stage | Violation:
        """Make the elements of a solved problem, each of which must be positive.

        Parameters
        ----------
        problem : StageProblem
            The problem.
        balance : Balance
            Its unknowns.

        Returns
        -------
        Stage or Violation
            The section, or the first element that is not positive.
        """
        elements = problem.elements(balance)
        load_pole, own_poles = balance.load_pole, problem.curve.poles_s
        if load_pole and not problem.implied and not 0.0 < load_pole <= own_poles[-1]:
            return load_pole_violation(problem.curve, gain=problem.gain, load_pole=load_pole)
        pairs = _series_pairs(problem, balance, elements)
        if isinstance(pairs, Violation):
            return pairs
        branches = _shunt_branches(balance, elements)
        if isinstance(branches, Violation):
            return branches
        capacitance = _own_capacitance(problem, elements)
        if isinstance(capacitance, Violation):
            return capacitance
        at_origin = bool(problem.curve.zeros_at_origin)
        infinity = _infinity(problem, balance, elements, alone=not (pairs or at_origin))
        if isinstance(infinity, Violation):
            return infinity
        elastance = elements.elastance_at_origin() if at_origin else 0.0
        arm = RcImpedance(infinity, elastance, pairs)
        return cls(problem, balance, arm, branches, capacitance)


Pairs = tuple[tuple[float, float], ...]


def _series_pairs(
    problem: StageProblem, balance: Balance, elements: StageElements
) -> Pairs | Violation:
    """Resistance and time constant of each partial fraction of the series arm."""
    pairs = []
    for zero in elements.kept:
        resistance = elements.branch_resistance(zero)
        if not resistance > 0:
            return branch_violation(problem, balance, zero=zero, resistance=resistance)
        pairs.append((resistance, zero))
    return tuple(pairs)


def _shunt_branches(balance: Balance, elements: StageElements) -> Pairs | Violation:
    """Resistance and capacitance of each branch of the shunt arm."""
    branches = []
    for zero in elements.taken:
        capacitance = elements.branch_capacitance(zero)
        if not capacitance > 0:
            return shunt_branch_violation(balance, zero=zero, capacitance=capacitance)
        branches.append((zero / capacitance, capacitance))
    return tuple(branches)


def _own_capacitance(problem: StageProblem, elements: StageElements) -> float | Violation:
    """The capacitor across the output; 0 where there is none."""
    if not problem.own_capacitor:
        return 0.0
    total: float = elements.whole_capacitance()
    own: float = total - problem.loading.load_capacitance
    return capacitor_violation(problem, total) if own < _NEGLIGIBLE * total else own


def _infinity(
    problem: StageProblem, balance: Balance, elements: StageElements, *, alone: bool
) -> float | Violation:
    """R_inf, 0 where the source resistance makes it negligible; alone it must not be."""
    infinity: float = 0.0 if problem.implied else elements.resistance_at_infinity()
    least = _NEGLIGIBLE * problem.shunt
    if alone and infinity <= least:
        return no_series_violation(problem, infinity)
    if infinity < -least:
        return infinity_violation(problem, balance, infinity)
    in_series = max(
        _NEGLIGIBLE * min(problem.loading.source_resistance, problem.shunt),
        _ROUNDING * problem.shunt,
    )
    return infinity if infinity > in_series else 0.0


class OneStageSection(Section):
    """What the kinds of section with one series arm and one shunt arm have in common.

    Attributes
    ----------
    excess_poles : tuple of int
        Poles less zeros that a curve may have.
    arms_with_zeros : int
        How many arms make zeros, so how often the same zero may occur.
    """

    excess_poles: tuple[int, ...]
    arms_with_zeros = 1

    def mismatch(self, curve: ZeroPoleGain[float]) -> Violation | None:
        """Say what about a curve's shape this kind of section cannot make.

        Parameters
        ----------
        curve : ZeroPoleGain
            The curve.

        Returns
        -------
        Violation or None
            The structural condition that does not hold.
        """
        if curve.poles_at_origin:
            return Violation(
                "the curve must be finite at zero frequency, but it rises towards DC without end",
                structural=True,
            )
        for zero in curve.zeros_s:
            count = curve.zeros_s.count(zero)
            if count > self.arms_with_zeros:
                return Violation(
                    f"the zeros that one arm makes must differ, but {format_time_constant(zero)} "
                    f"is there {count} times",
                    structural=True,
                )
        if curve.relative_degree not in self.excess_poles or curve.zeros_at_origin > 1:
            allowed = " or ".join(_POLES_FOR_ZEROS[excess] for excess in self.excess_poles)
            degree = len(curve.zeros_s) + curve.zeros_at_origin
            return Violation(
                f"the number of poles must be {allowed} the number of zeros. At most one zero "
                f"may lie at the origin; the curve has {counted(degree, 'zero')} and "
                f"{counted(len(curve.poles_s), 'pole')}",
                structural=True,
            )
        return None

    def solve(self, requirements: Requirements) -> Stage | Violation:
        """Solve for the arms of a curve whose shape fits.

        Parameters
        ----------
        requirements : Requirements
            Curve, loading, gain and shunt resistance.

        Returns
        -------
        Stage or Violation
            The arms, or the condition that does not hold.
        """
        raise NotImplementedError

    def realise(self, arm: Arm | None, requirements: Requirements) -> Realisation | Violation:
        """Solve for the arms and expand the series arm; see `Section.realise`.

        Parameters
        ----------
        arm : Arm
            How to expand the series arm.
        requirements : Requirements
            Curve, loading, gain and shunt resistance.

        Returns
        -------
        Realisation or Violation
            The elements, or the condition that does not hold.
        """
        assert arm is not None
        mismatch = self.mismatch(requirements.curve)
        if mismatch is not None:
            return mismatch
        stage = self.solve(requirements)
        return stage if isinstance(stage, Violation) else stage.realisation(arm)

    def formulas(
        self,
        arm: Arm | None,
        names: SymbolicCurve,
        requirements: Requirements,
        topology: Topology,
    ) -> SectionFormulas:
        """Derive and prove the formulas; see `Section.formulas`.

        Parameters
        ----------
        arm : Arm
            How to expand the series arm.
        names : SymbolicCurve
            The curve's time constants as symbols.
        requirements : Requirements
            Numbers for which there is such a section.
        topology : Topology
            Its elements.

        Returns
        -------
        SectionFormulas
            Definitions, elements and conditions.
        """
        from antecurve.synthesis.symbolic_section import stage_formulas

        assert arm is not None
        stage = self.solve(requirements)
        assert isinstance(stage, Stage)
        return stage_formulas(arm, names, stage.problem, topology)
