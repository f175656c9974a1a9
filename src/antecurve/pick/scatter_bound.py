"""What the error over builds is at least, in any network, as its capacitors scatter.

**Two builds.** Let two builds differ by a factor exp(u), u > 0, of all their capacitors alone, and
be within an error r of the curve.  With L the level and E the curve [Np], the one with the smaller
ones has L_2(f) = L_1(f e^u) + theta_f: but for the load's capacitance, which does not scale, it is
the other at another frequency.  So for any f and g that stay within the band

.. math:: 4 r \\ge \\bigl[E(f e^u) - E(f)\\bigr] - \\bigl[E(g e^u) - E(g)\\bigr] - \\theta_g .

dln|D|/dln C_L = Re y/(y + Y) with y = jwC_L and Y an RC admittance (`antecurve.pick.bounds`), whose
real part is at least G, that of the load and of resistors across the output.  Hence
0 <= theta <= u min(1, w C_L / G).  With s the least that the slope of E at f is above that at g,
over all u that parts within tolerance allow, 4 r >= u (s - min(1, w_g C_L / G)) = u k.

**Worst case.** Where all capacitors have one tolerance t, two corners differ by
u = ln((1 + t)/(1 - t)).

**Builds.** So those within r lie, on each line along which all capacitors scale, in a piece no
longer than 4 r/k = v.  ln of a part has a log-concave density p_i, uniform or normal and cut alike,
and so has the product of all along a line: no piece of length v holds more than what the product
loses by a shift of v,

.. math:: P(r) \\le 1 - \\int \\min\\bigl(p(x), p(x + v)\\bigr) dx \\le 1 - \\prod_i (1 - q_i),

q_i being the most that a piece of length v holds of p_i.  It is least for the largest tolerance, so
that n parts of the least one bound all.  Where a share F of all builds is within r,
q >= 1 - (1 - F)^(1/n), which tells v and so r.

Nothing is assumed about the network.  The bound is that of all builds there may be, not of those
that are drawn.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import zero_pole_gain
from antecurve.networks.topology import ElementKind
from antecurve.parts.distributions import deviation_quantile
from antecurve.pick.branch_and_bound import Space

__all__ = ["scatter_bound"]

Floats = NDArray[np.float64]

_POINTS = 121  # frequencies, 40 a decade: a slope of the curve changes little between two
_MOST_TOLERANCE = 0.5  # beyond it the logarithm of a normal part is not log-concave
_LEAST_CONDUCTANCE = 1e-15  # S: less is none, and any load capacitance counts whole
_SLACK = 1e-9  # relative: more than the sums round


def scatter_bound(space: Space, *, fraction: float, worst: bool) -> float:
    """Bound the error over builds of every combination of a network from below.

    Parameters
    ----------
    space : Space
        The combinations.
    fraction : float
        Share of the builds that are to be within the error, above 0, at most 1.
    worst : bool
        Whether the error is to hold at the corners of the tolerances, not for builds.

    Returns
    -------
    float
        The bound [Np].  It is 0 where a capacitor has no tolerance or half of its value, where the
        curve is flat, and at corners where capacitors have several tolerances.
    """
    capacitors = [p for p in space.candidates if p.kind is ElementKind.CAPACITOR]
    scatter = [part.tolerance for p in capacitors for part in p.parts]
    least, most = min(scatter, default=0.0), max(scatter, default=0.0)
    if not 0.0 < least <= most < _MOST_TOLERANCE or (worst and least < most):
        return 0.0
    longest = math.log((1.0 + most) / (1.0 - most))
    piece = longest
    if not worst:
        parts = sum(p.legs * (2 if (p.second >= 0).any() else 1) for p in capacitors)
        held = 1.0 - (1.0 - fraction) ** (1.0 / parts)
        reach = float(deviation_quantile(np.array((1.0 + held) / 2.0), _distribution(space)))
        # In ln C such a piece is shortest at the upper end of the tolerance.
        piece = math.log1p(2.0 * least * reach / (1.0 + least))
    steepness = _steepness(space, longest)
    return max(0.0, steepness * piece / 4.0 * (1.0 - _SLACK))


def _distribution(space: Space) -> str:
    return space.model.job.spread.distribution


def _steepness(space: Space, longest: float) -> float:
    """The k of the module for all u up to `longest`: the largest of all pairs of frequencies."""
    job = space.model.job
    low, high = job.target.band_hz
    stretch = math.exp(longest)
    if low * stretch >= high:
        return 0.0
    ideal = zero_pole_gain(job.curve)
    omega = 2.0 * math.pi * np.geomspace(low, high / stretch, _POINTS)
    zeros, poles = np.array(ideal.zeros_s), np.array(ideal.poles_s)
    least = _slopes(omega, zeros) - _slopes(omega * stretch, poles)
    most = _slopes(omega * stretch, zeros) - _slopes(omega, poles)
    conductance = 1.0 / job.loading.load_resistance
    for i in space.model.across_output:
        position = space.candidates[i]
        largest = max(part.tolerance for part in position.parts)
        conductance += 1.0 / (float(position.values[-1]) * (1.0 + largest))
    susceptance = omega * stretch * job.loading.load_capacitance
    load = np.minimum(1.0, susceptance / max(conductance, _LEAST_CONDUCTANCE))
    return float(least.max() - (most + load).min())


def _slopes(omega: Floats, time_constants: Floats) -> Floats:
    """Sum of dln|1 + jwT|/dln w."""
    square = (omega[:, None] * time_constants) ** 2
    return np.asarray((square / (1.0 + square)).sum(axis=1))
