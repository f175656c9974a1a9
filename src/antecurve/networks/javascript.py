"""The symbolic coefficients of a network as JavaScript, for a page that redraws by itself."""

from __future__ import annotations

from antecurve.networks.forest_sums import forest_sum
from antecurve.networks.topology import Topology

__all__ = ["transfer_javascript"]


def transfer_javascript(topology: Topology, *, name: str = "coefficients") -> str:
    """Write a JavaScript function that gives the coefficients of H(s).

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
    The expressions are those that `antecurve.networks.compiled` evaluates; the element values
    are ``x0``, ``x1``, ... so that no reference can clash with a word of the language.
    """
    values = [f"x{index}" for index in range(len(topology.elements) + 3)]
    expressions = forest_sum(topology, "transfer").expressions(values)
    top, bottom = (", ".join(p) for p in (expressions.numerator, expressions.denominator))
    lines = [f"function {name}(x) {{", f"  const [{', '.join(values)}] = x;"]
    lines += [f"  const {symbol} = {text};" for symbol, text in expressions.shared]
    lines += [f"  return [[{top}], [{bottom}]];", "}"]
    return "\n".join(lines)
