"""The partial fractions of a section in the curve's time constants, and their proof.

The same formulas as in `antecurve.synthesis.half_section`, over a field of rational functions.
Where Q holds a root of D = g N, which is no rational function of the curve, the proof
eliminates g (and with a second root one of the poles) by the equations that define the roots;
both are linear in what they eliminate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from antecurve.errors import UnattainableError
from antecurve.synthesis.formula_model import Formula
from antecurve.synthesis.symbolic_arm import ELASTANCE, INFINITY, branch_name, symbol_field
from antecurve.synthesis.symbolic_curve import SymbolicCurve
from antecurve.synthesis.symbolic_proof import prove

__all__ = ["SectionFormulas", "section_formulas"]

_LEVEL = "g0"


@dataclass(frozen=True, slots=True, eq=False)
class SectionFormulas:
    """A section's quantities as formulas.

    Attributes
    ----------
    definitions : tuple of Formula
        In order, for CL = 0 unless the section has a capacitor across the output.
    loaded_definitions : tuple of Formula
        With CL, where that is a closed form; else empty.
    shunt : tuple of Formula
        Elements of the shunt arm in the order of the layout: resistor and capacitor of each
        branch, the capacitor across the output.
    series_times : tuple of str
        Names of the series arm's time constants.
    infinity : bool
        Whether the series arm has R_inf.
    conditions : tuple of str
        When every element is positive, for `definitions`.
    loaded_conditions : tuple of str
        The same for `loaded_definitions`.
    """

    definitions: tuple[Formula, ...]
    loaded_definitions: tuple[Formula, ...]
    shunt: tuple[Formula, ...]
    series_times: tuple[str, ...]
    infinity: bool
    conditions: tuple[str, ...]
    loaded_conditions: tuple[str, ...]


class _Symbols:
    """The curve's and the section's quantities as elements of a field."""

    def __init__(
        self, names: SymbolicCurve, taken: Sequence[str], capacitor: bool, implied: bool
    ) -> None:
        self.names, self.taken, self.capacitor, self.implied = names, taken, capacitor, implied
        self.roots = tuple(f"Tq{k + 1}" for k in range(len(taken)))
        self.roots += ("Tc",) if capacitor else ()
        self.kept = tuple(z for z in names.zeros if z not in taken)
        self.beyond = f"T{len(names.zeros) + len(names.poles) + names.found.zeros_at_origin + 1}"
        fresh = [_LEVEL, "Rp", "Rs", "CL", "tau", "T_load", "s", self.beyond]
        self.field = symbol_field([*names.zeros, *names.poles, *self.roots, *fresh])

    def __getitem__(self, name: str) -> Any:
        return self.field[name]

    def product(self, times: Sequence[Any], s: Any) -> Any:
        total = s / s
        for time in times:
            total = total * (1 + s * (self.field[time] if isinstance(time, str) else time))
        return total

    def lead(self, times: Sequence[Any]) -> Any:
        total = self.field["s"] / self.field["s"]
        for time in times:
            total = total * (self.field[time] if isinstance(time, str) else time)
        return total


def section_formulas(
    names: SymbolicCurve, *, taken: Sequence[str], output_resistor: str, capacitor: bool
) -> SectionFormulas:
    """Return the formulas of a section and prove them.

    Parameters
    ----------
    names : SymbolicCurve
        The curve's time constants.
    taken : sequence of str
        Names of the zeros that the shunt arm makes.
    output_resistor : str
        Reference of the resistor across the output.
    capacitor : bool
        Whether there is a capacitor across the output.

    Returns
    -------
    SectionFormulas
        Definitions, shunt elements and conditions.

    Raises
    ------
    UnattainableError
        When the shunt arm takes so much of the curve that there is no rational proof.
    ArithmeticError
        When substituting back fails.
    """
    rest = _proved(names, tuple(taken), capacitor)
    rp = _rp(output_resistor)
    loaded = (rp, *rest.loaded_definitions) if rest.loaded_definitions else ()
    return replace(rest, definitions=(rp, *rest.definitions), loaded_definitions=loaded)


@lru_cache(maxsize=64)
def _proved(names: SymbolicCurve, taken: tuple[str, ...], capacitor: bool) -> SectionFormulas:
    """The formulas but for that of Rp."""
    found = names.found
    implied = len(found.poles_s) < len(found.zeros_s) + found.zeros_at_origin
    symbols = _Symbols(names, taken, capacitor, implied)
    if len(symbols.roots) > 2:
        raise UnattainableError(
            "rc-shunt",
            f"the shunt arm needs {len(symbols.roots)} roots of D = g0 N, more than two",
            "take the values of the exact network instead of formulas",
        )
    plain = _fractions(symbols, loaded=False)
    _prove_section(symbols, loaded=False)
    definitions = [*_root_definitions(symbols), *_formulas(symbols, plain)]
    loaded: list[Formula] = []
    if not taken and not capacitor and not implied:
        _prove_section(symbols, loaded=True)
        loaded = _loaded_definitions(symbols)
        loaded += _formulas(symbols, _fractions(symbols, loaded=True))
    return SectionFormulas(
        tuple(definitions),
        tuple(loaded),
        _shunt_elements(symbols),
        symbols.kept,
        not implied,
        _conditions(symbols),
        _loaded_conditions(symbols) if loaded else (),
    )


def _rp(output_resistor: str) -> Formula:
    import sympy

    resistor, load = sympy.symbols(f"{output_resistor} RL", positive=True)
    return Formula("Rp", resistor * load / (resistor + load), "shunt resistance, load included")


def _fractions(
    symbols: _Symbols, *, loaded: bool, values: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Partial fractions of the series arm; `values` stand in for what they name."""
    v = {name: symbols[name] for name in symbols.field} | dict(values or {})
    names = symbols.names
    at_origin = names.found.zeros_at_origin
    poles = [v[p] for p in names.poles]
    result: dict[str, Any] = {}
    ratio = v["Rp"] * symbols.lead([v[t] for t in symbols.taken])
    ratio = ratio / symbols.lead([v[q] for q in symbols.roots])
    lead_n = symbols.lead([v[z] for z in names.zeros])
    if symbols.implied:
        pole = v[_LEVEL] * lead_n / symbols.lead(poles) * (1 + v["Rs"] / ratio)
        result[symbols.beyond] = pole
        poles.append(v[symbols.beyond] if values is None else pole)
    if loaded:
        poles.append(v["T_load"])
    balance = [v[q] for q in symbols.roots] + ([v["tau"]] if loaded else [])
    for zero in symbols.kept:
        s = -1 / v[zero]
        rest = symbols.product([v[z] for z in symbols.kept if z != zero], s)
        below = symbols.product(balance, s) * v[_LEVEL] * rest * (s if at_origin else 1)
        result[branch_name(zero)] = v["Rp"] * symbols.product(poles, s) / below
    if at_origin:
        result[ELASTANCE] = v["Rp"] / v[_LEVEL]
    inverse = symbols.lead(poles) / (v[_LEVEL] * lead_n)
    if symbols.implied:
        return result
    if loaded:
        result[INFINITY] = v["Rp"] * inverse / v["tau"] - v["Rs"]
    elif symbols.capacitor:
        result[INFINITY] = ratio * inverse - v["Rs"]
    else:
        result[INFINITY] = ratio * (inverse - 1) - v["Rs"]
    return result


def _formulas(symbols: _Symbols, fractions: Mapping[str, Any]) -> list[Formula]:
    import sympy

    remarks = {
        INFINITY: "series arm at infinite frequency",
        ELASTANCE: "1/C of the series arm at zero frequency",
        symbols.beyond: "pole that any such network has beyond the curve",
    }
    found = []
    source = sympy.Symbol("Rs", positive=True)
    for name, value in fractions.items():
        remark = remarks.get(name, "partial fraction of the series arm")
        expression = value.as_expr()
        if name == INFINITY:
            whole = expression + source
            if not symbols.capacitor and not whole.has(sympy.Symbol("tau", positive=True)):
                shunt = sympy.Symbol("Rp", positive=True)
                for zero, root in _pairs(symbols):
                    shunt *= sympy.Symbol(zero, positive=True) / sympy.Symbol(root, positive=True)
                expression = shunt * (sympy.factor(whole / shunt + 1) - 1) - source
            else:
                expression = sympy.factor(whole) - source
        else:
            expression = sympy.factor(expression)
        found.append(Formula(name, expression, remark))
    return found


def _numerator(symbols: _Symbols, v: Mapping[str, Any], s: Any) -> Any:
    value = v[_LEVEL] * symbols.product([v[z] for z in symbols.names.zeros], s)
    return value * s if symbols.names.found.zeros_at_origin else value


def _load_pole(symbols: _Symbols, v: Mapping[str, Any]) -> Any:
    s = -1 / v["tau"]
    poles = symbols.product([v[p] for p in symbols.names.poles], s)
    return v["tau"] * (1 - _numerator(symbols, v, s) / poles)


def _loaded_definitions(symbols: _Symbols) -> list[Formula]:
    import sympy

    rp, cl = sympy.symbols("Rp CL", positive=True)
    tau = sympy.Symbol("tau", positive=True)
    pole = tau * (
        1 - sympy.factor((1 - _load_pole(symbols, symbols.field) / symbols["tau"]).as_expr())
    )
    return [
        Formula("tau", rp * cl, "the load's own time constant"),
        Formula("T_load", pole, "the one pole beyond the curve that the load's capacitance adds"),
    ]


def _eliminated(symbols: _Symbols) -> dict[str, Any]:
    """What the roots in Q make of g (and of the shortest pole) as rational functions."""
    v = dict(symbols.field)
    names = symbols.names
    if not symbols.roots:
        return v
    first = -1 / v[symbols.roots[0]]
    poles = list(names.poles)
    if symbols.implied:
        # D holds the implied pole, itself linear in g: (1 + s T) with T = g c.
        factor = _fractions(symbols, loaded=False)[symbols.beyond] / v[_LEVEL]
        bare = symbols.product([v[p] for p in poles], first)
        numerator = _numerator(symbols, v, first) / v[_LEVEL]
        v[_LEVEL] = bare / (numerator - bare * first * factor)
        return v
    if len(symbols.roots) == 2:
        last = poles[-1]
        rows = []
        for root in symbols.roots:
            s = -1 / v[root]
            bare = symbols.product([v[p] for p in poles[:-1]], s)
            rows.append((s, bare, _numerator(symbols, v, s) / v[_LEVEL]))
        (s1, d1, n1), (s2, d2, n2) = rows
        v[last] = (d2 * n1 - d1 * n2) / (d1 * n2 * s1 - d2 * n1 * s2)
    bare = symbols.product([v[p] for p in poles], first)
    v[_LEVEL] = bare / (_numerator(symbols, v, first) / v[_LEVEL])
    return v


def _prove_section(symbols: _Symbols, *, loaded: bool) -> None:
    """Prove Zp/(Rs + Z + Zp) = g s^a N/D as rational functions."""
    v = _eliminated(symbols)
    s = v["s"]
    if loaded:
        v["T_load"] = _load_pole(symbols, v)
    fractions = _fractions(symbols, loaded=loaded, values=v)
    arm = v["Rs"] + fractions.get(INFINITY, 0)
    if ELASTANCE in fractions:
        arm = arm + fractions[ELASTANCE] / s
    for zero in symbols.kept:
        arm = arm + fractions[branch_name(zero)] / (1 + s * v[zero])
    poles = [v[p] for p in symbols.names.poles]
    poles += [fractions[symbols.beyond]] if symbols.implied else []
    poles += [v["T_load"]] if loaded else []
    inverse = symbols.product(poles, s) / _numerator(symbols, v, s)
    shunt = _shunt_admittance(symbols, v)
    if loaded:
        shunt = shunt + s * v["tau"] / v["Rp"]
    prove(arm * shunt + 1 == inverse, "Zp/(Rs + Z + Zp) is not the curve")


def _shunt_branches(symbols: _Symbols, v: Mapping[str, Any]) -> list[tuple[Any, Any]]:
    branches = []
    for zero in symbols.taken:
        s = -1 / v[zero]
        rest = symbols.product([v[z] for z in symbols.taken if z != zero], s)
        capacitance = -v[zero] * symbols.product([v[q] for q in symbols.roots], s)
        capacitance = capacitance / (v["Rp"] * rest)
        branches.append((v[zero] / capacitance, capacitance))
    return branches


def _shunt_admittance(symbols: _Symbols, v: Mapping[str, Any]) -> Any:
    """1/Rp + the branches + the capacitor, load included."""
    s = v["s"]
    total = 1 / v["Rp"]
    for resistance, capacitance in _shunt_branches(symbols, v):
        total = total + s * capacitance / (1 + s * resistance * capacitance)
    if symbols.capacitor:
        total = total + s * _whole_capacitance(symbols, v)
    return total


def _whole_capacitance(symbols: _Symbols, v: Mapping[str, Any]) -> Any:
    roots = symbols.lead([v[q] for q in symbols.roots])
    return roots / (v["Rp"] * symbols.lead([v[t] for t in symbols.taken]))


def _shunt_elements(symbols: _Symbols) -> tuple[Formula, ...]:
    import sympy

    found = []
    for resistance, capacitance in _shunt_branches(symbols, symbols.field):
        found.append(Formula("R", sympy.factor(resistance.as_expr())))
        found.append(Formula("C", sympy.factor(capacitance.as_expr())))
    if symbols.capacitor:
        whole = sympy.factor(_whole_capacitance(symbols, symbols.field).as_expr())
        found.append(Formula("C", whole - sympy.Symbol("CL", positive=True)))
    return tuple(found)


def _root_definitions(symbols: _Symbols) -> list[Formula]:
    import sympy

    found = []
    names = symbols.names
    poles = [sympy.Symbol(p, positive=True) for p in names.poles]
    if symbols.implied:
        poles.append(_fractions(symbols, loaded=False)[symbols.beyond].as_expr())
    for root in symbols.roots:
        time = sympy.Symbol(root, positive=True)
        left = sympy.Mul(*(1 - p / time for p in poles))
        right = sympy.Mul(*(1 - sympy.Symbol(z, positive=True) / time for z in names.zeros))
        if names.found.zeros_at_origin:
            right = -right / time
        equation = sympy.Eq(left, sympy.Symbol(_LEVEL, positive=True) * right)
        what = "the capacitor" if root == "Tc" else "a shunt branch"
        found.append(Formula(root, equation, f"root of D = g0 N that {what} makes"))
    return found


def _conditions(symbols: _Symbols) -> tuple[str, ...]:
    names = symbols.names
    corners = [(t, n) for t, n in zip(names.found.zeros_s, names.zeros, strict=True)]
    corners += [(t, n) for t, n in zip(names.found.poles_s, names.poles, strict=True)]
    order = " > ".join(n for _, n in sorted(corners, reverse=True))
    conditions = [order] if not symbols.taken else [f"{r} > {z}" for z, r in _pairs(symbols)]
    zeros, poles = " ".join(names.zeros), " ".join(names.poles)
    if not symbols.implied:
        rp = "Rp" if not symbols.taken else f"Rp {' '.join(symbols.taken)}"
        roots = [q for q in symbols.roots if q != "Tc"]
        z = f"{rp}/({' '.join(roots)})" if len(roots) > 1 else "/".join([rp, *roots])
        reach = f"g0 {zeros}/({poles})" if poles else f"g0 {zeros}"
        if symbols.capacitor:
            conditions.append(f"R_inf >= 0: {z} >= Rs Tc {reach}")
        elif symbols.taken:
            conditions.append(f"R_inf >= 0: {reach} <= Z/(Z + Rs) with Z = {z}")
        else:
            conditions.append(f"R_inf >= 0: {reach} <= Rp/(Rp + Rs)")
    if symbols.capacitor:
        conditions.append("CL < the whole capacitance across the output")
    return tuple(conditions)


def _loaded_conditions(symbols: _Symbols) -> tuple[str, ...]:
    """When every element is positive with the load's capacitance, the shunt arm a resistor."""
    names = symbols.names
    conditions = list(_conditions(symbols)[:1])
    if names.poles:
        conditions.append(f"0 < T_load <= {names.poles[-1]}")
    if names.zeros:
        conditions.append(f"tau < {names.zeros[-1]}")
    top = " ".join(["g0", *names.zeros, "tau", "Rs"])
    conditions.append(f"R_inf >= 0: {top} <= {' '.join(['Rp', *names.poles, 'T_load'])}")
    return tuple(conditions)


def _pairs(symbols: _Symbols) -> list[tuple[str, str]]:
    return list(zip(symbols.taken, symbols.roots, strict=False))
