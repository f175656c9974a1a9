"""What is joined on a strip board, read from its drawing."""

from __future__ import annotations

import re


class Copper:
    """Strips between cuts, and what wires join, read from the drawing alone."""

    def __init__(self, svg: str) -> None:
        self.cuts = {hole(name) for name in re.findall(r'data-cut="(\w+)"', svg)}
        self._joined: dict[tuple[int, int], tuple[int, int]] = {}
        for start, end in re.findall(r'data-link="(\w+) (\w+)"', svg):
            a, b = self.piece(start), self.piece(end)
            self._joined[a] = b

    def piece(self, name: str) -> tuple[int, int]:
        """A piece of copper: its strip and its first column."""
        row, column = hole(name)
        assert (row, column) not in self.cuts, f"{name} is soldered where the strip is cut"
        before = [c for r, c in self.cuts if r == row and c < column]
        own = (row, max(before, default=-1))
        while own in self._joined:
            own = self._joined[own]
        return own


def hole(name: str) -> tuple[int, int]:
    """Row and column of a hole by its name, such as C12."""
    letters, digits = re.fullmatch(r"([A-Z]+)(\d+)", name).groups()  # type: ignore[union-attr]
    row = 0
    for letter in letters:
        row = 26 * row + ord(letter) - ord("A") + 1
    return row - 1, int(digits) - 1
