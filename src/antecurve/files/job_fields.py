"""The keys of a job file: how each value is read, by section."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from antecurve.errors import InputError
from antecurve.networks.topology import Element, ElementKind
from antecurve.quantities import parse_quantity
from antecurve.texts import check_text

__all__ = [
    "Section",
    "boolean",
    "check_keys",
    "elements",
    "quantities",
    "quantity",
    "read_section",
    "text",
    "texts",
    "unknown_key",
    "whole",
]

Reader = Callable[[object, str], Any]
Section = Mapping[str, Reader]


def read_section(raw: object, section: Section, where: str) -> dict[str, Any]:
    """Read the keys of one section.

    Parameters
    ----------
    raw : object
        The section as TOML gives it.
    section : mapping of str to callable
        The keys allowed, each with its reader.
    where : str
        Name of the section for messages.

    Returns
    -------
    dict of str to object
        The keys given, read.

    Raises
    ------
    InputError
        When the section is no table, a key is unknown, or a value can't be used.
    """
    if not isinstance(raw, Mapping):
        raise InputError(where, raw, f"it must be a section, written [{where}]")
    values: dict[str, Any] = {}
    for key, value in raw.items():
        if key not in section:
            raise InputError(f"{where}.{key}", value, unknown_key(key, section))
        values[key] = section[key](value, f"{where}.{key}")
    return values


def check_keys(raw: Mapping[str, object], allowed: Iterable[str]) -> None:
    """Check that a document has known keys alone.

    Parameters
    ----------
    raw : mapping of str to object
        The document.
    allowed : iterable of str
        The keys allowed.

    Raises
    ------
    InputError
        When there is another; the message lists those allowed.
    """
    known = dict.fromkeys(allowed)
    for key, value in raw.items():
        if key not in known:
            raise InputError(key, value, unknown_key(key, known))


def unknown_key(key: str, allowed: Mapping[str, object]) -> str:
    """Write the end of a sentence about a key that does not exist.

    Parameters
    ----------
    key : str
        The key.
    allowed : mapping of str to object
        The keys there are.

    Returns
    -------
    str
        The nearest of them, and all of them.
    """
    close = difflib.get_close_matches(key, allowed, n=1)
    hint = f"did you mean {close[0]!r}? " if close else ""
    return f"there is no such key; {hint}allowed are {', '.join(allowed)}"


def quantity(unit: str, **limits: Any) -> Reader:
    """Make a reader of one quantity.

    Parameters
    ----------
    unit : str
        Unit as in `parse_quantity`.
    limits : float or bool
        Its ``minimum``, ``maximum`` and ``exclusive``.

    Returns
    -------
    callable
        Takes the value and the name of its place; raises `InputError` when it can't be used.
    """

    def read(value: object, field: str) -> float:
        return parse_quantity(value, unit=unit, field=field, **limits)

    return read


def quantities(unit: str, *, count: int | None = None, **limits: Any) -> Reader:
    """Make a reader of a list of quantities.

    Parameters
    ----------
    unit : str
        Unit as in `parse_quantity`.
    count : int, optional
        Length the list must have.
    limits : float or bool
        ``minimum``, ``maximum`` and ``exclusive`` of `parse_quantity`.

    Returns
    -------
    callable
        Takes the value and the name of its place; raises `InputError` when it can't be used.
    """

    def read(value: object, field: str) -> tuple[float, ...]:
        if not isinstance(value, list) or (count is not None and len(value) != count):
            length = "a list" if count is None else f"a list of {count}"
            raise InputError(field, value, f"it must be {length}, written [a, b]")
        return tuple(
            parse_quantity(item, unit=unit, field=f"{field}[{index}]", **limits)
            for index, item in enumerate(value)
        )

    return read


def whole(*, minimum: int, maximum: int) -> Reader:
    """Make a reader of a whole number.

    Parameters
    ----------
    minimum, maximum : int
        Smallest and largest number allowed.

    Returns
    -------
    callable
        Takes the value and the name of its place; raises `InputError` when it can't be used.
    """

    def read(value: object, field: str) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not minimum <= value <= maximum:
            raise InputError(field, value, f"it must be a whole number from {minimum} to {maximum}")
        return value

    return read


def text(choices: Sequence[str] = ()) -> Reader:
    """Make a reader of a text.

    Parameters
    ----------
    choices : sequence of str, optional
        The texts allowed; any text when there are none.

    Returns
    -------
    callable
        Takes the value and the name of its place; raises `InputError` when it can't be used.
    """

    def read(value: object, field: str) -> str:
        if not isinstance(value, str) or (choices and value not in choices):
            rule = f"use one of {', '.join(choices)}" if choices else "it must be a text in quotes"
            raise InputError(field, value, rule)
        check_text(value, field=field)
        return value

    return read


def texts(choices: Sequence[str] = (), *, word: str = "") -> Reader:
    """Make a reader of a list of texts, without repetitions.

    Parameters
    ----------
    choices : sequence of str, optional
        The texts allowed; any text when there are none.
    word : str, optional
        A word that stands for all choices.

    Returns
    -------
    callable
        Takes the value and the name of its place; raises `InputError` when it can't be used.
    """
    one = text(choices)

    def read(value: object, field: str) -> tuple[str, ...]:
        if word and value == word:
            return tuple(choices)
        if not isinstance(value, list) or not value:
            rule = f'it must be a list such as ["{choices[0]}"]' if choices else "it must be a list"
            raise InputError(field, value, rule + (f' or "{word}"' if word else ""))
        return tuple(dict.fromkeys(one(item, f"{field}[{i}]") for i, item in enumerate(value)))

    return read


def boolean(value: object, field: str) -> bool:
    """Read true or false.

    Parameters
    ----------
    value : object
        The value as TOML gives it.
    field : str
        Where it stands.

    Returns
    -------
    bool
        The value.

    Raises
    ------
    InputError
        When it can't be used.
    """
    if not isinstance(value, bool):
        raise InputError(field, value, "it must be true or false")
    return value


def elements(value: object, field: str) -> tuple[Element, ...]:
    """Read a network of the user's own: texts such as ``"R1 in out"``.

    Parameters
    ----------
    value : object
        The value as TOML gives it.
    field : str
        Where it stands.

    Returns
    -------
    tuple of Element
        The elements, without values.

    Raises
    ------
    InputError
        When it can't be used.
    """
    rule = 'each must be a text: reference, node, node, such as "R1 in a" or "C2 a out"'
    if not isinstance(value, list) or not value:
        raise InputError(field, value, 'it must be a list such as ["R1 in out", "R2 out 0"]')
    if len(value) > 24:
        raise InputError(field, f"{len(value)} elements", "up to 24 are solved")
    network: list[Element] = []
    for index, item in enumerate(value):
        words = item.split() if isinstance(item, str) else []
        kinds = {"R": ElementKind.RESISTOR, "C": ElementKind.CAPACITOR}
        if len(words) != 3 or words[0][0] not in kinds or not words[0].isalnum():
            raise InputError(f"{field}[{index}]", item, rule)
        if words[0] in (e.ref for e in network):
            raise InputError(f"{field}[{index}]", item, f"the reference {words[0]} is taken")
        if words[0] in ("Rs", "RL", "CL"):
            raise InputError(f"{field}[{index}]", item, "Rs, RL and CL are the source and the load")
        network.append(Element(words[0], kinds[words[0][0]], (words[1], words[2])))
    return tuple(network)
