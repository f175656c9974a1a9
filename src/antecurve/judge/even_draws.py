"""Numbers evenly spread over several columns: Sobol's sequence, scrambled.

Directions are the first of Joe and Kuo (SIAM J. Sci. Comput. 30 (2008) 2635).  A lower triangular
matrix of random bits scrambles the digits of each column, and a random shift follows (Matousek,
J. Complexity 14 (1998) 527).  The numbers are those of scipy's ``stats.qmc.Sobol``, to the last
bit, without its 0.7 s of import.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["even_draws"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_BITS = 30  # of a number
_DIRECTIONS = """
3:1 7:1,3 11:1,3,1 13:1,1,1 19:1,1,3,3 25:1,3,5,13 37:1,1,5,5,17 41:1,1,5,5,5 47:1,1,7,11,19
55:1,1,5,1,1 59:1,1,1,3,11 61:1,3,5,5,31 67:1,3,3,9,7,49 91:1,1,1,15,21,21 97:1,3,1,13,27,49
103:1,1,1,15,7,5 109:1,3,1,15,13,25 115:1,1,5,5,19,61 131:1,3,7,11,23,15,103 137:1,3,7,13,13,15,69
143:1,1,3,13,7,35,63 145:1,3,5,9,1,25,53 157:1,3,1,13,9,35,107 167:1,3,1,5,27,61,31
171:1,1,5,11,19,41,61 185:1,3,5,3,3,13,69 191:1,1,7,13,1,19,1 193:1,3,7,5,13,19,59
203:1,1,3,9,25,29,41 211:1,3,5,13,23,1,55 213:1,3,7,3,13,59,17 229:1,3,1,3,5,53,69
239:1,1,5,5,23,33,13 241:1,1,7,7,1,61,123 247:1,1,7,9,13,61,49 253:1,3,3,5,3,55,33
285:1,3,1,15,31,13,49,245 299:1,3,5,15,31,59,63,97 301:1,3,1,11,11,11,77,249
333:1,3,1,11,27,43,71,9 351:1,1,7,15,21,11,81,45 355:1,3,7,3,25,31,65,79 357:1,3,1,1,19,11,3,205
361:1,1,5,9,19,21,29,157 369:1,3,7,11,1,33,89,185 391:1,3,3,3,15,9,79,71 397:1,3,7,11,15,39,119,27
425:1,1,3,1,11,31,97,225 451:1,1,1,3,23,43,57,177 463:1,3,7,7,17,17,37,71
487:1,3,1,5,27,63,123,213 501:1,1,3,5,11,43,53,133 529:1,3,5,5,29,17,47,173,479
539:1,3,3,11,3,1,109,9,69 545:1,1,1,5,17,39,23,5,343 557:1,3,1,5,25,15,31,103,499
563:1,1,1,11,11,17,63,105,183 601:1,1,5,11,9,29,97,231,363 607:1,1,5,15,19,45,41,7,383
617:1,3,7,7,31,19,83,137,221 623:1,1,1,3,23,15,111,223,83 631:1,1,5,13,31,15,55,25,161
637:1,1,3,13,25,47,39,87,257 647:1,1,1,11,21,53,125,249,293 661:1,1,7,11,11,7,57,79,323
675:1,1,5,5,17,13,81,3,131 677:1,1,7,13,23,7,65,251,475 687:1,3,5,1,9,43,3,149,11
695:1,1,3,13,31,13,13,255,487 701:1,3,3,1,5,63,89,91,127 719:1,1,3,3,1,19,123,127,237
721:1,1,5,7,23,31,37,243,289 731:1,1,5,11,17,53,117,183,491 757:1,1,1,5,1,13,13,209,345
761:1,1,3,15,1,57,115,7,33 787:1,3,1,11,7,43,81,207,175 789:1,3,1,1,15,27,63,255,49
799:1,3,5,3,27,61,105,171,305 803:1,1,5,3,1,3,57,249,149 817:1,1,3,5,5,57,15,13,159
827:1,1,1,11,7,11,105,141,225 847:1,3,3,5,27,59,121,101,271 859:1,3,5,9,11,49,51,59,115
865:1,1,7,1,23,45,125,71,419 875:1,1,3,5,23,5,105,109,75 877:1,1,7,15,7,11,67,121,453
883:1,3,7,3,9,13,31,27,449 895:1,3,1,15,19,39,39,89,15 901:1,1,1,1,1,33,73,145,379
911:1,3,1,15,15,43,29,13,483 949:1,1,7,3,19,27,85,131,431 953:1,3,3,3,5,35,23,195,349
967:1,3,3,7,9,27,39,59,297 971:1,1,3,9,11,17,13,241,157 973:1,3,7,15,25,57,33,189,213
981:1,1,7,1,9,55,73,83,217 985:1,3,3,13,19,27,23,113,249 995:1,3,5,3,23,43,3,253,479
1001:1,1,5,5,11,5,45,117,217
"""
# Of each column but the first: a primitive polynomial over bits, its highest power in front, and
# as many first directions.


def even_draws(*, count: int, columns: int, seed: int) -> Floats:
    """Draw numbers that are evenly spread.

    Parameters
    ----------
    count : int
        How many of each column, a power of 2.
    columns : int
        How many columns.
    seed : int
        What scrambles them.

    Returns
    -------
    numpy.ndarray of float, shape (count, columns)
        From 0 to less than 1.
    """
    rows = _DIRECTIONS.split()
    if columns > len(rows) + 1:  # captures by the dozen
        from scipy.stats import qmc

        drawn = qmc.Sobol(columns, rng=np.random.default_rng(seed)).random(count)
        return np.asarray(drawn, dtype=np.float64)
    used = count.bit_length() - 1
    directions = np.array(
        [_binary([1] * used), *(_directions(row, used) for row in rows[: columns - 1])]
    )
    rng = np.random.default_rng(np.random.SeedSequence(seed).spawn(1)[0])  # as scipy does
    shift = rng.integers(2, size=(columns, _BITS), dtype=np.uint32) @ 2 ** np.arange(_BITS)
    matrix = np.tril(rng.integers(2, size=(columns, _BITS, _BITS), dtype=np.uint32))
    return _points(shift.astype(np.int64), _scrambled(directions, matrix))


def _directions(row: str, used: int) -> Integers:
    """The first directions of a column, by the recurrence of its polynomial."""
    polynomial, *first = map(int, row.replace(":", ",").split(","))
    degree = polynomial.bit_length() - 1
    directions = first[:used]
    for number in range(degree, used):
        # The last power stands for the direction itself, the others as they are in the polynomial.
        new = directions[number - degree]
        for back in range(1, degree + 1):
            if polynomial >> (degree - back) & 1:
                new ^= directions[number - back] << back
        directions.append(new)
    return _binary(directions)


def _binary(directions: list[int]) -> Integers:
    """Directions as fractions in whole parts of the last bit."""
    return np.array(
        [number << (_BITS - 1 - k) for k, number in enumerate(directions)], dtype=np.int64
    )


def _scrambled(directions: Integers, matrix: NDArray[np.uint32]) -> Integers:
    """Digits of all directions, the first one the highest, times the matrix of their column."""
    power = np.arange(_BITS)[::-1]
    inner = matrix.astype(float)
    inner[:, np.arange(_BITS), np.arange(_BITS)] = 1.0
    digits = (directions[:, :, None] >> power) & 1
    # Sums of 30 ones are exact in double precision.
    turned = (digits @ np.swapaxes(inner, 1, 2)).astype(np.int64) & 1
    return np.asarray(turned @ (1 << power))


def _points(shift: Integers, directions: Integers) -> Floats:
    """All points in the order of Gray's code: each half is the one before, backwards and moved."""
    points = shift[None]
    for direction in directions.T:
        points = np.concatenate([points, points[::-1] ^ direction])
    return points / 2.0**_BITS
