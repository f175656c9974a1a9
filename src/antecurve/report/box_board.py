"""The board of a box with a switch: its parts to scale, the contacts as wires off the board."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from antecurve.analysis.strip_board import StripBoard, strip_board
from antecurve.report.board_drawing import board_svg, known_outlines, shown_board
from antecurve.switched.board_wiring import board_wiring
from antecurve.switched.box import Box, box_parts_list

__all__ = ["box_board", "box_board_files", "box_board_section"]


def box_board(box: Box) -> StripBoard | None:
    """Lay a box out with the outlines of the parts to buy for it.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    StripBoard or None
        ``None`` where a part is too large for a board.
    """
    outlines = known_outlines(box_parts_list(box))
    wiring = board_wiring(box)
    return None if outlines is None else strip_board(wiring.picked, outlines, wires=wiring.wires)


def box_board_section(box: Box, *, fitted: Collection[str] = ()) -> dict[str, Any]:
    """Collect what a page shows of the board of a box.

    Parameters
    ----------
    box : Box
        The box.
    fitted : collection of str, optional
        References of the parts that are soldered in, which are ticked.

    Returns
    -------
    dict
        ``board``, ``board_text`` and ``board_steps``; ``board`` is empty without a board.
    """
    return shown_board(box_board(box), fitted=fitted)


def box_board_files(box: Box) -> dict[str, bytes]:
    """Draw the board of a box as a file.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    dict of str to bytes
        ``board.svg``, which prints to scale; nothing where a part is too large for a board.
    """
    board = box_board(box)
    title = f"{box.job.common.title}: the box on a strip board"
    drawn = "" if board is None else board_svg(board, title=title, by_itself=True)
    return {"board.svg": drawn.encode()} if drawn else {}
