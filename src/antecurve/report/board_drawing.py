"""A strip board drawn to scale from both sides, and the steps of its assembly."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from typing import Any, Final
from xml.sax.saxutils import escape

from antecurve.analysis.part_outlines import OUTLINES_SOURCE, PITCH_MM, Outline, part_outline
from antecurve.analysis.parts_list import PartsList
from antecurve.analysis.strip_board import (
    BoardPart,
    Hole,
    StripBoard,
    strip_board,
)
from antecurve.networks.topology import ElementKind
from antecurve.pipeline import Design, design_parts_list
from antecurve.quantities import format_quantity
from antecurve.report.board_side import (
    FONT,
    SIDES,
    UPRIGHT_FONT,
    BoardView,
    drawn_side,
    room_for_names,
)
from antecurve.report.schematic import in_both_widths
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
_BELOW = 6.5  # mm from the lower edge of a view to the title of the next
_SHEET_ROWS = 26  # strips beside one another whose names can be read on a telephone
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
        ``board``, ``board_text`` and ``board_steps``; ``board`` is empty without a board;
        ``board_sides``, the same drawing side by side for paper.
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
        "board_sides": [Markup(side) for side in _paper_sides(board)],
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
        f"Solder the wire from {SIDES.get(t.side, f'{t.side} of the switch')}, "
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
    font = UPRIGHT_FONT if upright else FONT
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {role} width="{full_width:.2f}mm" '
        f'height="{full_height:.2f}mm" viewBox="0 0 {full_width:.2f} {full_height:.2f}"{style}>'
        f'{said}{paper}<g id="board-{"upright" if upright else "level"}" '
        f'font-family="DejaVu Sans, Verdana, sans-serif" font-size="{font}" '
        f'fill="var(--ink)">{body}</g></svg>'
    )


def _views(board: StripBoard, fitted: Collection[str]) -> tuple[float, float, str]:
    """Width, height and content of both views, one below the other."""
    width, height = board.size_mm
    room = room_for_names(board)
    full_height = 2 * (height + _EDGE) + _BETWEEN
    sides = (("Component side", False, 0.0, _EDGE),
             ("Copper side, mirrored", True, room, _EDGE + height + _BETWEEN))  # fmt: skip
    body = ""
    for name, copper, aside, y in sides:
        view = BoardView(board, _EDGE + aside, y, mirrored=copper, upright=False)
        body += f'<text x="{_EDGE + aside:.2f}" y="{y - 6.5:.2f}" font-weight="bold">{name}</text>'
        body += drawn_side(board, view, copper=copper, fitted=fitted)
    return width + 2 * _EDGE + room, full_height, body + _scale(_EDGE, full_height - 4.0)


def _paper_sides(board: StripBoard) -> list[str]:
    """Each side by itself, as large as it is: windows on the drawing that is for screens."""
    width, height = board.size_mm
    full_width = width + 2 * _EDGE + room_for_names(board)
    full_height = 2 * (height + _EDGE) + _BETWEEN
    middle = _EDGE + height + _BELOW
    return [
        f'<svg width="{full_width:.2f}mm" height="{end - start:.2f}mm" aria-hidden="true" '
        f'viewBox="0 {start:.2f} {full_width:.2f} {end - start:.2f}">'
        '<use href="#board-level"/></svg>'
        for start, end in ((0.0, middle), (middle, full_height))
    ]


def _sheets(rows: int) -> list[tuple[int, int]]:
    """First and last strip of each sheet that a telephone shows, alike in size."""
    count = math.ceil(rows / _SHEET_ROWS)
    each = math.ceil(rows / count)
    return [(first, min(first + each, rows) - 1) for first in range(0, rows, each)]


def _upright_views(board: StripBoard, fitted: Collection[str]) -> tuple[float, float, str]:
    """The same with each view turned clockwise by a right angle: its left end is above.

    A board of many strips is shown in sheets, each with a strip of the next.
    """
    width, height = board.size_mm
    room, sheets = room_for_names(board), _sheets(board.rows)
    across, along = height + 2 * _BESIDE, width + 2 * _EDGE + room
    shown_mm = across if len(sheets) == 1 else (sheets[0][1] + 2) * PITCH_MM + _BESIDE
    drawn, windows, above = "", "", 0.0
    for number, name in enumerate(("Component side", "Copper side, mirrored")):
        view = BoardView(
            board, _EDGE + number * room, _BESIDE, mirrored=bool(number), upright=True,
            numbered=tuple(first for first, _ in sheets),
        )  # fmt: skip
        drawn += f'<g transform="translate({across:.2f} {number * along:.2f}) rotate(90)">'
        drawn += drawn_side(board, view, copper=bool(number), fitted=fitted) + "</g>"
        for first, last in sheets:
            strips = f", strips {Hole(first, 0).strip} to {Hole(last, 0).strip}"
            words = name + (strips if len(sheets) > 1 else "")
            right = 0.0 if first == 0 else _BESIDE + (first - 1) * PITCH_MM
            windows += (
                f'<text x="1" y="{above + UPRIGHT_FONT:.2f}" font-weight="bold">{words}</text>'
                f'<svg y="{above + 1.5 * UPRIGHT_FONT:.2f}" width="{shown_mm:.2f}" '
                f'height="{along:.2f}" viewBox="{across - right - shown_mm:.2f} '
                f'{number * along:.2f} {shown_mm:.2f} {along:.2f}">'
                '<use href="#board-sheets"/></svg>'
            )
            above += along + 2.0 * UPRIGHT_FONT
    full_height = above + 2.0 * UPRIGHT_FONT
    body = f'<defs><g id="board-sheets">{drawn}</g></defs>{windows}'
    return shown_mm, full_height, body + _scale(1.0, full_height - 1.0)


def _scale(x: float, y: float) -> str:
    return (
        f'<path d="M{x:.2f} {y - 1:.2f}v1h10v-1" fill="none" stroke="var(--ink)" '
        f'stroke-width=".3"/><text x="{x + 11:.2f}" y="{y:.2f}">10 mm</text>'
    )
