"""A strip board drawn to scale from both sides, and the steps of its assembly."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any, Final
from xml.sax.saxutils import escape

from antecurve.analysis.part_outlines import OUTLINES_SOURCE, PITCH_MM, Outline, part_outline
from antecurve.analysis.parts_list import PartsList
from antecurve.analysis.strip_board import (
    BoardPart,
    Hole,
    StripBoard,
    Terminal,
    WireLink,
    strip_board,
)
from antecurve.networks.topology import ElementKind
from antecurve.pipeline import Design, design_parts_list
from antecurve.quantities import format_quantity
from antecurve.report.schematic import in_both_widths, ticked
from antecurve.texts import capitalised

__all__ = [
    "board_caption",
    "board_files",
    "board_of",
    "board_section",
    "board_steps",
    "board_svg",
    "known_outlines",
    "shown_board",
]

_EDGE = 12.0  # mm around each view, for the names of strips and wires
_BETWEEN = 16.0  # mm from view to view, for a title
_SHORT = 4  # characters that fit into the edge
_STRIP = 1.9  # mm: a strip is as wide as the pitch less a gap of 0.6
_SIDES = {"generator": "the generator", "unit": "the unit"}
_FONT, _SMALL = 1.7, 1.3  # mm: what can be read on paper at arm's length
_UPRIGHT_FONT, _UPRIGHT_SMALL = 2.1, 1.7  # mm: 10 and 8 pixels on a telephone
_SCREEN = 5.0  # mm from the board to the screen, by judgement
_BESIDE = 8.0  # mm beside an upright board: the screen, and the numbers of its columns

PAPER_COLOURS: Final = {
    "--ink": "#1b1b1b", "--paper": "#ffffff", "--line": "#c9c9c9", "--copper": "#d9a066",
    "--network": "#0072B2", "--ideal": "#D55E00",
}  # fmt: skip
"""Colours of a drawing by itself; on a page those of the page count."""


def board_files(design: Design) -> dict[str, bytes]:
    """Draw the board of a design as a file.

    Parameters
    ----------
    design : Design
        A design.

    Returns
    -------
    dict of str to bytes
        ``board.svg``, which prints to scale; nothing where a part is too large for a board.
    """
    board = board_of(design)
    title = f"{design.job.title}: the network on a strip board"
    drawn = "" if board is None else board_svg(board, title=title, by_itself=True)
    return {"board.svg": drawn.encode()} if drawn else {}


def board_section(design: Design, *, fitted: Collection[str] = ()) -> dict[str, Any]:
    """Collect what a page shows of the board.

    Parameters
    ----------
    design : Design
        A design.
    fitted : collection of str, optional
        References of the parts that are soldered in, which are ticked.

    Returns
    -------
    dict
        ``board``, ``board_text`` and ``board_steps``; ``board`` is empty without a board.
    """
    return shown_board(board_of(design), fitted=fitted)


def shown_board(board: StripBoard | None, *, fitted: Collection[str] = ()) -> dict[str, Any]:
    """Collect what a page shows of a board.

    Parameters
    ----------
    board : StripBoard or None
        The board; ``None`` for none.
    fitted : collection of str, optional
        References of the parts that are soldered in, which are ticked.

    Returns
    -------
    dict
        ``board``, ``board_text`` and ``board_steps``; ``board`` is empty without a board.
    """
    from markupsafe import Markup

    if board is None:
        return {"board": ""}
    title = "Strip board from both sides, to scale"
    return {
        # Its only texts from outside are references and nodes, which are escaped.
        "board": Markup(
            in_both_widths(
                board_svg(board, title=title, fitted=fitted),
                board_svg(board, title=title, fitted=fitted, upright=True),
            )
        ),
        "board_text": board_caption(board),
        "board_steps": board_steps(board),
    }


def board_of(design: Design) -> StripBoard | None:
    """Lay the network of a design out with the outlines of the parts to buy for it.

    Parameters
    ----------
    design : Design
        A design.

    Returns
    -------
    StripBoard or None
        ``None`` where a part is too large for a board.
    """
    # Of a pair the list names the parts of both networks, which are wired alike.
    own = "" if design.second is None else ".1"
    outlines = known_outlines(design_parts_list(design), own)
    return None if outlines is None else strip_board(design.picked, outlines)


def known_outlines(parts: PartsList, own: str = "") -> dict[str, Outline] | None:
    """Look up the outline of each part of a list.

    Parameters
    ----------
    parts : PartsList
        The parts to buy.
    own : str, optional
        What the references of one network of a pair end in, and is taken off.

    Returns
    -------
    dict of str to Outline, or None
        Outlines by reference; ``None`` where a part is too large for a board.
    """
    outlines = {
        ref.removesuffix(own): part_outline(line.kind, line.description)
        for line in parts.lines
        for ref in line.refs
        if ref.endswith(own)
    }
    known = {ref: outline for ref, outline in outlines.items() if outline is not None}
    return known if len(known) == len(outlines) else None


def board_caption(board: StripBoard) -> str:
    """Describe a board in a sentence or two.

    Parameters
    ----------
    board : StripBoard
        The board.

    Returns
    -------
    str
        Size, screen, and where the outlines come from.
    """
    width, height = board.size_mm
    balanced = all(t.node != "0" for t in board.terminals if t.side == "unit")
    ground = (
        "Join the screen to the ground of the unit alone; 0 is a leg of the generator."
        if balanced
        else "Join the screen to strip 0 at one point, at the unit's connector."
    )
    return (
        f"Strip board of {board.columns} by {board.rows} holes, {width:.0f} mm by {height:.0f} mm, "
        f"pitch {PITCH_MM} mm. The dashed frame is the screen. {ground} "
        f"{capitalised(OUTLINES_SOURCE)}."
    )


def board_steps(board: StripBoard) -> list[str]:
    """List the steps of assembly, the lowest parts first.

    Parameters
    ----------
    board : StripBoard
        The board.

    Returns
    -------
    list of str
        One sentence or two a step; holes by the letter of their strip and their column.
    """
    steps = [
        f"Cut the board to {board.columns} by {board.rows} holes, strips lengthwise. "
        "Mark hole A1 at the top left of the component side."
    ]
    if board.cuts:
        steps.append(f"Cut the strips at {_listed(h.name for h in board.cuts)}.")
    if board.links:
        pairs = _listed(f"{x.start.name} to {x.end.name}" for x in board.links)
        steps.append(f"Solder insulated wire links from {pairs}.")
    # What lies flat goes in before what stands up, or the board would not rest on it.
    by_height = sorted(board.parts, key=lambda p: (p.kind != "resistor", p.outline.width_mm))
    steps += [
        f"Solder {p.ref}, {format_quantity(p.value, ElementKind(p.kind).unit)}, "
        f"into {p.start.name} and {p.end.name}, {_span_mm(p):.2f} mm apart."
        for p in by_height
    ]
    steps += [
        f"Solder the wire from {_SIDES.get(t.side, f'{t.side} of the switch')}, "
        f"node {t.node}, into {t.hole.name}."
        for t in board.terminals
    ]
    return [
        *steps,
        "Check with an ohmmeter that no two neighbouring strips touch, and that each cut is open.",
        "Put the board into the screened box and join the screen to ground at one point.",
    ]


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names)


def _span_mm(part: BoardPart) -> float:
    return abs(part.end.row - part.start.row) * PITCH_MM


def board_svg(
    board: StripBoard,
    *,
    title: str = "",
    by_itself: bool = False,
    fitted: Collection[str] = (),
    upright: bool = False,
) -> str:
    """Draw a board from the component side and from the copper side, in millimetres.

    Parameters
    ----------
    board : StripBoard
        The board.
    title : str, optional
        What a screen reader says of it.
    by_itself : bool, optional
        Whether the drawing has its own colours; else it takes those of the page.
    fitted : collection of str, optional
        References of the parts that are soldered in, which are ticked.
    upright : bool, optional
        Whether strips run from top to bottom, for a small screen; else from left to right.

    Returns
    -------
    str
        One ``<svg>`` element, as large as the board.
    """
    drawn = _upright_views(board, fitted) if upright else _views(board, fitted)
    full_width, full_height, body = drawn
    said = f"<title>{escape(title)}</title>" if title else ""
    role = 'role="img"' if title else 'aria-hidden="true"'
    role += f' data-rows="{board.rows}" data-columns="{board.columns}"'
    colours = ";".join(f"{n}:{c}" for n, c in PAPER_COLOURS.items()) if by_itself else ""
    style = f' style="{colours}"' if colours else ""
    paper = f'<rect width="{full_width:.2f}" height="{full_height:.2f}" fill="var(--paper)"/>'
    font = _UPRIGHT_FONT if upright else _FONT
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {role} width="{full_width:.2f}mm" '
        f'height="{full_height:.2f}mm" viewBox="0 0 {full_width:.2f} {full_height:.2f}"{style}>'
        f'{said}{paper}<g font-family="DejaVu Sans, Verdana, sans-serif" font-size="{font}" '
        f'fill="var(--ink)">{body}</g></svg>'
    )


def _room(board: StripBoard) -> float:
    """What long names of wires take beyond the edge [mm]."""
    return _FONT * max(0, max(len(words) for words in _ends(board).values()) - _SHORT)


def _views(board: StripBoard, fitted: Collection[str]) -> tuple[float, float, str]:
    """Width, height and content of both views, one below the other."""
    width, height = board.size_mm
    room = _room(board)
    full_height = 2 * (height + _EDGE) + _BETWEEN
    sides = (("Component side", False, 0.0, _EDGE),
             ("Copper side, mirrored", True, room, _EDGE + height + _BETWEEN))  # fmt: skip
    body = ""
    for name, copper, aside, y in sides:
        view = _View(board, _EDGE + aside, y, mirrored=copper, upright=False)
        body += f'<text x="{_EDGE + aside:.2f}" y="{y - 6.5:.2f}" font-weight="bold">{name}</text>'
        body += _view(board, view, copper=copper, fitted=fitted)
    return width + 2 * _EDGE + room, full_height, body + _scale(_EDGE, full_height - 4.0)


def _upright_views(board: StripBoard, fitted: Collection[str]) -> tuple[float, float, str]:
    """The same with each view turned clockwise by a right angle: its left end is above."""
    width, height = board.size_mm
    room = _room(board)
    across = height + 2 * _BESIDE
    along = width + 2 * _EDGE + room
    body = ""
    for number, name in enumerate(("Component side", "Copper side, mirrored")):
        above = number * (along + _UPRIGHT_FONT) + 2 * _UPRIGHT_FONT
        start = _EDGE + number * room
        view = _View(board, start, _BESIDE, mirrored=bool(number), upright=True)
        body += f'<text x="1" y="{above - 0.5:.2f}" font-weight="bold">{name}</text>'
        body += f'<g transform="translate({across:.2f} {above:.2f}) rotate(90)">'
        body += _view(board, view, copper=bool(number), fitted=fitted) + "</g>"
    full_height = 2 * (along + _UPRIGHT_FONT) + 3 * _UPRIGHT_FONT
    return across, full_height, body + _scale(1.0, full_height - 1.0)


class _View:
    """Places on one view, mirrored where it is seen from below, and the words on it."""

    def __init__(
        self, board: StripBoard, x: float, y: float, *, mirrored: bool, upright: bool
    ) -> None:
        self._columns, self._mirrored = board.columns, mirrored
        self.x, self.y, self.upright = x, y, upright
        # Long names of wires run on with the wires, as they may be next to each other.
        self.turns_names = upright and not _room(board)
        self.small = _UPRIGHT_SMALL if upright else _SMALL

    def at(self, hole: Hole) -> tuple[float, float]:
        """Middle of a hole [mm]."""
        column = self._columns - 1 - hole.column if self._mirrored else hole.column
        return self.x + (column + 0.5) * PITCH_MM, self.y + (hole.row + 0.5) * PITCH_MM

    def words(self, place: tuple[float, float, str], text: str, *, style: str = "") -> str:
        """Words at a place, ``start``, ``middle`` or ``end`` of them there, to be read level."""
        x, y, anchor = place
        turned = f' transform="rotate(-90 {x:.2f} {y:.2f})"' if self.upright else ""
        return (
            f'<text x="{x:.2f}" y="{y:.2f}" text-anchor="{anchor}"{style}{turned}>'
            f"{escape(text)}</text>"
        )


def _view(board: StripBoard, view: _View, *, copper: bool, fitted: Collection[str] = ()) -> str:
    """Draw one side: strips and holes, then cuts, or links and parts."""
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
    drawn += [
        f'<rect x="{x:.2f}" y="{y + row * PITCH_MM + (PITCH_MM - _STRIP) / 2:.2f}" '
        f'width="{width:.2f}" height="{_STRIP}" fill="var(--copper, #d9a066)"{faint}/>'
        for row in range(board.rows)
    ]
    drawn.append(_holes(board, view))
    drawn.append(_names(board, view))
    if copper:
        drawn += [_joint(*view.at(hole)) for hole in _soldered(board)]
    else:
        drawn += [_link(link, view) for link in board.links]
        drawn += [_part(part, view, ticked(part.ref, fitted)) for part in board.parts]
    # Cuts lie below the parts, but must be seen.
    drawn += [_cut(hole, view, dashed=not copper) for hole in board.cuts]
    return "".join(drawn)


def _holes(board: StripBoard, view: _View) -> str:
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


def _joint(x: float, y: float) -> str:
    return f'<circle cx="{x:.2f}" cy="{y:.2f}" r=".75" fill="var(--ink)"/>'


def _cut(hole: Hole, view: _View, *, dashed: bool) -> str:
    x, y = view.at(hole)
    r = 1.2  # mm: a cutter takes the whole width of a strip
    dash = ' stroke-dasharray=".6 .4"' if dashed else ""
    return (
        f'<g data-cut="{hole.name}"><circle cx="{x:.2f}" cy="{y:.2f}" r="{r}" '
        f'fill="{"none" if dashed else "var(--paper)"}" stroke="var(--ideal)" '
        f'stroke-width=".3"{dash}/><path d="M{x - 0.7:.2f} {y - 0.7:.2f}l1.4 1.4m0-1.4l-1.4 1.4" '
        'stroke="var(--ideal)" stroke-width=".3"/></g>'
    )


def _link(link: WireLink, view: _View) -> str:
    (x, y), (_, below) = view.at(link.start), view.at(link.end)
    ends = "".join(
        f'<circle cx="{x:.2f}" cy="{end:.2f}" r=".6" fill="var(--network)"/>' for end in (y, below)
    )
    return (
        f'<g data-link="{link.start.name} {link.end.name}">'
        f'<path d="M{x:.2f} {y:.2f}V{below:.2f}" stroke="var(--network)" stroke-width=".7"/>'
        f"{ends}</g>"
    )


def _part(part: BoardPart, view: _View, words: str) -> str:
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
    return f"{terminal.side} {terminal.node}" if terminal.side in _SIDES else terminal.side


def _ends(board: StripBoard) -> dict[tuple[int, bool], str]:
    """What is written where wires leave the board: the node, then letters of the switch."""
    names: dict[tuple[int, bool], list[str]] = {}
    for terminal in board.terminals:
        own = terminal.node if terminal.side in _SIDES else terminal.side.split()[-1]
        names.setdefault(_end(terminal), []).append(own)
    return {end: ", ".join(dict.fromkeys(own)) for end, own in names.items()}


def _names(board: StripBoard, view: _View) -> str:
    """Wires to the connectors, letters of the strips, numbers of every fifth column."""
    x, y, upright = view.x, view.y, view.upright
    texts = [_wire(terminal, board, view, name) for terminal, name in _named(board)]
    small = f' font-size="{view.small}"'
    haloed = f'{small} stroke="var(--paper)" stroke-width=".9" paint-order="stroke"'
    for row in range(board.rows):
        _, level = view.at(Hole(row, 0))
        letters = Hole(row, 0).name.rstrip("0123456789")
        place = (x - 0.6, level, "middle") if upright else (x - 1.2, level + 0.5, "end")
        texts.append(view.words(place, letters, style=haloed))
    for column in sorted({0, *range(4, board.columns, 5)}):
        at, _ = view.at(Hole(0, column))
        place = (at + 0.6, y - 0.6, "start") if upright else (at, y - 0.6, "middle")
        texts.append(view.words(place, str(column + 1), style=small))
    return "".join(texts)


def _named(board: StripBoard) -> list[tuple[Terminal, str]]:
    """Each wire, with what is written at its end; nothing where another wire's words stand."""
    ends = _ends(board)
    return [(terminal, ends.pop(_end(terminal), "")) for terminal in board.terminals]


def _wire(terminal: Terminal, board: StripBoard, view: _View, name: str) -> str:
    """A wire to a connector, and its name."""
    at, level = view.at(terminal.hole)
    right = view.x + board.size_mm[0]
    outward = -1.0 if at < (view.x + right) / 2.0 else 1.0
    end = (view.x - 7.5) if outward < 0 else (right + 7.5)
    anchor = "end" if outward < 0 else "start"
    words = (
        view.words((end - 0.4 if outward < 0 else end + _UPRIGHT_FONT, level, "middle"), name)
        if view.turns_names
        else f'<text x="{end + 0.4 * outward:.2f}" y="{level + 0.6:.2f}" '
        f'text-anchor="{anchor}">{escape(name)}</text>'
    )
    return (
        f'<g data-node="{escape(terminal.node)}" data-hole="{terminal.hole.name}" '
        f'data-goal="{escape(_goal(terminal))}">'
        f'<path d="M{at:.2f} {level:.2f}H{end:.2f}" stroke="var(--network)" '
        f'stroke-width=".5"/>{words}</g>'
    )


def _scale(x: float, y: float) -> str:
    return (
        f'<path d="M{x:.2f} {y - 1:.2f}v1h10v-1" fill="none" stroke="var(--ink)" '
        f'stroke-width=".3"/><text x="{x + 11:.2f}" y="{y:.2f}">10 mm</text>'
    )
