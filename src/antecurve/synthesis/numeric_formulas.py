"""Formulas of a form as text that Python evaluates, so that numbers need no symbolic algebra."""

from __future__ import annotations

import ast
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import CodeType
from typing import Any

import numpy as np
from numpy.polynomial import Polynomial

__all__ = ["NumericFormula", "NumericFormulas"]

_MICRO = 1e-6  # time constants are of this size in seconds: coefficients in it are of like size
_REAL = 1e-9  # relative; a real root's imaginary part is rounding, of 1e-12 or less


@dataclass(frozen=True, slots=True)
class NumericFormula:
    """A named quantity and the text of what it is equal to.

    Attributes
    ----------
    name : str
        Name of the quantity.
    text : str
        What it is equal to, with ``**`` for powers; two sides with ``=`` between them where the
        quantity is a root of an equation.
    remark : str
        What the quantity is.
    """

    name: str
    text: str
    remark: str = ""

    @property
    def is_equation(self) -> bool:
        """Whether the quantity is a root of an equation."""
        return " = " in self.text

    @property
    def names(self) -> frozenset[str]:
        """Names of the quantities that the text uses."""
        return frozenset[str]().union(*(_parsed(side).names for side in self.text.split(" = ")))

    def values(self, known: Mapping[str, float]) -> list[list[float]]:
        """Evaluate each side, with a square root as written and reversed.

        Parameters
        ----------
        known : mapping of str to float
            Numbers by name.

        Returns
        -------
        list of list of float
            For each side its values; none where a name is not known or it is no real number.
        """
        return [_parsed(side).values(known) for side in self.text.split(" = ")]

    def numbers(self, known: Mapping[str, float]) -> list[float]:
        """Evaluate what the quantity is equal to.

        Parameters
        ----------
        known : mapping of str to float
            Numbers by name.

        Returns
        -------
        list of float
            Its values, the one as written first; none of an equation or without text.
        """
        return self.values(known)[0] if self.text and not self.is_equation else []

    def roots(self, name: str, known: Mapping[str, float]) -> list[float]:
        """Solve for one quantity.

        Parameters
        ----------
        name : str
            The unknown: one that the text is a rational function of.
        known : mapping of str to float
            Every other quantity, `name` of the formula itself included.

        Returns
        -------
        list of float
            Real roots above 0, the largest first; none where a number divides by 0.
        """
        first, second = self.text.split(" = ") if self.is_equation else (self.name, self.text)
        numbers = {**known, name: _Ratio(Polynomial([0.0, _MICRO]), Polynomial([1.0]))}
        try:
            difference = _parsed(first).evaluated(numbers) - _parsed(second).evaluated(numbers)
        except ArithmeticError:
            return []
        roots = np.roots(difference.numerator.coef[::-1])
        real = roots[np.abs(roots.imag) < _REAL * np.abs(roots)].real * _MICRO
        return sorted((float(r) for r in real if r > 0), reverse=True)


@dataclass(frozen=True, slots=True)
class NumericFormulas:
    """The formulas of a form as text.

    Attributes
    ----------
    refs : tuple of str
        References of the elements.
    time_constants : mapping of str to float
        The curve's time constants [s] by name.
    rows : mapping of str to tuple of NumericFormula
        By heading, in the order in which they are read.  The ratios stand over their
        coefficients: of a ratio itself there is no text.
    """

    refs: tuple[str, ...]
    time_constants: Mapping[str, float]
    rows: Mapping[str, tuple[NumericFormula, ...]]

    @property
    def elements(self) -> tuple[NumericFormula, ...]:
        """Each element by the definitions and time constants."""
        return self.rows["Elements"]

    @property
    def level(self) -> tuple[NumericFormula, ...]:
        """What g0 is, and the level at 1 kHz that it makes."""
        return self.rows["Level"]

    def definitions(self, *, loaded: bool) -> tuple[NumericFormula, ...]:
        """Choose the set of definitions for a load.

        Parameters
        ----------
        loaded : bool
            Whether the load has a capacitance.

        Returns
        -------
        tuple of NumericFormula
            The set for such a load; where there is one for any load, that one.
        """
        plain = self.rows["Definitions"]
        return self.rows.get("Definitions with load capacitance", plain) if loaded else plain


@dataclass(frozen=True, slots=True)
class _Parsed:
    """An expression that Python has read."""

    code: CodeType
    names: frozenset[str]
    square_roots: int

    def evaluated(self, known: Mapping[str, Any], root: Callable[[Any], Any] = math.sqrt) -> Any:
        return eval(self.code, {"__builtins__": {}, "sqrt": root, "pi": math.pi}, dict(known))

    def values(self, known: Mapping[str, float]) -> list[float]:
        if not self.names <= known.keys():
            return []
        # One square root in an expression is that of a quadratic; several are magnitudes.
        roots = (math.sqrt, _reversed_root) if self.square_roots == 1 else (math.sqrt,)
        try:
            return [float(self.evaluated(known, root)) for root in roots]
        except (ArithmeticError, ValueError):
            return []


def _reversed_root(x: float) -> float:
    return -math.sqrt(x)


@lru_cache(maxsize=1024)
def _parsed(text: str) -> _Parsed:
    tree = ast.parse(text, mode="eval")
    names = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    called = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    square_roots = {ast.dump(c) for c in called if getattr(c.func, "id", "") == "sqrt"}
    code = compile(tree, "<formula>", "eval")
    return _Parsed(code, frozenset(names - {"sqrt", "pi"}), len(square_roots))


@dataclass(frozen=True, slots=True)
class _Ratio:
    """A ratio of polynomials in one quantity; enough arithmetic to evaluate a formula."""

    numerator: Polynomial
    denominator: Polynomial

    def __add__(self, other: Any) -> _Ratio:
        other = _ratio(other)
        top = self.numerator * other.denominator + other.numerator * self.denominator
        return _Ratio(top, self.denominator * other.denominator)

    def __mul__(self, other: Any) -> _Ratio:
        other = _ratio(other)
        return _Ratio(self.numerator * other.numerator, self.denominator * other.denominator)

    def __pow__(self, power: int) -> _Ratio:
        return _Ratio(self.numerator**power, self.denominator**power)

    def __truediv__(self, other: Any) -> _Ratio:
        return self * _ratio(other).inverse()

    def __rtruediv__(self, other: Any) -> _Ratio:
        return _ratio(other) * self.inverse()

    def __sub__(self, other: Any) -> _Ratio:
        return self + -_ratio(other)

    def __rsub__(self, other: Any) -> _Ratio:
        return _ratio(other) + -self

    def __neg__(self) -> _Ratio:
        return _Ratio(-self.numerator, self.denominator)

    __radd__ = __add__
    __rmul__ = __mul__

    def inverse(self) -> _Ratio:
        return _Ratio(self.denominator, self.numerator)


def _ratio(value: Any) -> _Ratio:
    return value if isinstance(value, _Ratio) else _Ratio(Polynomial([value]), Polynomial([1.0]))
