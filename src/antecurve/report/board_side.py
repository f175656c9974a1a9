"""One side of a strip board: strips, holes, parts, wires and their names, in millimetres."""

from __future__ import annotations

from collections.abc import Collection
from itertools import product
from xml.sax.saxutils import escape

from antecurve.analysis.part_outlines import PITCH_MM
from antecurve.analysis.strip_board import BoardPart, Hole, StripBoard, Terminal, WireLink
from antecurve.report.schematic import ticked

__all__ = ["FONT", "SIDES", "UPRIGHT_FONT", "BoardView", "drawn_side", "room_for_names"]

FONT, _SMALL = 1.7, 1.3  # mm: what can be read on paper at arm's length
UPRIGHT_FONT, _UPRIGHT_SMALL = 2.1, 1.7  # mm: 10 and 8 pixels on a telephone
SIDES = {"generator": "the generator", "unit": "the unit"}
_SCREEN = 5.0  # mm from the board to the screen, by judgement
_SHORT = 4  # characters that fit into the edge
_STRIP = 1.9  # mm: a strip is as wide as the pitch less a gap of 0.6


def room_for_names(board: StripBoard) -> float:
    """Find what long names of wires take beyond the edge.

    Parameters
    ----------
    board : StripBoard
        The board.

    Returns
    -------
    float
        0 where all of them fit [mm].
    """
    return FONT * max(0, max(len(words) for words in _ends(board).values()) - _SHORT)


class BoardView:
    """Places on one view, mirrored where it is seen from below, and the words on it.

    Parameters
    ----------
    board : StripBoard
        The board.
    x, y : float
        Its top left corner [mm].
    mirrored : bool
        Whether it is seen from below.
    upright : bool
        Whether the whole view is turned clockwise by a right angle later.
    numbered : tuple of int, optional
        Rows above which the columns are numbered.
    """

    def __init__(
        self, board: StripBoard, x: float, y: float, *, mirrored: bool, upright: bool,
        numbered: tuple[int, ...] = (0,),
    ) -> None:  # fmt: skip
        self._columns, self._mirrored = board.columns, mirrored
        self.numbered = numbered
        self.x, self.y, self.upright = x, y, upright
        # Long names of wires run on with the wires, as they may be next to each other.
        self.turns_names = upright and not room_for_names(board)
        self.small = _UPRIGHT_SMALL if upright else _SMALL

    def at(self, hole: Hole) -> tuple[float, float]:
        """Locate the middle of a hole.

        Parameters
        ----------
        hole : Hole
            The hole.

        Returns
        -------
        tuple of float
            To the right and down [mm].
        """
        column = self._columns - 1 - hole.column if self._mirrored else hole.column
        return self.x + (column + 0.5) * PITCH_MM, self.y + (hole.row + 0.5) * PITCH_MM

    def words(self, anchored: tuple[float, float, str], text: str) -> str:
        """Write words that are read level.

        Parameters
        ----------
        anchored : tuple of float, float and str
            Where their ``start``, ``middle`` or ``end`` is [mm], and which of these.
        text : str
            The words.

        Returns
        -------
        str
            One ``<text>`` element.
        """
        x, y, anchor = anchored
        turned = f' transform="rotate(-90 {x:.2f} {y:.2f})"' if self.upright else ""
        return f'<text x="{x:.2f}" y="{y:.2f}" text-anchor="{anchor}"{turned}>{escape(text)}</text>'


def drawn_side(
    board: StripBoard, view: BoardView, *, copper: bool, fitted: Collection[str] = ()
) -> str:
    """Draw one side: strips and holes, then cuts, or links and parts.

    Parameters
    ----------
    board : StripBoard
        The board.
    view : BoardView
        Where its holes lie.
    copper : bool
        Whether the copper is seen, or the parts.
    fitted : collection of str, optional
        References of the parts that are soldered in, which are ticked.

    Returns
    -------
    str
        Elements of an ``<svg>``.
    """
    x, y = view.x, view.y
    width, height = board.size_mm
    drawn = [
        f'<rect x="{x - _SCREEN:.2f}" y="{y - _SCREEN:.2f}" width="{width + 2 * _SCREEN:.2f}" '
        f'height="{height + 2 * _SCREEN:.2f}" fill="none" stroke="var(--ink)" stroke-width=".3" '
        'stroke-dasharray="2 1"/>',
        f'<rect x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" height="{height:.2f}" '
        'fill="none" stroke="var(--ink)" stroke-width=".2"/>',
    ]
    faint = "" if copper else ' opacity=".35"'
    strips = "".join(
        f"M{x:.2f} {y + (row + 0.5) * PITCH_MM:.2f}h{width:.2f}" for row in range(board.rows)
    )
    drawn.append(
        f'<path d="{strips}" stroke="var(--copper, #d9a066)" stroke-width="{_STRIP}"{faint}/>'
    )
    drawn.append(_holes(board, view))
    drawn.append(_names(board, view))
    if copper:
        joints = "".join("M{:.2f} {:.2f}h0".format(*view.at(hole)) for hole in _soldered(board))
        drawn.append(
            f'<path d="{joints}" stroke="var(--ink)" stroke-width="1.5" stroke-linecap="round"/>'
        )
    else:
        drawn += [_link(link, view) for link in board.links]
        drawn += [_part(part, view, ticked(part.ref, fitted)) for part in board.parts]
    # Cuts lie below the parts, but must be seen.
    cuts = "".join(_cut(hole, view) for hole in board.cuts)
    fill = "var(--paper)" if copper else 'none" stroke-dasharray=".6 .4'
    drawn.append(f'<g stroke="var(--ideal)" stroke-width=".3" fill="{fill}">{cuts}</g>')
    return "".join(drawn)


def _holes(board: StripBoard, view: BoardView) -> str:
    """A row of dots a strip: dashes of no length with round ends."""
    path = ""
    for row in range(board.rows):
        x, y = view.at(Hole(row, 0))
        end, _ = view.at(Hole(row, board.columns - 1))
        path += f"M{min(x, end):.2f} {y:.2f}H{max(x, end) + 0.01:.2f}"
    return (
        f'<path d="{path}" stroke="var(--paper)" stroke-width="1" stroke-linecap="round" '
        f'stroke-dasharray="0 {PITCH_MM}" fill="none"/>'
    )


def _soldered(board: StripBoard) -> list[Hole]:
    """Holes that a lead or a wire is soldered into."""
    return [
        *(hole for part in board.parts for hole in (part.start, part.end)),
        *(hole for link in board.links for hole in (link.start, link.end)),
        *(terminal.hole for terminal in board.terminals),
    ]


def _cut(hole: Hole, view: BoardView) -> str:
    """A cross in a circle as wide as a strip: a cutter takes all of it."""
    x, y = view.at(hole)
    return (
        f'<path data-cut="{hole.name}" d="M{x - 1.2:.2f} {y:.2f}a1.2 1.2 0 1 0 2.4 0'
        f'a1.2 1.2 0 1 0-2.4 0M{x - 0.7:.2f} {y - 0.7:.2f}l1.4 1.4m0-1.4l-1.4 1.4"/>'
    )


def _link(link: WireLink, view: BoardView) -> str:
    (x, y), (_, below) = view.at(link.start), view.at(link.end)
    ends = "".join(
        f'<circle cx="{x:.2f}" cy="{end:.2f}" r=".6" fill="var(--network)"/>' for end in (y, below)
    )
    return (
        f'<g data-link="{link.start.name} {link.end.name}">'
        f'<path d="M{x:.2f} {y:.2f}V{below:.2f}" stroke="var(--network)" stroke-width=".7"/>'
        f"{ends}</g>"
    )


def _part(part: BoardPart, view: BoardView, words: str) -> str:
    """Leads, body and words on it, the body in the middle between the leads."""
    (x, y), (_, below) = view.at(part.start), view.at(part.end)
    long, wide = part.outline.length_mm, part.outline.width_mm
    middle = (y + below) / 2.0
    round_mm = wide / 2.0 if part.outline.axial else 0.6
    return (
        f'<g data-part="{escape(part.ref)}" data-holes="{part.start.name} {part.end.name}">'
        f'<path d="M{x:.2f} {y:.2f}V{below:.2f}" stroke="var(--ink)" stroke-width=".5"/>'
        f'<circle cx="{x:.2f}" cy="{y:.2f}" r=".5"/><circle cx="{x:.2f}" cy="{below:.2f}" r=".5"/>'
        f'<rect x="{x - wide / 2:.2f}" y="{middle - long / 2:.2f}" width="{wide:.2f}" '
        f'height="{long:.2f}" rx="{round_mm:.2f}" fill="var(--paper)" fill-opacity=".85" '
        'stroke="var(--ink)" stroke-width=".3"/>'
        f'<text transform="translate({x + 0.6:.2f} {middle:.2f}) rotate(-90)" '
        f'text-anchor="middle">{escape(words)}</text></g>'
    )


def _end(terminal: Terminal) -> tuple[int, bool]:
    """The end of a strip at which a wire leaves the board: its row, and whether to the left."""
    return terminal.hole.row, terminal.side == "generator"


def _goal(terminal: Terminal) -> str:
    """Where a wire goes: a connector with its node, or a part of the switch."""
    return f"{terminal.side} {terminal.node}" if terminal.side in SIDES else terminal.side


def _ends(board: StripBoard) -> dict[tuple[int, bool], str]:
    """What is written where wires leave the board: the node, then letters of the switch."""
    names: dict[tuple[int, bool], list[str]] = {}
    for terminal in board.terminals:
        own = terminal.node if terminal.side in SIDES else terminal.side.split()[-1]
        names.setdefault(_end(terminal), []).append(own)
    return {end: ", ".join(dict.fromkeys(own)) for end, own in names.items()}


def _names(board: StripBoard, view: BoardView) -> str:
    """Wires to the connectors, letters of the strips, numbers of every fifth column."""
    x, y, upright = view.x, view.y, view.upright
    texts = []
    for row in range(board.rows):
        _, level = view.at(Hole(row, 0))
        letters = Hole(row, 0).strip
        if upright and len(letters) > 1 and row % 2:
            continue  # two letters are wider than a strip
        anchored = (x - 0.6, level, "middle") if upright else (x - 1.2, level + 0.5, "end")
        texts.append(view.words(anchored, letters))
    for row, column in product(view.numbered, sorted({0, *range(4, board.columns, 5)})):
        at, _ = view.at(Hole(row, column))
        above = y + row * PITCH_MM - 0.6
        anchored = (at + 0.6, above, "start") if upright else (at, above, "middle")
        texts.append(view.words(anchored, str(column + 1)))
    wires = "".join(_wire(terminal, board, view, name) for terminal, name in _named(board))
    halo = 'stroke="var(--paper)" stroke-width=".9" paint-order="stroke"'
    lines = "".join(_wire_line(terminal, board, view) for terminal in board.terminals)
    drawn = f'<path d="{lines}" stroke="var(--network)" stroke-width=".5"/>{wires}'
    return f'{drawn}<g font-size="{view.small}" {halo}>{"".join(texts)}</g>'


def _named(board: StripBoard) -> list[tuple[Terminal, str]]:
    """Each wire, with what is written at its end; nothing where another wire's words stand."""
    ends = _ends(board)
    return [(terminal, ends.pop(_end(terminal), "")) for terminal in board.terminals]


def _way_out(terminal: Terminal, board: StripBoard, view: BoardView) -> tuple[float, float]:
    """Where a wire to a connector ends, to the right, and its direction there: -1 or 1."""
    at, _ = view.at(terminal.hole)
    right = view.x + board.size_mm[0]
    return (view.x - 7.5, -1.0) if at < (view.x + right) / 2.0 else (right + 7.5, 1.0)


def _wire_line(terminal: Terminal, board: StripBoard, view: BoardView) -> str:
    at, level = view.at(terminal.hole)
    return f"M{at:.2f} {level:.2f}H{_way_out(terminal, board, view)[0]:.2f}"


def _wire(terminal: Terminal, board: StripBoard, view: BoardView, name: str) -> str:
    """What is written at the end of a wire to a connector."""
    _, level = view.at(terminal.hole)
    end, outward = _way_out(terminal, board, view)
    anchor = "end" if outward < 0 else "start"
    words = (
        view.words((end - 0.4 if outward < 0 else end + UPRIGHT_FONT, level, "middle"), name)
        if view.turns_names
        else f'<text x="{end + 0.4 * outward:.2f}" y="{level + 0.6:.2f}" '
        f'text-anchor="{anchor}">{escape(name)}</text>'
    )
    return (
        f'<g data-node="{escape(terminal.node)}" data-hole="{terminal.hole.name}" '
        f'data-goal="{escape(_goal(terminal))}">{words if name else ""}</g>'
    )
