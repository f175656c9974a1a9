"""What the program says: listed in one file, and no sentence longer than twenty words."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from sentences import LISTED, MOST_WORDS, listed, whole_sentences, word_count


def test_the_list_is_that_of_the_source() -> None:
    """``python tests/sentences.py`` writes it anew; read what is new in it aloud."""
    assert LISTED.read_text(encoding="utf-8") == listed()


def test_no_sentence_is_long() -> None:
    lines = [x for x in LISTED.read_text("utf-8").splitlines() if not x.startswith("# ")]
    assert [s for x in lines for s in whole_sentences(x) if word_count(s) > MOST_WORDS] == []


def test_a_minus_is_ascii_in_words() -> None:
    """What is said may be copied and typed back; charts alone have the typographic sign."""
    assert "\N{MINUS SIGN}" not in LISTED.read_text("utf-8")


def test_words_are_counted_as_they_are_read() -> None:
    assert word_count("Generators up to {} add at most {} dB") == 9
    # Symbols of a formula are no words.
    assert word_count("the gain, g0 T1 T3/(T2 T4), must be below 1") == 6
    # Semicolons and colons end no sentence, and neither do the dots of a formula.
    assert whole_sentences("This is one; with Tz... of it: two. This is three.") == [
        "This is one; with Tz... of it: two", "This is three",
    ]  # fmt: skip
    assert word_count("so " * MOST_WORDS + "long") > MOST_WORDS
