"""Tables within a width: nothing is parted, nothing is lost."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from antecurve.report.table_layout import GAP, table_blocks, wrapped
from antecurve.report.text_table import TextTable, column, table_of

WORDS = st.sampled_from(("a", "bc", "1.234", "kΩ", "-0.05", "parallel", "polypropylene"))
# Beside other work a draw may take seconds.
BESIDE_OTHER_WORK = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
TEXTS = st.lists(WORDS, min_size=1, max_size=4).map(" ".join)


@st.composite
def tables(draw: st.DrawFn) -> TextTable:
    columns, rows = draw(st.integers(1, 5)), draw(st.integers(0, 2))
    return table_of(
        *(
            column(
                draw(TEXTS),
                [draw(TEXTS) for _ in range(rows)],
                right=draw(st.booleans()),
                attached=draw(st.booleans()),
            )
            for _ in range(columns)
        )
    )


@BESIDE_OTHER_WORK
@given(tables(), st.integers(1, 100))
def test_every_word_is_whole_and_every_column_once(content: TextTable, width: int) -> None:
    blocks = table_blocks(content, width)
    headings = [h.replace("\n", " ") for b in blocks for h in b.table.header[1:]]
    assert headings == list(content.header[1:])
    for row in range(len(content.rows)):
        cells = [c.replace("\n", " ") for b in blocks for c in b.table.rows[row][1:]]
        assert cells == list(content.rows[row][1:])
    for block in blocks:
        assert block.table.header[0].replace("\n", " ") == content.header[0]
        lines = [
            (line, limit)
            for row_ in (block.table.header, *block.table.rows)
            for cell, limit in zip(row_, block.widths, strict=True)
            for line in cell.split("\n")
        ]
        assert all(len(line) <= limit for line, limit in lines)


@BESIDE_OTHER_WORK
@given(tables(), st.integers(1, 100))
def test_a_block_is_wider_only_where_one_column_by_itself_is(
    content: TextTable, width: int
) -> None:
    for block in table_blocks(replace(content, attached=""), width):
        total = sum(block.widths) + GAP * (len(block.widths) - 1)
        assert total <= width or len(block.widths) <= 2


@pytest.mark.parametrize("width", [60, 80, 100])
def test_limits_stay_with_their_value(width: int) -> None:
    numbers = ["+12.345"] * 3
    content = table_of(
        column("frequency", ["20 Hz", "1 kHz", "20 kHz"]),
        *(
            column(heading, numbers, attached=heading in ("from", "to"))
            for heading in ("set", "level", "from", "to", "behind playback", "from", "to")
        ),
    )
    for block in table_blocks(content, width):
        assert block.table.header[1] not in ("from", "to")


def test_a_number_stays_with_its_unit() -> None:
    assert wrapped("C1a 10 nF + C1b 15 nF in parallel", 14).splitlines() == [
        "C1a 10 nF +",
        "C1b 15 nF in",
        "parallel",
    ]
