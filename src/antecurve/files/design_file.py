"""``design.json``: a design with its analyses, written and read back."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from antecurve.checked import checked
from antecurve.errors import AntecurveError, FileFormatError, InputError
from antecurve.files.design_job import job_from, network_from
from antecurve.files.field_types import check_types
from antecurve.files.reading import read_text
from antecurve.networks.compiled import check_solvable
from antecurve.pick.result import FormOutcome, SearchReport, ShortlistEntry
from antecurve.pipeline import Design
from antecurve.results import json_text
from antecurve.texts import check_text

__all__ = ["design_at", "design_content", "design_json", "read_design", "understood"]

Content = TypeVar("Content")


def design_json(design: Design) -> bytes:
    """Write a design as the content of ``design.json``.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    bytes
        JSON in UTF-8, numbers with full precision.
    """
    return json_text(design).encode()


@checked
def read_design(path: Path | str, *, position: str | None = None) -> Design:
    """Read a design; its analysis is worked out when asked for.

    Parameters
    ----------
    path : Path or str
        A ``design.json``.
    position : str, optional
        Name of a switch position, of a box with several curves; by default the first.

    Returns
    -------
    Design
        Job, picked network, the search's report and the shortlist.

    Raises
    ------
    FileFormatError
        When the file can't be read, is no JSON, is of another format or lacks something.
    InputError
        When there is no such position.
    """
    return design_at(path, design_content(path), position)


def design_at(path: Path | str, content: dict[str, Any], position: str | None = None) -> Design:
    """Make the design of a file's content, of a box that of one switch position.

    Parameters
    ----------
    path : Path or str
        The file, for messages.
    content : dict
        What `design_content` reads of it.
    position : str, optional
        Name of a switch position; by default the first.

    Returns
    -------
    Design
        As `read_design` gives it.

    Raises
    ------
    FileFormatError
        When something is missing or of the wrong kind.
    InputError
        When there is no such position.
    """
    if position is not None:
        content = _at_position(content, position)
    return understood(path, lambda: _design_from(content))


def understood(path: Path | str, understand: Callable[[], Content]) -> Content:
    """Read the content of a design's file, or say in one sentence what is wrong with it.

    Parameters
    ----------
    path : Path or str
        The file, for the message.
    understand : callable
        Makes of the content what it means.

    Returns
    -------
    object
        What `understand` makes.

    Raises
    ------
    FileFormatError
        When something is missing or of the wrong kind.
    """
    try:
        return understand()
    except AntecurveError as error:
        raise FileFormatError.unreadable(path, str(error), "design the job again") from None
    except RecursionError:
        raise FileFormatError.unreadable(
            path, "nested too deeply", "it must be a design.json"
        ) from None
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError) as error:
        reason = f"missing key {error}" if isinstance(error, KeyError) else str(error)
        raise FileFormatError.unreadable(
            path, reason, f"it is not a complete {Design.FORMAT} file; design the job again"
        ) from None


def design_content(path: Path | str) -> dict[str, Any]:
    """Read the plain data of a design's file.

    Parameters
    ----------
    path : Path or str
        A ``design.json``.

    Returns
    -------
    dict
        Its content, of the format that this version reads, its texts harmless.

    Raises
    ------
    FileFormatError
        When the file can't be read, is no JSON or is of another format.
    """
    text = read_text(path)
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        reason = "nested too deeply" if isinstance(error, RecursionError) else str(error)
        raise FileFormatError.unreadable(path, reason, "it must be a design.json") from None
    format_name = content.get("format") if isinstance(content, dict) else None
    if format_name != Design.FORMAT:
        raise FileFormatError(
            f"{path}, key format",
            format_name,
            f"this version reads {Design.FORMAT!r}; design the job again",
        )
    understood(path, lambda: _check_texts(content, ""))
    return dict(content)


def _at_position(content: dict[str, Any], name: str) -> dict[str, Any]:
    """The content of one position of a box."""
    entries = content.get("positions")
    known = {
        str(entry["position"]): entry
        for entry in (entries if isinstance(entries, list) else [])
        if isinstance(entry, dict) and "position" in entry
    }
    if not known:
        raise InputError(
            "--position", name, "this design has one curve and no switch; leave --position out"
        )
    for key, entry in known.items():
        if key.casefold() == name.casefold():
            return {"shortlist": [], **entry}
    raise InputError("--position", name, f"the positions are {', '.join(known)}")


def _design_from(content: dict[str, Any]) -> Design:
    search, second = content["search"], content.get("second")
    design = Design(
        job=job_from(content["job"]),
        picked=network_from(content["network"]),
        search=SearchReport(
            **{k: search[k] for k in SearchReport.__dataclass_fields__ if k in search}
        ),
        shortlist=tuple(
            ShortlistEntry(picked=network_from(entry), **{k: entry[k] for k in _ENTRY_FIELDS})
            for entry in content["shortlist"] or ()
        ),
        forms=tuple(FormOutcome(**f) for f in content.get("forms") or ()),
        second=None if second is None else network_from(second),
        match_db=content.get("match_db"),
        position=_position(content),
    )
    for name, part in (("job", design.job), ("network", design.picked), ("second", design.second)):
        if part is not None:
            check_types(part, name)
    check_solvable(design.network.topology)
    return design


def _position(content: dict[str, Any]) -> str:
    """Name of the switch position; a box without one named is at its first."""
    entries = content.get("positions") or ()
    return str(content.get("position") or (entries[0]["position"] if entries else ""))


def _check_texts(content: object, where: str) -> None:
    """Refuse texts that a terminal or a page would act upon, wherever they stand."""
    if isinstance(content, str):
        check_text(content, field=where)
    elif isinstance(content, dict):
        for key, value in content.items():
            check_text(key, field=f"a key of {where}" if where else "a key")
            _check_texts(value, f"{where}.{key}" if where else key)
    elif isinstance(content, list):
        for index, value in enumerate(content):
            _check_texts(value, f"{where}[{index}]")


_ENTRY_FIELDS = ("centred_db", "spread_p95_db", "parts", "output_resistance_ohm", "trade")
