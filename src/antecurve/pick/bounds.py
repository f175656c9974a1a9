"""Bounds of a network's error over a box of element values: the certificate of the search.

**Coordinates.** x_i = ln v_i for each resistance and capacitance.  With all admittances cleared
of fractions, H = N/D with N and D affine in each v_i and with positive terms only.

**Slopes.** D is, up to the product of the resistances, the determinant of the nodal matrix
Y = sum_k y_k a_k a_k^T over all elements, source and load.  With Z = Y^-1 and Z_ij = a_i^T Z a_j,

.. math:: S_i = \\partial\\ln D/\\partial\\ln y_i = y_i Z_{ii} = y_i / (y_i + Y_i),

Y_i being what the rest of the network shows to element i: an RC admittance.  At s = jw both
y_i and Y_i lie in the first quadrant, so |y_i + Y_i|^2 >= |y_i|^2 + |Y_i|^2 and S_i lies in the
disc with diameter [0, 1].  For a resistor the slope by ln R is 1 - S_i (after clearing), in the
same disc.  The numerator of a ladder is a product of such determinants, one for each arm, and
has the same property.

**Curvature.** For i != j, dS_i/dln y_j = -T_ij with T_ij = y_i y_j Z_ij^2, and
dS_i/dln y_i = S_i (1 - S_i).  Turn all admittances by -45 degrees: then every
Re y'_k = |y_k|/sqrt2, and for a unit current into port i the power balance
Re(v^H Y' v) = Re Z'_ii reads sum_k |y_k| |Z_ki|^2 = sqrt2 Re Z'_ii.  Times |y_i|:

.. math:: \\sum_k |T_{ik}| = \\mathrm{Re} S_i \\pm \\mathrm{Im} S_i ,

and the term k = i is |S_i|^2.  The real part of dS_i/dln y_i is s(1 - s) + b^2 for S_i = s + jb,
so that

.. math:: |\\mathrm{Re}\\,\\partial S_i/\\partial x_i|
          + \\sum_{j \\ne i} |\\partial S_i/\\partial x_j|
          \\le u(S_i) := 2 s (1 - s) + |b| ,

the same for S_i and 1 - S_i, at most 1 in the disc, and with a gradient of at most sqrt5 by S_i.
The sum with |dS_i/dx_i| in place of its real part is at most 2 u, as b^2 <= s (1 - s) makes
|S_i||1 - S_i| no more than s (1 - s) + |b|.  Along a straight line within a box, no step longer
than h = max h_j, |dS_i/dt| is then at most 2 h u(S_i), so u grows at most by exp(kappa t h) at
fraction t of it, kappa = 2 sqrt5; and the second derivative of ln |D| along it is at most
sum_i u_i exp(kappa t h) h_i^2 (as |T_ij| is symmetric and 2 h_i h_j <= h_i^2 + h_j^2).  Integrated
twice, with phi(a) = (exp a - 1 - a)/a^2 and u_i at the centre c:

.. math:: \\bigl|\\ln|D(c + d)| - \\ln|D(c)| - \\sum_i \\mathrm{Re} S_i d_i\\bigr|
          \\le \\phi(\\kappa h) \\sum_i u_i h_i^2 .

**Convexity.** Where |D(jw)|^2 has positive terms only, as of every built-in network
(`antecurve.pick.convexity`), ln|D| is convex in x and lies above its tangent: what it departs by
is between 0 and the bound above.  The same holds for ln|N|, so that a row, which is their
difference, departs by no more than N's bound upwards and D's downwards.

**Any other numerator.** A numerator P that is no ladder's still is affine in each v_i with
positive terms.  At the centre let P(w) be its value at real s = w, which is the sum of its terms'
magnitudes at s = jw, W = P(w)/|P(jw)|, and sigma_i = dln P(w)/dx_i in [0, 1].  With A = sum h_i
every term changes at most by a factor exp(A) in the box, so |P(jw)| loses no more than
P(w) (exp A - 1).  With B = sum sigma_i h_i, the sum of the terms' first derivatives is at most
exp(A) P(w) B and of their second ones A times that.  So with V = W exp(A) / (1 - W (exp A - 1)),
the divisor being above 0, the second derivative of ln P along a line is at most V A B + (V B)^2.

Where ln|P| is convex, there is another bound, for boxes of any size: |P|^2 is a mean of
exponentials of a.d with exponents a_i = 0, 1 or 2, over a range of at most 2 A with A now over the
elements in P, and Hoeffding's lemma bounds what ln|P| departs from its tangent by A^2 / 4.

**Frequencies.** Boxes are excluded by the error over some frequencies of the band, which is never
above the error over the whole band; whatever is not excluded is evaluated over the whole band
one by one.  So nothing is assumed about what lies between the frequencies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.affine import AffineBound, exclude_and_contract
from antecurve.pick.model import CURVATURE_GROWTH, Linear, NetworkModel

__all__ = ["BoxBound", "bound_boxes", "growth_factor"]

Floats = NDArray[np.float64]

_LEAST_NOISE = 1e-9  # Np: rounding of the rows
_ANY_LEVEL = 1e3  # Np: no bound at all


@dataclass(frozen=True, slots=True, eq=False)
class BoxBound:
    """What is left of boxes of element values.

    Attributes
    ----------
    keep : numpy.ndarray of bool, shape (boxes,)
        False where no point has an error within the limit and meets the job's limits.
    low, high : numpy.ndarray of float, shape (boxes, elements)
        Where in the box such points can be, as logarithms of element values.
    worth : numpy.ndarray of float, shape (boxes, elements)
        How much dividing the box along an element promises.
    """

    keep: NDArray[np.bool_]
    low: Floats
    high: Floats
    worth: Floats


def bound_boxes(model: NetworkModel, low: Floats, high: Floats, *, limit: float) -> BoxBound:
    """Bound where in boxes the centred error can be within a limit.

    Parameters
    ----------
    model : NetworkModel
        Rows and slopes, and the job with its limits.
    low, high : numpy.ndarray of float, shape (boxes, elements)
        Ends of the boxes, logarithms of element values.
    limit : float
        Largest centred error [Np], above 0.

    Returns
    -------
    BoxBound
        What is left.
    """
    # Boxes come last in memory, as they do in rows, slopes and sizes.
    centre, half = (low + high) / 2.0, np.asfortranarray((high - low) / 2.0)
    values = np.exp(centre)
    linear = model.linearise(values)
    lowest, highest = _remainder(model, linear, values, half)
    spare = (highest - lowest) / 2.0
    level = model.job.target.level_tolerance_db / (20.0 / math.log(10.0))
    noise = spare + limit + _LEAST_NOISE
    noise[:, -1] = spare[:, -1] + level + _LEAST_NOISE
    # Where 1 kHz lies in the band, the offset of the band differs from the level by no more
    # than the error there.
    inside = model.job.target.band_hz[0] <= model.frequency[-1] <= model.job.target.band_hz[1]
    offset = np.full(len(low), level + limit + _LEAST_NOISE if inside else _ANY_LEVEL)
    bound = exclude_and_contract(
        linear.rows + (highest + lowest) / 2.0, linear.slopes, half, noise,
        offset=offset, level_row=True,
    )  # fmt: skip
    keep = bound.keep
    _apply_limits(model, keep, bound, values, half)
    shape = linear.slopes[:, :-1] - linear.slopes[:, :-1].mean(axis=1, keepdims=True)
    sizes = linear.top_sizes + linear.bottom_sizes
    worth = half * np.sqrt(np.abs(shape).max(axis=1) * sizes.max(axis=1))
    return BoxBound(keep, centre + half * bound.low, centre + half * bound.high, worth)


def growth_factor(a: Floats) -> Floats:
    """Compute phi(a) = (exp a - 1 - a) / a^2, by its series for small a.

    Parameters
    ----------
    a : numpy.ndarray of float, shape (...)
        0 or greater.

    Returns
    -------
    numpy.ndarray of float, shape (...)
        phi, 1/2 at 0.
    """
    safe = np.maximum(a, 1e-2)
    series = 0.5 + a / 6.0 + a * a / 24.0 + a * a * a / 100.0
    return np.where(a < 1e-2, series, (np.expm1(safe) - safe) / (safe * safe))


def _grown(sizes: Floats, half: Floats) -> Floats:
    """phi(kappa h) sum u_i h_i^2."""
    largest = np.minimum(CURVATURE_GROWTH * half.max(axis=1), 500.0)
    total = (sizes * (half * half)[:, None, :]).sum(axis=2)
    return np.asarray(growth_factor(largest)[:, None] * total)


def _remainder(
    model: NetworkModel, linear: Linear, values: Floats, half: Floats
) -> tuple[Floats, Floats]:
    """Bounds of what a row departs from its tangent within the box, downwards and upwards."""
    top_convex, bottom_convex = model.convex
    top, bottom = _grown(linear.top_sizes, half), _grown(linear.bottom_sizes, half)
    if model.ladder is None:
        ratio, slopes = model.positive_numerator(values)
        total = half.sum(axis=1)[:, None]
        along = (slopes @ half[:, :, None])[:, :, 0]
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            room = 1.0 - ratio * np.expm1(total)
            largest = ratio * np.exp(total) / room
            bound = 0.5 * (largest * total * along + (largest * along) ** 2)
        top = np.where(room > 0.0, bound, 1e6)
        if top_convex:
            involved = np.where(slopes > 0.0, half[:, None, :], 0.0).sum(axis=2)
            top = np.minimum(top, involved * involved / 4.0)
    downwards = bottom if top_convex else top + bottom
    return -downwards, top if bottom_convex else top + bottom


def _apply_limits(
    model: NetworkModel, keep: NDArray[np.bool_], bound: AffineBound, values: Floats, half: Floats
) -> None:
    """Drop boxes all of whose points that count miss a limit of the job."""
    wanted = model.job.network
    centre = np.log(values)
    for limit, linearise, sign, resistors in (
        (wanted.output_resistance_max, model.linearise_output, 1.0, model.across_output),
        (wanted.input_impedance_min, model.linearise_input, -1.0, model.at_input),
    ):
        if limit is None:
            continue
        # Where one resistor keeps the limit all over a box, the network does.
        nearest = (sign * centre + half)[:, list(resistors)]
        settled = np.any(nearest <= sign * math.log(limit), axis=1)
        chosen = np.flatnonzero(keep & ~settled)
        if not len(chosen):
            continue
        linear = linearise(values[chosen])
        spare = _grown(linear.top_sizes + linear.bottom_sizes, half[chosen])[:, 0]
        slopes = sign * linear.slopes[:, 0] * half[chosen]
        least = bound.least(sign * linear.rows[:, 0], slopes, spare, chosen=chosen)
        keep[chosen[least > sign * math.log(limit) + _LEAST_NOISE]] = False
