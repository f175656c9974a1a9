"""What every kind of section is, and what it is asked for."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.networks.topology import Loading, Topology
from antecurve.synthesis.arms.arm import Arm
from antecurve.synthesis.tree import Tree
from antecurve.synthesis.violation import Violation

if TYPE_CHECKING:
    from antecurve.synthesis.formula_model import SectionFormulas
    from antecurve.synthesis.symbolic_curve import SymbolicCurve

__all__ = ["Form", "Realisation", "Requirements", "Section"]


@dataclass(frozen=True, slots=True)
class Requirements:
    """The curve that a section has to make, and what it works between.

    Attributes
    ----------
    curve : ZeroPoleGain
        The curve, in lowest terms.
    loading : Loading
        Source and load.
    gain : float
        Magnitude of H at 1 kHz, above 0 and below 1.
    shunt_resistance : float
        R0 [ohm], above 0, the resistor across the output.
    section_ratio : float
        For a cascade: the shunt resistor across the output over that in the middle.
    explain : bool
        Whether to look for the very inequality that does not hold, where that takes longer than
        to know that there is none.
    closely : bool
        Whether to look where a solution is hard to see before there is said to be none.
    near_pole_s : float or None
        The pole beyond the curve [s] of such a section for nearly the same, where one is known:
        a cascade with a load's capacitance is then solved from there.
    """

    curve: ZeroPoleGain[float]
    loading: Loading
    gain: float
    shunt_resistance: float
    section_ratio: float = 1.0
    explain: bool = True
    closely: bool = True
    near_pole_s: float | None = None


@dataclass(frozen=True, slots=True)
class Realisation:
    """A section that makes a curve.

    Attributes
    ----------
    arms : tuple of tuple
        Elements and the two nodes that each arm lies between, in the order of the layout.
    gain_constant : float
        The factor g in H = g s^a N/D.
    load_pole_s : float or None
        T5 [s], the one pole beyond the curve that the load's capacitance adds.
    implied_poles_s : tuple of float
        Poles [s] that the curve did not ask for but that any network of the form has.
    """

    arms: tuple[tuple[Tree, str, str], ...]
    gain_constant: float
    load_pole_s: float | None
    implied_poles_s: tuple[float, ...]


class Section(ABC):
    """A kind of section: how a series arm and a shunt arm make a curve together.

    Attributes
    ----------
    default_curve : ZeroPoleGain
        The curve that formulas are for where none is given.
    free_parameters : tuple of str
        What may be chosen freely for a curve and a gain: arguments of `exact_network`.
    """

    default_curve: ZeroPoleGain[float]
    free_parameters: tuple[str, ...] = ("shunt_resistance",)

    @abstractmethod
    def forms(self) -> Sequence[Form]:
        """List the forms of this kind of section.

        Returns
        -------
        sequence of Form
            One for each expansion of the series arm.
        """

    @abstractmethod
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

    @abstractmethod
    def realise(self, arm: Arm | None, requirements: Requirements) -> Realisation | Violation:
        """Solve for the elements.

        Parameters
        ----------
        arm : Arm or None
            How to expand the series arm; ``None`` for a section that has its own way.
        requirements : Requirements
            Curve, loading, gain and the freely chosen values.

        Returns
        -------
        Realisation or Violation
            The elements, or the condition that does not hold.
        """

    @abstractmethod
    def formulas(
        self,
        arm: Arm | None,
        names: SymbolicCurve,
        requirements: Requirements,
        topology: Topology,
    ) -> SectionFormulas:
        """Derive the formulas and prove them by substituting back.

        Parameters
        ----------
        arm : Arm or None
            How to expand the series arm.
        names : SymbolicCurve
            The curve's time constants as symbols.
        requirements : Requirements
            Numbers for which there is such a section.
        topology : Topology
            The elements that it has then, and the arms that they make.

        Returns
        -------
        SectionFormulas
            Definitions, elements and conditions.

        Raises
        ------
        ArithmeticError
            When substituting back fails.
        """


@dataclass(frozen=True, slots=True)
class Form:
    """A network's shape: a kind of section with one expansion of its series arm.

    Attributes
    ----------
    name : str
        Name, such as ``foster-1``.
    description : str
        One line in words.
    section : Section
        What the arms make together.
    arm : Arm or None
        The expansion of the series arm; ``None`` for a cascade, whose series arms are pairs.
    """

    name: str
    description: str
    section: Section
    arm: Arm | None
