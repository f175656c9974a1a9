"""The root of a function between two points where its signs differ.

Here, since loading ``scipy.optimize`` for its ``brentq`` takes as long as a tenth of a design.
"""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["bracketed_root"]


def bracketed_root(
    function: Callable[[float], float], *, first: float, second: float, relative: float = 1e-12
) -> float:
    """Find a root by inverse quadratic interpolation, and by halving where that is not safe.

    T. R. Chandrupatla, Advances in Engineering Software 28 (1997), 145-149.

    Parameters
    ----------
    function : callable
        A continuous function of one number.
    first, second : float
        Points where its signs differ, or where it is 0.
    relative : float, optional
        Largest distance to a change of sign, as a part of the root.

    Returns
    -------
    float
        The root.

    Raises
    ------
    ValueError
        When the signs don't differ.
    """
    x1, x2, f1, f2 = first, second, function(first), function(second)
    if f1 * f2 > 0.0:
        raise ValueError(f"the function has one sign at {first} and {second}")
    share = 0.5
    while f1 != 0.0 and f2 != 0.0:
        x = x1 + share * (x2 - x1)
        f = function(x)
        if (f > 0.0) == (f1 > 0.0):
            x3, f3 = x1, f1
        else:
            x3, f3, x2, f2 = x2, f2, x1, f1
        x1, f1 = x, f
        least = relative * min(abs(x1), abs(x2)) / abs(x2 - x1)
        if least > 0.5 or x1 in (x2, x3):
            break
        xi, phi = (x1 - x2) / (x3 - x2), (f1 - f2) / (f3 - f2)
        share = 0.5
        if phi**2 < xi and (1.0 - phi) ** 2 < 1.0 - xi:
            share = f1 / (f2 - f1) * f3 / (f2 - f3) + (x3 - x1) / (x2 - x1) * f1 / (f3 - f1) * (
                f2 / (f3 - f2)
            )
        share = min(1.0 - least, max(least, share))
    return x1 if abs(f1) < abs(f2) else x2
