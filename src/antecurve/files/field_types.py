"""Whether what was read from a file has the types that its fields declare."""

from __future__ import annotations

import types
from dataclasses import fields, is_dataclass
from typing import Any, Union, get_args, get_origin, get_type_hints

import numpy as np

from antecurve.errors import InputError

__all__ = ["check_types"]


def check_types(instance: object, name: str) -> None:
    """Raise when a field of a dataclass, or of one within it, holds another type than declared.

    Parameters
    ----------
    instance : object
        An instance of a dataclass.
    name : str
        How messages call it.

    Raises
    ------
    InputError
        Naming the field.
    """
    hints = get_type_hints(type(instance))
    for field in fields(instance):  # type: ignore[arg-type]
        _check(getattr(instance, field.name), hints[field.name], f"{name}.{field.name}")


def _check(value: Any, declared: Any, name: str) -> None:
    if not _fits(value, declared):
        raise InputError(name, value, "it must be of the type that design writes there")
    for number, item in enumerate(value if isinstance(value, tuple) else (value,)):
        if is_dataclass(item):
            check_types(item, f"{name}[{number}]" if isinstance(value, tuple) else name)


def _fits(value: Any, declared: Any) -> bool:
    origin, inner = get_origin(declared), get_args(declared)
    if origin in (Union, types.UnionType):
        return any(_fits(value, one) for one in inner)
    if origin is tuple:
        if not isinstance(value, tuple):
            return False
        if inner[-1:] == (Ellipsis,):
            return all(_fits(v, inner[0]) for v in value)
        return len(value) == len(inner) and all(map(_fits, value, inner))
    if origin is np.ndarray or not isinstance(declared, type):
        return True
    if declared is float:
        return isinstance(value, (int, float)) and not isinstance(value, bool)
    if declared is int:
        return isinstance(value, int) and not isinstance(value, bool)
    return isinstance(value, declared)
