"""Texts of a log in the form in which they are compared: words in one case, dates to sort by."""

from __future__ import annotations

import unicodedata
from datetime import UTC, datetime

__all__ = ["searched_text", "sortable_date"]


def searched_text(text: str) -> str:
    """Write a text as a search compares it: in one case, and one form of each character.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        Compatibility form (NFKC of Unicode), case folded.
    """
    return unicodedata.normalize("NFKC", text).casefold()


def sortable_date(date: str) -> str:
    """Write a date so that texts sort as the dates do.

    Parameters
    ----------
    date : str
        As a user states it.

    Returns
    -------
    str
        ISO 8601, a time with its zone in UTC; empty where it is written in another way.

    Examples
    --------
    >>> sortable_date("2026-05-04T10:00+02:00"), sortable_date("4 May")
    ('2026-05-04T08:00:00Z', '')
    """
    try:
        moment = datetime.fromisoformat(date)
    except ValueError:
        return ""
    if moment.tzinfo is not None:
        return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    has_time = ":" in date or "T" in date
    return moment.isoformat() if has_time else moment.date().isoformat()
