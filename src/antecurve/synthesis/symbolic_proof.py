"""The elements of a series arm in symbols, and the proof that they make its impedance."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.networks.topology import ElementKind
from antecurve.networks.tree import Group, Leaf, join
from antecurve.synthesis.arms.arm import Arm, Terms
from antecurve.synthesis.arms.foster_2 import shunt_capacitance
from antecurve.synthesis.formula_model import Formula
from antecurve.synthesis.impedance import Ratio, RcImpedance
from antecurve.synthesis.symbolic_arm import (
    ELASTANCE,
    INFINITY,
    RemainderNames,
    branch_name,
    coefficient_definitions,
    relabelled,
    symbol_field,
    symbolic_impedance,
    zero_count,
    zero_definitions,
)
from antecurve.synthesis.symbolic_network import prove, tree_impedance
from antecurve.synthesis.tree import Tree, leaf_values, resistor

__all__ = ["ArmFormulas", "arm_proof", "series_arm_formulas"]

_SHORT = 2
"""Up to this order coefficients are short enough to be shown without names of their own."""


class ArmFormulas(NamedTuple):
    """A series arm in symbols.

    Attributes
    ----------
    elements : tuple of sympy.Expr
        Its elements in the order of the layout.
    definitions : tuple of Formula
        Coefficients, zeros and remainders that these use.
    """

    elements: tuple[Any, ...]
    definitions: tuple[Formula, ...]


def series_arm_formulas(
    arm: Arm, times: Sequence[str], *, infinity: bool, at_origin: bool
) -> ArmFormulas:
    """Derive the elements of a series arm from its partial fractions, and prove them.

    Parameters
    ----------
    arm : Arm
        How it is expanded.
    times : sequence of str
        Names of its time constants.
    infinity, at_origin : bool
        Whether it has R_inf and a pole at the origin.

    Returns
    -------
    ArmFormulas
        The elements.

    Raises
    ------
    ArithmeticError
        When they do not make the impedance.
    """
    import sympy

    rules = _RULES[arm.terms]
    zeros = zero_count(times, whole=infinity and arm.needs_infinity, at_origin=at_origin)
    named = rules.named(len(times) + at_origin, zeros)
    naming = RemainderNames() if named and rules.remainders else None
    impedance = symbolic_impedance(
        times,
        infinity=infinity,
        at_origin=at_origin,
        by_coefficients=named,
        whole=arm.needs_infinity,
        naming=naming,
    )
    tree: Tree = resistor(impedance.resistance_at_infinity)
    if not impedance.is_resistor:
        arm_proof(arm, times, infinity=infinity, at_origin=at_origin)
        tree = arm.expand(impedance)
    elements = tuple(sympy.factor(value.as_expr()) for value in leaf_values(tree))
    definitions = rules.definitions(
        impedance if arm.needs_infinity else impedance.without_infinity()
    )
    used = {str(symbol) for element in elements for symbol in element.free_symbols}
    if not used & {f.name for f in definitions}:
        definitions = ()
    remainders = tuple(naming.formulas) if naming is not None else ()
    return ArmFormulas(elements, definitions + remainders)


def arm_proof(arm: Arm, times: Sequence[str], *, infinity: bool, at_origin: bool) -> None:
    """Prove that an arm's elements make its impedance.

    Parameters
    ----------
    arm : Arm
        The expansion.
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
    are each other's inverse.  A form that takes R_inf out first works with what remains.
    """
    _RULES[arm.terms].prove(arm, times, infinity, at_origin)


def _prove_fractions(arm: Arm, times: Sequence[str], infinity: bool, at_origin: bool) -> None:
    _compare(arm, *_by_fractions(times, infinity, at_origin))


def _prove_zeros(arm: Arm, times: Sequence[str], infinity: bool, at_origin: bool) -> None:
    whole = infinity and arm.needs_infinity
    count = zero_count(times, whole=whole, at_origin=at_origin)
    if count < 2:  # a single zero is rational in the partial fractions
        _prove_fractions(arm, times, infinity, at_origin)
        return
    _prove_admittance(times, count, whole, at_origin)
    _compare(arm, *_by_zeros(times, count, whole, infinity, at_origin))


def _compare(arm: Arm, impedance: RcImpedance, s: Any, expected: Any) -> None:
    made = tree_impedance(arm.expand(impedance), s)
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


def _prove_round_trip(arm: Arm, times: Sequence[str], infinity: bool, at_origin: bool) -> None:
    """Prove that the expansion of a ladder's Z(s) gives back the ladder's own elements."""
    from sympy.polys.rings import ring

    whole = arm.needs_infinity
    shape = arm.expand(
        symbolic_impedance(
            times,
            infinity=infinity,
            at_origin=at_origin,
            by_coefficients=True,
            whole=whole,
            naming=RemainderNames(),
        )
    )
    field = symbol_field([f"e{k}" for k in range(len(leaf_values(shape)))])
    own = relabelled(shape, iter(field.values()))
    ladder = own
    if infinity and not whole:
        assert isinstance(own, Group)
        ladder = join("series", *own.parts[:-1])
    last = list(field.values())[-1]
    _, s = ring("s", last.field.to_domain())
    top, bottom = _tree_ratio(ladder, s)
    impedance = RcImpedance(
        last if infinity else 0,
        last if at_origin else 0,
        tuple((last, last) for _ in times),
        coefficients=Ratio(_coefficients(top), _coefficients(bottom)),
    )
    again = leaf_values(arm.expand(impedance))
    prove(again == tuple(field.values()), "the ladder's expansion is not the ladder")


def _tree_ratio(tree: Tree, s: Any) -> tuple[Any, Any]:
    """Z(s) of an arm as polynomials, without a division: ladders have no common factor."""
    one = s.ring.one
    if isinstance(tree, Leaf):
        kind, value = tree.content
        return (one * value, one) if kind is ElementKind.RESISTOR else (one, s * value)
    numerator, denominator = _tree_ratio(tree.parts[0], s)
    for part in tree.parts[1:]:
        top, bottom = _tree_ratio(part, s)
        both = numerator * bottom + top * denominator
        if tree.joined == "series":
            numerator, denominator = both, denominator * bottom
        else:
            numerator, denominator = numerator * top, both
    return numerator, denominator


def _coefficients(polynomial: Any) -> tuple[Any, ...]:
    """Coefficients of ascending powers of s."""
    return tuple(
        polynomial.get((k,), polynomial.ring.domain.zero) for k in range(polynomial.degree() + 1)
    )


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
        return ZeroPoleGain(tuple(above), tuple(below), gain_constant=scale).at(at)

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


class _Rules(NamedTuple):
    """How an arm is written whose elements are rational in the same terms.

    `named` says, by the arm's order and the count of its zeros, whether coefficients and zeros get
    names of their own; `remainders`, whether those of a continued fraction do as well.
    """

    named: Callable[[int, int], bool]
    remainders: bool
    definitions: Callable[[RcImpedance], tuple[Formula, ...]]
    prove: Callable[[Arm, Sequence[str], bool, bool], None]


_RULES = {
    Terms.FRACTIONS: _Rules(lambda order, zeros: False, False, lambda z: (), _prove_fractions),
    Terms.ZEROS: _Rules(lambda order, zeros: zeros > 1, False, zero_definitions, _prove_zeros),
    Terms.COEFFICIENTS: _Rules(
        lambda order, zeros: order > _SHORT, True, coefficient_definitions, _prove_round_trip
    ),
}
