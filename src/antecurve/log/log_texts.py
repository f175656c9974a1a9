"""Texts of a log in the form in which they are compared: words in one case, dates to sort by."""

from __future__ import annotations

import unicodedata
from datetime import datetime

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
        ISO 8601 as the clock on the wall read, without the zone; empty where it is written in
        another way.

    Examples
    --------
    >>> sortable_date("2026-05-04T10:00+02:00"), sortable_date("4 May")
    ('2026-05-04T10:00:00', '')
    """
    try:
        moment = datetime.fromisoformat(date)
    except ValueError:
        return ""
    has_time = ":" in date or "T" in date
    return moment.replace(tzinfo=None).isoformat() if has_time else moment.date().isoformat()
