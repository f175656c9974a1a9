"""Ranges of a series arm's elements where those of its partial fractions are known.

The arm is Z'(s) = sum of R_i / (1 + s T_i), the T_i apart.

**Foster.** The first form has R_i and T_i / R_i.  The second is that of the admittance:
Z'(0) = sum of R_i and 1 / sum of R_i/T_i in parallel, and at each zero s = -1/t a branch R + C with
R = s dZ'/ds, a sum of positive terms, and R C = t.  At s = -1/t the impedance falls with t, rises
with each T_i and with each R_i that has T_i below t, and falls with the other R_i; so bounds of t
are zeros at the ends of ranges.

**Cauer.** With weights w_i at nodes x_i, the Stieltjes fraction

.. math:: \\sum_i \\frac{w_i}{s + x_i}
          = \\cfrac{1}{a_1 s + \\cfrac{1}{b_1 + \\cfrac{1}{a_2 s + \\cdots}}}

has a_k = D'_{k-1}^2 / (D_{k-1} D_k) and b_k = D_k^2 / (D'_k D'_{k-1}) with Hankel determinants,
which by the formula of Cauchy and Binet have positive terms only:

.. math:: D_k = \\sum_{|S| = k} \\prod_{i \\in S} w_i \\prod_{i < l \\in S} (x_i - x_l)^2

and D'_k the same with w_i x_i (Stieltjes 1894; Gantmacher, The Theory of Matrices II, chapter XV).
The first form is that of s with w_i = R_i/T_i and x_i = 1/T_i, a_k = C_k, b_k = R_k.  The second
is that of 1/s with w_i = R_i and x_i = T_i, a_k = 1/R_k and b_k = 1/C_k.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.logarithm_forms import LogForm

__all__ = ["ARM_RANGES", "Range"]

Floats = NDArray[np.float64]
Range = tuple[Floats, Floats]
"""Bounds of logarithms, each of shape (boxes,)."""

_BISECTIONS = 40  # to 1e-12 of the distance of two time constants; the outer end counts


def _range(form: LogForm) -> Range:
    return form.low, form.high


def _foster_1(resistances: Sequence[LogForm], times: Sequence[LogForm]) -> list[Range]:
    """R and C of each pair, in the order of the time constants."""
    return [_range(form) for r, t in zip(resistances, times, strict=True) for form in (r, t - r)]


def _foster_2(resistances: Sequence[LogForm], times: Sequence[LogForm]) -> list[Range]:
    """R and C in parallel, then R and C of each branch, the longest time constant first."""
    origin = LogForm.total(resistances)
    infinity = -LogForm.total([r - t for r, t in zip(resistances, times, strict=True)])
    ranges = [_range(origin), _range(infinity)]
    # All resistances by the first one: its own range does not matter to zeros.
    ratios = [_range(r - resistances[0]) for r in resistances]
    bounds = [_range(t) for t in times]
    for gap in range(len(times) - 1):
        low, high = _zero(ratios, bounds, gap)
        share_low, share_high = _slope_at(ratios, bounds, (low, high), gap)
        first = _range(resistances[0])
        branch = first[0] + share_low, first[1] + share_high
        ranges += [branch, (low - branch[1], high - branch[0])]
    return ranges


def _zero(ratios: list[Range], times: list[Range], gap: int) -> Range:
    """Bounds of ln t of the zero between two time constants, by bisection."""
    ends = []
    for rising in (True, False):
        # Where Z' is as high as can be, its zero t is longest; where it is lowest, shortest.
        chosen = [np.exp(r[int((i > gap) == rising)]) for i, r in enumerate(ratios)]
        at = [np.exp(t[int(rising)]) for t in times]
        below, above = np.log(at[gap + 1]), np.log(at[gap])
        for _ in range(_BISECTIONS):
            middle = (below + above) / 2.0
            value = sum(r / (1.0 - t * np.exp(-middle)) for r, t in zip(chosen, at, strict=True))
            above = np.where(value < 0.0, middle, above)
            below = np.where(value < 0.0, below, middle)
        ends += [above if rising else below]
    return np.minimum(*ends), np.maximum(*ends)


def _slope_at(ratios: list[Range], times: list[Range], zero: Range, gap: int) -> Range:
    """Bounds of ln of s dZ'/ds at a zero: a sum of r q / (1 - q)^2 with q = T/t."""
    sums = [np.zeros_like(zero[0]), np.zeros_like(zero[0])]
    for i, (ratio, time) in enumerate(zip(ratios, times, strict=True)):
        shortest, longest = time[0] - zero[1], time[1] - zero[0]
        nearest, farthest = (shortest, longest) if i <= gap else (longest, shortest)
        apart = shortest > 0.0 if i <= gap else longest < 0.0
        with np.errstate(divide="ignore", over="ignore"):
            most = np.exp(nearest) / (1.0 - np.exp(nearest)) ** 2
            least = np.exp(farthest) / (1.0 - np.exp(farthest)) ** 2
        sums[0] = sums[0] + np.exp(ratio[0]) * least
        sums[1] = sums[1] + np.exp(ratio[1]) * np.where(apart, most, np.inf)
    return np.log(sums[0]), np.log(sums[1])


def _determinants(weights: Sequence[LogForm], nodes: Sequence[LogForm]) -> list[LogForm]:
    """D_0 to D_n."""
    nothing = weights[0] - weights[0]
    zero = np.zeros_like(nothing.centre)
    one = LogForm(zero, nothing.slopes, zero, zero)
    determinants = [one]
    squares = {
        (i, k): (nodes[k].times(2) + (nodes[i] - nodes[k]).from_one().times(2))
        for i, k in combinations(range(len(nodes)), 2)
    }
    for size in range(1, len(weights) + 1):
        terms = []
        for chosen in combinations(range(len(weights)), size):
            term = one
            for i in chosen:
                term = term + weights[i]
            for pair in combinations(chosen, 2):
                term = term + squares[pair]
            terms.append(term)
        determinants.append(LogForm.total(terms))
    return determinants


def _stieltjes(
    weights: Sequence[LogForm], nodes: Sequence[LogForm]
) -> list[tuple[LogForm, LogForm]]:
    """a_k and b_k."""
    plain = _determinants(weights, nodes)
    shifted = _determinants([w + x for w, x in zip(weights, nodes, strict=True)], nodes)
    return [
        (
            shifted[k - 1].times(2) - plain[k - 1] - plain[k],
            plain[k].times(2) - shifted[k] - shifted[k - 1],
        )
        for k in range(1, len(weights) + 1)
    ]


def _cauer_1(resistances: Sequence[LogForm], times: Sequence[LogForm]) -> list[Range]:
    """C and R in turn, from the input."""
    weights = [r - t for r, t in zip(resistances, times, strict=True)]
    pairs = _stieltjes(weights, [-t for t in times])
    return [_range(form) for pair in pairs for form in pair]


def _cauer_2(resistances: Sequence[LogForm], times: Sequence[LogForm]) -> list[Range]:
    """R and C in turn, from the input."""
    return [_range(-form) for pair in _stieltjes(resistances, times) for form in pair]


ARM_RANGES: dict[str, Callable[[Sequence[LogForm], Sequence[LogForm]], list[Range]]] = {
    "foster-1": _foster_1,
    "foster-2": _foster_2,
    "cauer-1": _cauer_1,
    "cauer-2": _cauer_2,
}
"""For each canonical form the ranges of its elements, without R_inf, in the order of the layout.

Called with resistances and time constants of the partial fractions, the longest first.
"""
