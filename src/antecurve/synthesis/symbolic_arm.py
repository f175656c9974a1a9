"""The elements of a series arm as expressions in its partial fractions, and their proof.

The rules that make a form's elements from numbers are run on elements of a field of rational
functions: what comes out are the formulas.  The proof puts them back into the arm and compares
with the partial fractions, as rational functions in all symbols and s.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import zip_longest
from typing import Any

from antecurve.networks.topology import ElementKind
from antecurve.synthesis.expansion import shunt_capacitance
from antecurve.synthesis.form import Form
from antecurve.synthesis.formula_model import Formula
from antecurve.synthesis.impedance import Ratio, RcImpedance, polynomials, zeros_of
from antecurve.synthesis.tree import Group, Layout, Leaf, Tree

__all__ = [
    "ELASTANCE",
    "INFINITY",
    "RemainderNames",
    "arm_proof",
    "branch_name",
    "coefficient_definitions",
    "prove",
    "relabelled",
    "symbol_field",
    "symbolic_impedance",
    "tree_impedance",
    "zero_count",
    "zero_definitions",
]

INFINITY = "R_inf"
ELASTANCE = "K"


def branch_name(time_constant: str) -> str:
    """Return the name of the partial fraction's resistance at a time constant.

    Parameters
    ----------
    time_constant : str
        Such as ``T1``.

    Returns
    -------
    str
        Such as ``r1``.
    """
    return "r" + time_constant[1:]


def prove(statement: bool, what: str) -> None:
    """Stop when a derived formula does not satisfy its own equations.

    Parameters
    ----------
    statement : bool
        Whether an identity holds.
    what : str
        The identity in words.

    Raises
    ------
    ArithmeticError
        When it doesn't: the derivation is wrong.
    """
    if not statement:
        raise ArithmeticError(f"substituting back fails: {what}")


def tree_impedance(tree: Tree, s: Any) -> Any:
    """Return the impedance of an arm.

    Parameters
    ----------
    tree : Tree
        The arm.
    s : element of a field
        The variable s.

    Returns
    -------
    element of a field
        Z(s).
    """
    if isinstance(tree, Leaf):
        return tree.value if tree.kind is ElementKind.RESISTOR else 1 / (s * tree.value)
    parts = [tree_impedance(part, s) for part in tree.parts]
    if tree.joined == "series":
        return sum(parts[1:], parts[0])
    return 1 / sum((1 / part for part in parts[1:]), 1 / parts[0])


def symbolic_impedance(
    times: Sequence[str],
    *,
    infinity: bool,
    at_origin: bool,
    by_coefficients: bool = False,
    whole: bool = False,
    naming: RemainderNames | None = None,
) -> RcImpedance:
    """Return an impedance whose partial fractions are symbols.

    Parameters
    ----------
    times : sequence of str
        Names of its time constants.
    infinity, at_origin : bool
        Whether it has R_inf and a pole at the origin.
    by_coefficients : bool, optional
        Whether the coefficients of its polynomials get names of their own.
    whole : bool, optional
        Whether R_inf is in these coefficients.
    naming : RemainderNames, optional
        Names the remainders of a continued fraction as it is taken.

    Returns
    -------
    RcImpedance
        The impedance, with names for its zeros.
    """
    order = len(times) + at_origin
    zeros = [f"Tm{k + 1}" for k in range(len(times) + 1)]
    top = [f"m{k}" for k in range(order + (infinity and whole))]
    bottom = [f"d{k}" for k in range(order + 1)]
    fractions = [branch_name(t) for t in times]
    slopes = [f"Rm{k + 1}" for k in range(len(zeros))]
    names = [*times, *fractions, INFINITY, ELASTANCE, *zeros, *slopes, *top, *bottom, "s"]
    remainders = [f"b{k + 1}" for k in range(order * order + order)] if naming is not None else []
    field = symbol_field([*names, *remainders])
    if naming is not None:
        naming.symbols = iter([field[n] for n in remainders])
    return RcImpedance(
        field[INFINITY] if infinity else 0,
        field[ELASTANCE] if at_origin else 0,
        tuple((field[r], field[t]) for r, t in zip(fractions, times, strict=True)),
        tuple(field[z] for z in zeros),
        tuple(field[r] for r in slopes),
        _named(field, top, bottom, at_origin, naming) if by_coefficients else None,
    )


class RemainderNames:
    """Names for the coefficients of the remainders of a continued fraction."""

    def __init__(self) -> None:
        self.symbols: Iterator[Any] = iter(())
        self.found: list[Formula] = []

    def __call__(self, remainder: tuple[Any, ...]) -> tuple[Any, ...]:
        """Name what is longer than one symbol."""
        named = []
        for value in remainder:
            if value and not value.as_expr().is_Atom:
                symbol = next(self.symbols)
                expression = value.as_expr()
                self.found.append(
                    Formula(str(symbol.as_expr()), expression, "remainder of the expansion")
                )
                value = symbol
            named.append(value)
        return tuple(named)


def _named(
    field: Mapping[str, Any],
    top: list[str],
    bottom: list[str],
    at_origin: bool,
    naming: RemainderNames | None,
) -> Ratio:
    """Coefficients by name; the lowest of the denominator is 1 by the partial fractions."""
    lowest = [0, 1] if at_origin else [1]
    return Ratio(
        tuple(field[n] for n in top),
        (*lowest, *(field[n] for n in bottom[len(lowest) :])),
        naming,
    )


def symbol_field(names: Sequence[str]) -> dict[str, Any]:
    """Return the elements of a field of rational functions by name.

    Parameters
    ----------
    names : sequence of str
        Names of the symbols, all positive.

    Returns
    -------
    dict
        The elements.
    """
    import sympy
    from sympy.polys.fields import field

    symbols = [sympy.Symbol(name, positive=True) for name in names]
    _, *elements = field(symbols, sympy.QQ)
    return dict(zip(names, elements, strict=True))


def arm_proof(form: Form, times: Sequence[str], *, infinity: bool, at_origin: bool) -> None:
    """Prove that an arm's elements make its impedance.

    Parameters
    ----------
    form : Form
        The form.
    times : sequence of str
        Names of the impedance's time constants.
    infinity, at_origin : bool
        Whether it has R_inf and a pole at the origin.

    Raises
    ------
    ArithmeticError
        When it doesn't.

    Notes
    -----
    Over the partial fractions of Z, or of 1/Z at its zeros, the arm's impedance is compared.  A
    ladder's elements are rational in the coefficients of Z, as many as there are elements: the
    proof is that the expansion of a ladder's own Z gives back its elements, so that both maps
    are each other's inverse.  A form that takes R_inf out first works with the rest.
    """
    assert form.series_arm is not None
    whole = infinity and form.needs_infinity
    count = zero_count(times, whole=whole, at_origin=at_origin)
    if form.terms == "zeros" and count > 1:
        _prove_admittance(times, count, whole, at_origin)
        impedance, s, expected = _by_zeros(times, count, whole, infinity, at_origin)
    elif form.terms == "coefficients":
        _prove_round_trip(form, times, infinity, at_origin)
        return
    else:
        impedance, s, expected = _by_fractions(times, infinity, at_origin)
    made = tree_impedance(form.series_arm(impedance), s)
    prove(made == expected, "the elements of the series arm do not make its impedance")


def _by_fractions(
    times: Sequence[str], infinity: bool, at_origin: bool
) -> tuple[RcImpedance, Any, Any]:
    fractions = [branch_name(t) for t in times]
    field = symbol_field([*times, *fractions, INFINITY, ELASTANCE, "Tm1", "s"])
    s = field["s"]
    branches = tuple((field[branch_name(t)], field[t]) for t in times)
    impedance = RcImpedance(
        field[INFINITY] if infinity else 0,
        field[ELASTANCE] if at_origin else 0,
        branches,
        (field["Tm1"],),
    )
    expected = impedance.resistance_at_infinity + 0 * s
    if at_origin:
        expected = expected + impedance.elastance_at_origin / s
    for resistance, time in branches:
        expected = expected + resistance / (1 + s * time)
    return impedance, s, expected


def _prove_round_trip(form: Form, times: Sequence[str], infinity: bool, at_origin: bool) -> None:
    """Prove that the expansion of a ladder's Z(s) gives back the ladder's own elements."""
    assert form.series_arm is not None
    whole = form.needs_infinity
    shape = form.series_arm(
        symbolic_impedance(
            times,
            infinity=infinity,
            at_origin=at_origin,
            by_coefficients=True,
            whole=whole,
            naming=RemainderNames(),
        )
    )
    layout = Layout()
    layout.add(shape, "in", "out")
    field = symbol_field([f"e{k}" for k in range(len(layout.values))])
    own = relabelled(shape, iter(field.values()))
    ladder = own
    if infinity and not whole:
        assert isinstance(own, Group)
        ladder = Group("series", own.parts[:-1]) if len(own.parts) > 2 else own.parts[0]
    last = list(field.values())[-1]
    impedance = RcImpedance(
        last if infinity else 0,
        last if at_origin else 0,
        tuple((last, last) for _ in times),
        coefficients=_tree_ratio(ladder, last / last),
    )
    again = Layout()
    again.add(form.series_arm(impedance), "in", "out")
    prove(again.values == tuple(field.values()), "the ladder's expansion is not the ladder")


def relabelled(tree: Tree, values: Iterator[Any]) -> Tree:
    """Return the same tree with other values.

    Parameters
    ----------
    tree : Tree
        The arm.
    values : iterator
        One for each element, in the order of the layout.

    Returns
    -------
    Tree
        The arm with them.
    """
    if isinstance(tree, Leaf):
        return Leaf(tree.kind, next(values))
    return Group(tree.joined, tuple(relabelled(part, values) for part in tree.parts))


def _tree_ratio(tree: Tree, one: Any) -> Ratio:
    """Z(s) of an arm without a division, for ladders without a common factor."""
    if isinstance(tree, Leaf):
        if tree.kind is ElementKind.RESISTOR:
            return Ratio((tree.value,), (one,))
        return Ratio((one,), (0 * one, tree.value))
    found = _tree_ratio(tree.parts[0], one)
    for part in tree.parts[1:]:
        other = _tree_ratio(part, one)
        both = _sum(
            _times(found.numerator, other.denominator), _times(other.numerator, found.denominator)
        )
        if tree.joined == "series":
            found = Ratio(both, _times(found.denominator, other.denominator))
        else:
            found = Ratio(_times(found.numerator, other.numerator), both)
    return found


def _times(left: Sequence[Any], right: Sequence[Any]) -> tuple[Any, ...]:
    total = [0 * left[0]] * (len(left) + len(right) - 1)
    for i, a in enumerate(left):
        for j, b in enumerate(right):
            total[i + j] = total[i + j] + a * b
    return tuple(total)


def _sum(left: Sequence[Any], right: Sequence[Any]) -> tuple[Any, ...]:
    return tuple(a if b is None else b if a is None else a + b for a, b in zip_longest(left, right))


def zero_count(times: Sequence[str], *, whole: bool, at_origin: bool) -> int:
    """Return how many zeros an impedance has.

    Parameters
    ----------
    times : sequence of str
        Its time constants.
    whole : bool
        Whether R_inf is counted in.
    at_origin : bool
        Whether it has a pole at the origin.

    Returns
    -------
    int
        One between any two neighbouring poles, and one beyond with R_inf.
    """
    return len(times) - 1 + whole + at_origin


def _by_zeros(
    times: Sequence[str], count: int, whole: bool, infinity: bool, at_origin: bool
) -> tuple[RcImpedance, Any, Any]:
    """Zeros and the admittance's partial fractions there as symbols."""
    impedance = symbolic_impedance(
        times, infinity=infinity, at_origin=at_origin, by_coefficients=True, whole=whole
    )
    field = _field_of(impedance)
    s = field["s"]
    admittance = 0 * s if at_origin else 1 / field["m0"]
    for time, slope in zip(impedance.zero_symbols, impedance.zero_resistances, strict=True):
        if count:
            admittance = admittance + s * time / (slope * (1 + s * time))
            count -= 1
    extra = 0 * s
    if not whole:
        extra = extra + impedance.resistance_at_infinity
        admittance = admittance + s * shunt_capacitance(impedance)
    return impedance, s, 1 / admittance + extra


def _field_of(impedance: RcImpedance) -> dict[str, Any]:
    ring = impedance.zero_symbols[0].field
    return {str(symbol): ring(symbol) for symbol in ring.symbols}


def _prove_admittance(times: Sequence[str], count: int, whole: bool, at_origin: bool) -> None:
    """Prove the partial fractions of 1/Z for Z = Z0 prod(1 + s Tm)/prod(1 + s T), or Z0/s."""
    names = [f"Tm{k + 1}" for k in range(count)]
    field = symbol_field([*times, *names, "Z0", "s"])
    s, scale = field["s"], field["Z0"]
    zeros, poles = [field[n] for n in names], [field[t] for t in times]

    def over(at: Any, above: Sequence[Any], below: Sequence[Any]) -> Any:
        total = scale
        for zero in above:
            total = total * (1 + at * zero)
        for pole in below:
            total = total / (1 + at * pole)
        return total

    total = 0 * s if at_origin else 1 / scale
    for zero in zeros:
        slope = over(-1 / zero, [z for z in zeros if z != zero], poles)
        slope = slope * zero if at_origin else -slope
        total = total + s * zero / (slope * (1 + s * zero))
    if not whole:
        highest = scale if at_origin else 0 * s
        for pole in poles:
            fraction = over(-1 / pole, zeros, [p for p in poles if p != pole])
            highest = highest + (-fraction if at_origin else fraction / pole)
        total = total + s / highest
    expected = over(s, zeros, poles) / (s if at_origin else 1)
    prove(total * expected == 1 + 0 * s, "the admittance of the series arm is wrong")


def coefficient_definitions(impedance: RcImpedance) -> tuple[Formula, ...]:
    """Return the coefficients of the arm's polynomials by its partial fractions.

    Parameters
    ----------
    impedance : RcImpedance
        Symbolic.

    Returns
    -------
    tuple of Formula
        m0, m1, ... of the numerator and those of the denominator that are not 0 or 1.
    """
    import sympy

    ratio = polynomials(replace(impedance, coefficients=None))
    found = [
        Formula(f"m{k}", sympy.factor(c.as_expr()), f"numerator of the series arm at s^{k}")
        for k, c in enumerate(ratio.numerator)
    ]
    found += [
        Formula(f"d{k}", sympy.factor(c.as_expr()), f"denominator of the series arm at s^{k}")
        for k, c in enumerate(ratio.denominator)
        if not isinstance(c, int)
    ]
    return tuple(found)


def zero_definitions(impedance: RcImpedance) -> tuple[Formula, ...]:
    """Return what the zero symbols stand for.

    Parameters
    ----------
    impedance : RcImpedance
        Symbolic.

    Returns
    -------
    tuple of Formula
        Each zero of Z, an equation from the third order on; empty where the zero is rational.
    """
    import sympy

    impedance = replace(impedance, coefficients=None)
    zeros = zeros_of(impedance)
    if len(zeros) < 2:
        return ()
    coefficients = [sympy.factor(c.as_expr()) for c in polynomials(impedance).numerator]
    order = len(coefficients) - 1
    found = [
        Formula(f"m{k}", c, f"numerator of the series arm at s^{k}")
        for k, c in enumerate(coefficients)
    ]
    m = [sympy.Symbol(f.name, positive=True) for f in found]
    for index, zero in enumerate(zeros):
        symbol = zero.as_expr()
        if order == 2:
            root = sympy.sqrt(m[1] ** 2 - 4 * m[0] * m[2])
            expression = (m[1] + (root if index == 0 else -root)) / (2 * m[0])
        else:
            terms = ((-1) ** k * m[k] * symbol ** (order - k) for k in range(order + 1))
            expression = sympy.Eq(sympy.Add(*terms), 0)
        remark = f"time constant of zero {index + 1} of the series arm, the longest first"
        found.append(Formula(str(symbol), expression, remark))
    slopes = impedance.zero_resistances[: len(zeros)]
    for zero, slope in zip(zeros, slopes, strict=True):
        value = _slope(impedance, [z.as_expr() for z in zeros], zero.as_expr())
        found.append(Formula(str(slope.as_expr()), value, "s dZ/ds there"))
    return tuple(found)


def _slope(impedance: RcImpedance, zeros: Sequence[Any], zero: Any) -> Any:
    """s dZ/ds at a zero as a product over zeros and poles, a sympy expression."""
    import sympy

    if impedance.elastance_at_origin:
        value = impedance.elastance_at_origin.as_expr() * zero
    else:
        value = -sympy.Symbol("m0", positive=True)
    above = [1 - other / zero for other in zeros if other != zero]
    below = [1 - time.as_expr() / zero for _, time in impedance.branches]
    return sympy.factor(value * sympy.Mul(*above) / sympy.Mul(*below))
