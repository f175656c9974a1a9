"""The symbolic coefficients of a network as JavaScript, for a page that redraws by itself."""

from __future__ import annotations

from antecurve.networks.symbolic import solve
from antecurve.networks.topology import Topology

__all__ = ["transfer_javascript"]


def transfer_javascript(topology: Topology, *, name: str = "coefficients") -> str:
    """Return a JavaScript function that gives the coefficients of H(s).

    Parameters
    ----------
    topology : Topology
        The network.
    name : str, optional
        Name of the function.

    Returns
    -------
    str
        ``function name(x) {...}``: `x` is an array of the values of the elements in order, then
        source resistance, load resistance and load capacitance; it returns numerator and
        denominator, each an array of the coefficients of ascending powers of s.

    Notes
    -----
    The expressions are those that `antecurve.networks.compiled` evaluates, through sympy's
    printer; element symbols are renamed ``x0``, ``x1``, ... so that no reference can clash with
    a word of the language.
    """
    import sympy

    solution = solve(topology)
    plain = sympy.symbols(f"x0:{len(solution.symbols)}", positive=True)
    rename = dict(zip(solution.symbols, plain, strict=True))
    top = [sympy.sympify(c).xreplace(rename) for c in solution.transfer_numerator]
    bottom = [sympy.sympify(c).xreplace(rename) for c in solution.transfer_denominator]
    shared, reduced = sympy.cse([*top, *bottom], symbols=sympy.numbered_symbols("t"))
    printed = [sympy.jscode(e) for e in reduced]
    lines = [f"function {name}(x) {{", f"  const [{', '.join(map(str, plain))}] = x;"]
    lines += [f"  const {symbol} = {sympy.jscode(e)};" for symbol, e in shared]
    lines += [
        f"  return [[{', '.join(printed[: len(top)])}], [{', '.join(printed[len(top) :])}]];",
        "}",
    ]
    return "\n".join(lines)
