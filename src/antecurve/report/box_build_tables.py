"""Tables and sentences of a build of a box: every position of it, and what to change."""

from __future__ import annotations

from typing import TYPE_CHECKING

from antecurve.report.build_tables import change_words, searched_line
from antecurve.report.text_table import TextTable, declared, signed_cells, table_from

if TYPE_CHECKING:
    from antecurve.pipeline import Design
    from antecurve.switched.box import Box
    from antecurve.switched.box_build import BuiltPosition, TrimmedBox

__all__ = ["built_rows", "reference_lines", "trimmed_lines", "trimmed_rows"]


def reference_lines(box: Box, design: Design) -> list[str]:
    """Say what the parts list of a box calls the parts of one position.

    Parameters
    ----------
    box : Box
        The box.
    design : Design
        The design of one of its positions.

    Returns
    -------
    list of str
        One sentence; none where every part stays.
    """
    throw = box.names.index(design.position) + 1
    named = [
        f"{own} is {ref}"
        for position in design.picked.positions
        for own, ref in box.part_names(position, throw).items()
        if own != ref
    ]
    return [f"In the parts list of the box {', '.join(named)}."] if named else []


def built_rows(built: tuple[BuiltPosition, ...]) -> TextTable:
    """Tabulate what every position of a build does.

    Parameters
    ----------
    built : tuple of BuiltPosition
        The positions.

    Returns
    -------
    TextTable
        One row a position.
    """
    return table_from(
        built,
        declared("position", "position", right=False),
        declared("designed ± dB", "designed_db", "{:.3f}".format),
        declared("as built ± dB", "built.error.centred_db", "{:.3f}".format),
        declared("level shift dB", "built.level_shift_db", signed_cells(3)),
        declared("not measured", lambda b: ", ".join(b.built.nominal) or None, right=False),
    )


def trimmed_rows(trimmed: TrimmedBox) -> TextTable:
    """Tabulate the error of every position before and after the changes.

    Parameters
    ----------
    trimmed : TrimmedBox
        The changes.

    Returns
    -------
    TextTable
        One row a position.
    """
    return table_from(
        list(zip(trimmed.positions, trimmed.before_db, trimmed.after_db, strict=True)),
        declared("position", lambda row: row[0], right=False),
        declared("before ± dB", lambda row: row[1], "{:.3f}".format),
        declared("after ± dB", lambda row: row[2], "{:.3f}".format),
    )


def trimmed_lines(trimmed: TrimmedBox) -> list[str]:
    """Say what to change.

    Parameters
    ----------
    trimmed : TrimmedBox
        The changes.

    Returns
    -------
    list of str
        Sentences.
    """
    before, after = max(trimmed.before_db), max(trimmed.after_db)
    lines = [
        f"Largest error of this build ±{before:.3f} dB.",
        "With unmeasured parts and meter uncertainty: below "
        f"{trimmed.before_p95_db:.3f} dB in 95 % of cases.",
    ]
    if trimmed.changes:
        lines.append(
            f"Advised, for ±{after:.3f} dB, below {trimmed.after_p95_db:.3f} dB in 95 % of cases:"
        )
    else:
        lines.append("No change is worthwhile.")
    for change in trimmed.changes:
        shared = "" if "_" in change.ref else " (shared: it moves every position)"
        lines.append(f"{change_words(change)}{shared}.")
    return lines + [searched_line(search) for search in trimmed.searches]
