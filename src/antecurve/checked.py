"""Check and coerce what a public constructor or function is given, by its annotations.

`checked` reads the annotations of a dataclass or a function once, at its first use, and makes a
coercion of each.  What does not fit ends in an `InputError` that names the argument, the value
received and what is allowed, before any of the function runs.  Numbers become floats, sequences
become tuples, texts become members of their enumeration; ranges stay with the class itself.
"""

from __future__ import annotations

import ast
import collections.abc
import enum
import functools
import importlib
import inspect
import itertools
import math
import numbers
import operator
import os
import sys
import types
import typing
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from antecurve.errors import InputError

__all__ = ["checked", "public_names"]

Target = TypeVar("Target", bound=Callable[..., Any])
Coercion = Callable[[str, Any], Any]
"""Takes the name of an argument and its value; returns the value to use."""

_PUBLIC: list[Any] = []
_KNOWN_AS = {"Designed": "Design", "HasNetwork": "Network"}
"""Protocols, by the class that users know to meet them."""

_MAKE_ONE_BY = {
    "Curve": "antecurve.named_curve, antecurve.curve_from_turnover or antecurve.Curve",
    "Job": "antecurve.read_job or antecurve.default_job",
    "Design": "antecurve.design or antecurve.read_design",
    "Network": "antecurve.Network or the network of a design",
    "Conditions": "the conditions of a job or a design, or antecurve.Conditions",
    "Drawer": "antecurve.read_drawer",
}


def checked(target: Target) -> Target:
    """Make a dataclass or a function refuse what its annotations do not allow.

    Parameters
    ----------
    target : type or callable
        A frozen dataclass, or a function.

    Returns
    -------
    type or callable
        The same class with a checking constructor, or a function that checks and then calls.

    Examples
    --------
    >>> @checked
    ... def half(value: float) -> float:
    ...     return value / 2.0
    >>> half("two")
    Traceback (most recent call last):
    antecurve.errors.InputError: value: received 'two'; it must be a number
    """
    if isinstance(target, type):
        initialise: Any = vars(target)["__init__"]
        prefix = f"{target.__name__}."

        @functools.wraps(initialise)
        def construct(self: object, *args: Any, **kwargs: Any) -> None:
            values, named = _coerced(initialise, prefix, (self, *args), kwargs)
            initialise(*values, **named)

        target.__init__ = construct  # type: ignore[misc]
        _PUBLIC.append(target)
        return target

    @functools.wraps(target)
    def call(*args: Any, **kwargs: Any) -> Any:
        values, named = _coerced(target, "", args, kwargs)
        return target(*values, **named)

    _PUBLIC.append(call)
    return typing.cast("Target", call)


def public_names() -> tuple[Any, ...]:
    """List every class and function that checks its arguments.

    Returns
    -------
    tuple of type or callable
        In the order in which their modules were loaded.
    """
    return tuple(_PUBLIC)


def _coerced(
    target: Callable[..., Any], prefix: str, args: tuple[Any, ...], kwargs: dict[str, Any]
) -> tuple[list[Any], dict[str, Any]]:
    """The arguments after their coercions; what does not fit the signature is left to the call."""
    positional, by_name = _plan(target, prefix)
    values = [
        value if coercion is None else coercion(shown, value)
        for (shown, coercion), value in zip(positional, args, strict=False)
    ]
    values += args[len(values) :]
    named = kwargs
    for name in kwargs.keys() & by_name.keys():
        shown, coercion = by_name[name]
        named[name] = coercion(shown, kwargs[name])
    return values, named


@functools.cache
def _plan(
    target: Callable[..., Any], prefix: str
) -> tuple[list[tuple[str, Coercion | None]], dict[str, tuple[str, Coercion]]]:
    """Names to show and coercions: of arguments given by position, in order, and of all by name."""
    namespace = vars(sys.modules[target.__module__])
    positional: list[tuple[str, Coercion | None]] = []
    by_name: dict[str, tuple[str, Coercion]] = {}
    for name, parameter in inspect.signature(target).parameters.items():
        coercion = None
        if name != "self" and parameter.annotation is not inspect.Parameter.empty:
            coercion = _coercion(_resolved(parameter.annotation, namespace))
        if parameter.kind is not inspect.Parameter.KEYWORD_ONLY:
            positional.append((prefix + name, coercion))
        if coercion is not None:
            by_name[name] = (prefix + name, coercion)
    return positional, by_name


def _resolved(annotation: Any, namespace: dict[str, Any]) -> Any:
    """The object that an annotation names; `Any` for what only type checkers import."""
    if not isinstance(annotation, str):
        return annotation
    names = dict(namespace)
    while True:
        try:
            return eval(annotation, names)
        except NameError as error:
            name = str(error.name)
            home = _imported_for_type_checkers(namespace["__name__"]).get(name)
            names[name] = getattr(importlib.import_module(home[0]), home[1]) if home else Any


@functools.cache
def _imported_for_type_checkers(module: str) -> dict[str, tuple[str, str]]:
    """Where the names come from that a module imports from the package under `TYPE_CHECKING`."""
    tree = ast.parse(inspect.getsource(sys.modules[module]))
    return {
        alias.asname or alias.name: (statement.module, alias.name)
        for block in tree.body
        if isinstance(block, ast.If) and ast.unparse(block.test).endswith("TYPE_CHECKING")
        for statement in block.body
        if isinstance(statement, ast.ImportFrom) and statement.module
        if statement.module.partition(".")[0] == __package__
        for alias in statement.names
    }


def _expanded(annotation: Any) -> Any:
    """What an alias of a type stands for; numpy's are aliases from its version 2.5 on."""
    alias = typing.get_origin(annotation) or annotation
    if not hasattr(alias, "__value__"):
        return annotation
    arguments = typing.get_args(annotation)
    return _expanded(alias.__value__[arguments] if arguments else alias.__value__)


def _real(name: str, value: Any) -> float:
    if type(value) is float and value == value:
        return value
    if isinstance(value, bool | np.bool_) or not isinstance(value, numbers.Real):
        raise InputError(name, value, "it must be a number")
    try:
        number = float(value)
    except OverflowError:
        raise InputError(name, value, "it must be a number that fits double precision") from None
    if math.isnan(number):
        raise InputError(name, number, "it must be a number")
    return number


def _whole(name: str, value: Any) -> int:
    if isinstance(value, bool | np.bool_) or not isinstance(value, numbers.Integral):
        raise InputError(name, value, "it must be a whole number")
    return int(value)


def _truth(name: str, value: Any) -> bool:
    if not isinstance(value, bool | np.bool_):
        raise InputError(name, value, "it must be True or False")
    return bool(value)


def _text(name: str, value: Any) -> str:
    if not isinstance(value, str):
        raise InputError(name, value, "it must be a text")
    return value


def _nothing(name: str, value: Any) -> None:
    if value is not None:
        raise InputError(name, value, "it must be None")


def _path(name: str, value: Any) -> Any:
    if not isinstance(value, str | os.PathLike):
        raise InputError(name, value, "it must be the path of a file or folder")
    return value


_PLAIN: dict[Any, Coercion] = {
    float: _real,
    int: _whole,
    bool: _truth,
    str: _text,
    type(None): _nothing,
    None: _nothing,
}


def _member(kind: type[enum.Enum]) -> Coercion:
    words = " or ".join(repr(str(m.value)) for m in kind)

    def coerce(name: str, value: Any) -> enum.Enum:
        if type(value) is kind:
            return value
        try:
            return kind(value)
        except ValueError:
            raise InputError(name, value, f"it must be {words}") from None

    return coerce


def _literal(values: tuple[Any, ...]) -> Coercion:
    words = " or ".join(repr(v) for v in values)

    def coerce(name: str, value: Any) -> Any:
        for allowed in values:
            if type(value) is type(allowed) and value == allowed:
                return value
        raise InputError(name, value, f"it must be {words}")

    return coerce


def _sequence(item: Coercion, make: Callable[[Any], Any]) -> Coercion:
    rule = "it must be a sequence, such as a tuple"

    def coerce(name: str, value: Any) -> Any:
        return make(_items(name, _held(name, value, rule), itertools.repeat(item)))

    return coerce


def _fixed(items: tuple[Coercion | None, ...]) -> Coercion:
    rule = f"it must be a sequence of {len(items)} values"

    def coerce(name: str, value: Any) -> tuple[Any, ...]:
        values = _held(name, value, rule)
        if len(values) != len(items):
            raise InputError(name, values, rule)
        return tuple(_items(name, values, items))

    return coerce


def _held(name: str, value: Any, rule: str) -> tuple[Any, ...]:
    """What a sequence holds."""
    if type(value) is tuple:
        return value
    if isinstance(value, str | bytes | dict) or not isinstance(value, collections.abc.Iterable):
        raise InputError(name, value, rule)
    return tuple(value)


def _items(name: str, values: tuple[Any, ...], coercions: Iterable[Coercion | None]) -> list[Any]:
    """Each value after its coercion; an error names the one that does not fit by its number."""
    try:
        return [v if c is None else c(name, v) for v, c in zip(values, coercions, strict=False)]
    except InputError:
        for k, (value, coercion) in enumerate(zip(values, coercions, strict=False)):
            if coercion is not None:
                coercion(f"{name}[{k}]", value)
        raise


def _mapping(key: Coercion | None, item: Coercion | None) -> Coercion:
    def coerce(name: str, value: Any) -> dict[Any, Any]:
        if not isinstance(value, collections.abc.Mapping):
            raise InputError(name, value, "it must be a mapping, such as a dict")
        return {
            (key(f"a key of {name}", k) if key else k): (item(f"{name}[{k!r}]", v) if item else v)
            for k, v in value.items()
        }

    return coerce


def _numbers(dtype: Any, *, convert: bool) -> Coercion:
    kinds = "iufc" if np.issubdtype(dtype, np.complexfloating) else "iuf"
    if np.issubdtype(dtype, np.bool_):
        kinds = "b"

    def coerce(name: str, value: Any) -> Any:
        try:
            array = np.asarray(value)
        except (ValueError, TypeError, OverflowError):
            raise InputError(name, value, "it must be an array of numbers") from None
        if array.dtype.kind not in kinds and not (array.size == 0 and array.dtype.kind == "f"):
            raise InputError(name, value, "it must be an array of numbers")
        if array.dtype.kind in "fc" and np.isnan(array).any():
            raise InputError(name, value, "each value must be a number, none of them missing")
        return array.astype(dtype, copy=False) if convert else value

    return coerce


def _instance(kind: type) -> Coercion:
    known = _KNOWN_AS.get(kind.__name__, kind.__name__)
    rule = f"it must be {'an' if known[:1] in 'AEIOU' else 'a'} {known}"
    if known in _MAKE_ONE_BY:
        rule += f"; make one by {_MAKE_ONE_BY[known]}"

    def coerce(name: str, value: Any) -> Any:
        if not isinstance(value, kind):
            raise InputError(name, value, rule)
        return value

    return coerce


def _callable(name: str, value: Any) -> Any:
    if not callable(value):
        raise InputError(name, value, "it must be a function")
    return value


def _union(options: tuple[Any, ...]) -> Coercion | None:
    union = functools.reduce(operator.or_, map(_expanded, options))
    options = typing.get_args(union) or (union,)
    if set(options) >= _ARRAY_LIKE:  # a union swallows those inside it
        array = _numbers(float, convert=False)
        return _either([array, _nothing] if type(None) in options else [array])
    if any(isinstance(o, type) and issubclass(o, os.PathLike) for o in options):
        return _either([_path, _nothing] if type(None) in options else [_path])
    coercions = [_coercion(option) for option in options]
    if any(c is None for c in coercions):
        return None
    return _either([c for c in coercions if c is not None])


def _either(coercions: list[Coercion]) -> Coercion:
    def coerce(name: str, value: Any) -> Any:
        if value is None and _nothing in coercions:
            return None
        errors = []
        for coercion in coercions:
            if coercion is _nothing:
                continue
            try:
                return coercion(name, value)
            except InputError as error:
                errors.append(error)
        if len(errors) == 1:
            raise errors[0]
        rules = dict.fromkeys(e.rule.removeprefix("it must be ") for e in errors)
        raise InputError(name, value, "it must be " + ", or ".join(rules))

    return coerce


_ARRAY_LIKE = set(typing.get_args(_expanded(ArrayLike)))
_SEQUENCES = (
    collections.abc.Sequence,
    collections.abc.Iterable,
    collections.abc.Collection,
    list,
)


def _coercion(annotation: Any) -> Coercion | None:
    """The coercion of one annotation; nothing where anything goes."""
    annotation = _expanded(annotation)
    try:
        if annotation in _PLAIN:
            return _PLAIN[annotation]
    except TypeError:
        return None
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        return _coercion(arguments[0])
    if origin in (typing.Union, types.UnionType):
        return _union(arguments)
    if origin is typing.Literal:
        return _literal(arguments)
    if origin is tuple:
        return _tuple(arguments)
    if origin is np.ndarray:
        return _numbers(typing.get_args(arguments[1])[0], convert=True)
    if origin is collections.abc.Callable or annotation is Callable:
        return _callable
    if origin in _SEQUENCES:
        item = _coercion(arguments[0])
        return _sequence(item or (lambda _, v: v), tuple)
    if origin in (collections.abc.Mapping, dict):
        return _mapping(_coercion(arguments[0]), _coercion(arguments[1]))
    if origin in (set, frozenset, collections.abc.Set):
        return _sequence(_coercion(arguments[0]) or (lambda _, v: v), frozenset)
    if isinstance(annotation, type):
        if issubclass(annotation, enum.Enum):
            return _member(annotation)
        if annotation in (object, Any):
            return None
        if getattr(annotation, "_is_protocol", False) and not getattr(
            annotation, "_is_runtime_protocol", False
        ):
            return None
        return _instance(annotation)
    return None


def _tuple(arguments: tuple[Any, ...]) -> Coercion:
    if len(arguments) == 2 and arguments[1] is Ellipsis:
        return _sequence(_coercion(arguments[0]) or (lambda _, v: v), tuple)
    return _fixed(tuple(_coercion(a) for a in arguments))
