"""A curve's time constants as symbols."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.curves.model import Curve, zero_pole_gain
from antecurve.synthesis.formula_model import Formula

__all__ = ["SymbolicCurve", "level_formulas", "positive", "symbolic_curve"]


@dataclass(frozen=True, slots=True)
class SymbolicCurve:
    """Names for the time constants of a curve.

    Attributes
    ----------
    curve : ZeroPoleGain
        The numbers; only their order counts for the formulas.
    zeros, poles : tuple of str
        Names in the order of the numbers, longest first: T1, T3, ... and T2, T4, ... where
        zeros and poles alternate, a zero first (a zero at the origin counts as T1), else Tz1,
        Tz2, ... and Tp1, Tp2, ...
    given : bool
        Whether the numbers are those of a curve that was asked for.
    """

    curve: ZeroPoleGain[float]
    zeros: tuple[str, ...]
    poles: tuple[str, ...]
    given: bool

    @property
    def degree(self) -> int:
        """Number of zeros, those at the origin included."""
        return len(self.zeros) + self.curve.zeros_at_origin

    @property
    def implied(self) -> bool:
        """Whether the curve lacks a pole to be finite at high frequency."""
        return len(self.poles) < self.degree

    @property
    def implied_pole(self) -> str:
        """Name of the pole that stands for the one the curve lacks."""
        return f"T{self.degree + len(self.poles) + 1}"

    @property
    def time_constants(self) -> dict[str, float]:
        """The time constants [s] by name, zeros before poles."""
        zeros = zip(self.zeros, self.curve.zeros_s, strict=True)
        return dict([*zeros, *zip(self.poles, self.curve.poles_s, strict=True)])

    def beyond(self, *, loaded: bool) -> tuple[str, ...]:
        """Name the poles beyond the curve, the implied one first.

        Parameters
        ----------
        loaded : bool
            Whether the load's capacitance adds one.

        Returns
        -------
        tuple of str
            Such as ``T4`` and ``T_load``.
        """
        return (*([self.implied_pole] if self.implied else ()), *(["T_load"] if loaded else ()))


def positive(name: str) -> Any:
    """Make a positive symbol.

    Parameters
    ----------
    name : str
        Its name.

    Returns
    -------
    sympy.Symbol
        The symbol.
    """
    import sympy

    return sympy.Symbol(name, positive=True)


def symbolic_curve(default: ZeroPoleGain[float], curve: Curve | None) -> SymbolicCurve:
    """Name a curve's time constants.

    Parameters
    ----------
    default : ZeroPoleGain
        What stands for the curve where none is given.
    curve : Curve or None
        The curve.

    Returns
    -------
    SymbolicCurve
        The names.
    """
    chosen = default if curve is None else zero_pole_gain(curve).lowest_terms()
    first = chosen.zeros_at_origin
    corners = [(t, True) for t in chosen.zeros_s] + [(t, False) for t in chosen.poles_s]
    corners.sort(key=lambda corner: -corner[0])
    kinds = [True] * first + [is_zero for _, is_zero in corners]
    if all(is_zero == (index % 2 == 0) for index, is_zero in enumerate(kinds)):
        names = [f"T{index + 1}" for index in range(len(kinds))][first:]
        zeros = [n for n, (_, is_zero) in zip(names, corners, strict=True) if is_zero]
        poles = [n for n, (_, is_zero) in zip(names, corners, strict=True) if not is_zero]
    else:
        zeros = [f"Tz{index + 1}" for index in range(len(chosen.zeros_s))]
        poles = [f"Tp{index + 1}" for index in range(len(chosen.poles_s))]
    return SymbolicCurve(chosen, tuple(zeros), tuple(poles), curve is not None)


def level_formulas(names: SymbolicCurve, *, loaded: bool) -> tuple[Formula, ...]:
    """Define g0, and the level at 1 kHz that it makes.

    Parameters
    ----------
    names : SymbolicCurve
        The curve's time constants.
    loaded : bool
        Whether there are formulas with the load's capacitance, which adds a pole.

    Returns
    -------
    tuple of Formula
        g0, w1 = 2 pi 1 kHz in rad/s, and H1, the magnitude of H at 1 kHz.
    """
    import sympy

    s = sympy.Symbol("s")
    whole = sympy.Function("H")
    at_origin = names.curve.zeros_at_origin
    level = sympy.Limit(whole(s) / s**at_origin, s, 0, dir="+-") if at_origin else whole(0)
    w1, g0 = sympy.symbols("w1 g0", positive=True)
    poles = (*names.poles, *names.beyond(loaded=False))

    def magnitude(times: Iterable[str]) -> Any:
        return sympy.Mul(*(sympy.sqrt(1 + (w1 * positive(t)) ** 2) for t in times))

    remark = "magnitude of H at 1 kHz, the level asked for: it decides on g0"
    if loaded:
        remark += "; with CL, to be divided by sqrt(1 + w1**2*T_load**2)"
    shape = f"g0 {'s ' * at_origin}N(s)/D(s)"
    return (
        Formula("g0", level, f"the level constant: H(s) = {shape}, N and D 1 at s = 0"),
        Formula("w1", 2000 * sympy.pi, "angular frequency of 1 kHz in rad/s"),
        Formula("H1", g0 * w1**at_origin * magnitude(names.zeros) / magnitude(poles), remark),
    )
