"""An independent numeric nodal solve: complex admittances, numpy.linalg, nothing symbolic."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Card = tuple[str, str, str, float]


def solve_cards(
    cards: list[Card], frequency_hz: ArrayLike, output: tuple[str, str] = ("out", "0")
) -> NDArray[np.complex128]:
    """Output voltage for 1 V of EMF between drive and 0, from cards (ref, node, node, value).

    A resistor of 0 ohm joins its nodes.
    """
    joined = {}
    for _, a, b, value in (c for c in cards if c[0].startswith("R") and c[3] == 0):
        joined[a if a != "drive" else b] = b if a != "drive" else a
        del value
    cards = [
        (ref, joined.get(a, a), joined.get(b, b), value)
        for ref, a, b, value in cards
        if not (ref.startswith("R") and value == 0)
    ]
    plus, minus = (joined.get(n, n) for n in output)
    nodes = sorted({n for c in cards for n in c[1:3]} - {"0", "drive"})
    index = {n: i for i, n in enumerate(nodes)}
    outputs = []
    for frequency in np.atleast_1d(np.asarray(frequency_hz, float)):
        matrix = np.zeros((len(nodes), len(nodes)), complex)
        current = np.zeros(len(nodes), complex)
        for ref, a, b, value in cards:
            y = 1 / value if ref.startswith("R") else 2j * math.pi * frequency * value
            for one, other in ((a, b), (b, a)):
                if one in index:
                    matrix[index[one], index[one]] += y
                    if other in index:
                        matrix[index[one], index[other]] -= y
                    elif other == "drive":
                        current[index[one]] += y
        voltage = dict(zip(nodes, np.linalg.solve(matrix, current), strict=True))
        voltage |= {"0": 0.0, "drive": 1.0}
        outputs.append(voltage[plus] - voltage[minus])
    return np.array(outputs)


def read_cards(text: str) -> list[Card]:
    """Resistors and capacitors of a netlist, ``REF NODE NODE VALUE``."""
    cards = []
    for line in text.splitlines():
        if line.startswith(("R", "C")):
            ref, a, b, value = line.split()
            cards.append((ref, a, b, float(value)))
    return cards
