"""The proof that a form's elements make the impedance they are made from."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import zip_longest
from typing import Any

from antecurve.networks.topology import ElementKind
from antecurve.synthesis.expansion import shunt_capacitance
from antecurve.synthesis.form import Form
from antecurve.synthesis.impedance import Ratio, RcImpedance
from antecurve.synthesis.symbolic_arm import (
    ELASTANCE,
    INFINITY,
    RemainderNames,
    branch_name,
    relabelled,
    symbol_field,
    symbolic_impedance,
    zero_count,
)
from antecurve.synthesis.tree import Group, Layout, Leaf, Tree

__all__ = ["arm_proof", "prove", "tree_impedance"]


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
