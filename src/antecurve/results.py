"""Results that speak: as plain data, as a table, as a figure, in a few lines, in a notebook.

A result is a frozen dataclass that derives from `Result`.  Plain data comes from one encoder over
its fields.  A dataclass whose JSON has another shape, because the contract of the files says so,
lists its keys in `_keys`, each as ``key:attribute``:

* ``spread_p95_db`` is an attribute under its own name;
* ``exact_db:exact.centred_db`` reads an attribute of an attribute, ``None`` where one is ``None``;
  of a tuple it reads the attribute of each item;
* ``source.level_v:source_level_v`` puts a value into the object ``source``;
* ``*:picked`` puts the keys of `picked` beside the others.
"""

from __future__ import annotations

import dataclasses
import html
import importlib
import json
import math
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar, overload

import numpy as np

if TYPE_CHECKING:
    import pandas
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike

__all__ = ["Later", "Result", "column_rows", "frame_rows", "json_text", "plain"]

Item = TypeVar("Item")

_MOST_LINES = 10  # of a repr: what an interactive session shows at a glance
_LINE = 100  # characters: one line on a usual terminal
_ROWS_SHOWN = 12  # in a notebook, before the table is cut


def plain(value: object) -> Any:
    """Convert a result to plain data: dicts, lists, numbers, texts and ``None``.

    Parameters
    ----------
    value : object
        A dataclass, an enumeration's member, an array, a symbolic expression, a sequence or a
        mapping of such.

    Returns
    -------
    object
        Plain data; what is not finite is ``None``, an expression its text.
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return _keyed(value)
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | Later):
        return [plain(item) for item in value]
    import msgspec

    return _finite(msgspec.to_builtins(value, enc_hook=_encode, str_keys=True))


def frame_rows(frame: pandas.DataFrame) -> list[dict[str, Any]]:
    """Convert the rows of a data frame to plain data.

    Parameters
    ----------
    frame : pandas.DataFrame
        Any table.

    Returns
    -------
    list of dict
        One entry a row; what is not finite is ``None``.
    """
    return [plain(row) for row in frame.to_dict(orient="records")]


def column_rows(**columns: ArrayLike) -> list[dict[str, Any]]:
    """Turn columns of one length into rows.

    Parameters
    ----------
    **columns : array_like, shape (rows,)
        The columns by name.

    Returns
    -------
    list of dict
        One entry a row; what is not finite is ``None``.
    """
    items = zip(*(plain(column) for column in columns.values()), strict=True)
    return [dict(zip(columns, row, strict=True)) for row in items]


def _keyed(value: Any) -> dict[str, Any]:
    """Plain data of a dataclass under its keys."""
    names = tuple(f.name for f in dataclasses.fields(value) if not f.name.startswith("_"))
    content: dict[str, Any] = {}
    for entry in getattr(value, "_keys", ()) or names:
        key, _, attribute = entry.partition(":")
        *groups, last = key.split(".")
        group = content
        for name in groups:
            group = group.setdefault(name, {})
        item = plain(_attribute(value, attribute or key))
        group.update(item if last == "*" else {last: item})
    return content


def _encode(value: Any) -> Any:
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    if type(value).__module__.partition(".")[0] == "sympy":
        return str(value)
    raise TypeError(f"{type(value).__name__} is no plain data")


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return value


def json_text(value: object) -> str:
    """Write plain data as JSON, numbers with full precision.

    Parameters
    ----------
    value : object
        What `plain` takes.

    Returns
    -------
    str
        Indented by one, a line break at the end.
    """
    content = json.dumps(plain(value), indent=1, ensure_ascii=False, allow_nan=False)
    return content + "\n"


class Later(Sequence[Item]):
    """Items of a result that take time: worked out when first looked at, then kept.

    Copied and pickled it is a tuple.

    Parameters
    ----------
    work : callable
        Gives the items.
    """

    __slots__ = ("_items", "_work")

    def __init__(self, work: Callable[[], Iterable[Item]]) -> None:
        self._work: Callable[[], Iterable[Item]] | None = work
        self._items: tuple[Item, ...] = ()

    def _known(self) -> tuple[Item, ...]:
        work = self._work
        if work is not None:
            self._items = tuple(work())
            self._work = None
        return self._items

    @overload
    def __getitem__(self, index: int) -> Item: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[Item, ...]: ...
    def __getitem__(self, index: int | slice) -> Item | tuple[Item, ...]:
        return self._known()[index]

    def __len__(self) -> int:
        return len(self._known())

    def __eq__(self, other: object) -> bool:
        return self._known() == (other._known() if isinstance(other, Later) else other)

    def __hash__(self) -> int:
        return hash(self._known())

    def __repr__(self) -> str:
        return repr(self._known())

    def __reduce__(self) -> tuple[type[tuple[Any, ...]], tuple[tuple[Item, ...]]]:
        return tuple, (self._known(),)


class Result:
    """Base of the results: frozen dataclasses that show themselves."""

    __slots__ = ()

    _rows: ClassVar[str] = ""
    """Field that holds the rows of the table; empty: arrays of one length are its columns."""
    _keys: ClassVar[tuple[str, ...]] = ()
    """Keys of the JSON, as the module says; empty: the fields under their names."""

    def __init_subclass__(cls) -> None:
        # Here, before a dataclass writes one that shows every number of every array.
        cls.__repr__ = Result.__repr__  # type: ignore[method-assign]

    def to_dict(self) -> dict[str, Any]:
        """Convert the result to plain data, as its JSON holds it.

        Returns
        -------
        dict
            Texts, numbers, lists and ``None``.
        """
        return _keyed(self)

    @property
    def records(self) -> list[dict[str, Any]]:
        """The rows of the table as plain data."""
        if type(self).to_frame is not Result.to_frame:
            return frame_rows(self.to_frame())
        table = _table(self)
        return column_rows(**table) if isinstance(table, dict) else table

    def plot(self) -> Figure:
        """Draw the result, where a picture says more than a table.

        Returns
        -------
        matplotlib.figure.Figure
            The figure.

        Raises
        ------
        InputError
            When there is no picture of results of this kind.
        """
        # By name: nothing that computes loads the plotting library.
        plots: Any = importlib.import_module("antecurve.report.plots")
        figure: Figure = plots.result_figure(self)
        return figure

    def to_frame(self) -> pandas.DataFrame:
        """Tabulate the result.

        Returns
        -------
        pandas.DataFrame
            One row for each entry; one row in all for a result without a table.
        """
        import pandas

        return pandas.DataFrame(_table(self))

    def __repr__(self) -> str:
        lines = [f"{type(self).__name__}("]
        fields = [f for f in dataclasses.fields(self) if f.repr]  # type: ignore[arg-type]
        shown = fields if len(fields) <= _MOST_LINES - 2 else fields[: _MOST_LINES - 3]
        lines += [f"  {f.name}={_brief(getattr(self, f.name))}" for f in shown]
        if len(shown) < len(fields):
            lines.append(f"  ... {len(fields) - len(shown)} more")
        return "\n".join([*(line[:_LINE] for line in lines), ")"])

    def _repr_html_(self) -> str:
        frame = self.to_frame()
        cut = "" if len(frame) <= _ROWS_SHOWN else f"<p>{len(frame)} rows; to_frame() has all.</p>"
        name = html.escape(type(self).__name__)
        return f"<p><b>{name}</b></p>{frame.head(_ROWS_SHOWN).to_html(index=False)}{cut}"


def _attribute(value: Any, path: str) -> Any:
    """The attribute at a path such as ``within.low``; ``None`` behind an attribute that is."""
    for name in path.split("."):
        if isinstance(value, tuple | Later):
            value = tuple(getattr(item, name) for item in value)
        else:
            value = None if value is None else getattr(value, name)
    return value


def _brief(value: object) -> str:
    if isinstance(value, np.ndarray):
        return f"<array of {' x '.join(map(str, value.shape))}>"
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return f"<{type(value).__name__}>"
    if isinstance(value, Later):
        value = tuple(value)
    if isinstance(value, tuple | list) and len(value) > 4:
        return f"<{len(value)} of {type(value[0]).__name__}>"
    if isinstance(value, tuple | list) and any(dataclasses.is_dataclass(v) for v in value):
        return f"({', '.join(_brief(v) for v in value)})"
    if isinstance(value, float):
        return f"{value:.6g}"
    return repr(value).replace("\n", " ")


def _table(result: Result) -> dict[str, Any] | list[dict[str, Any]]:
    values = {f.name: getattr(result, f.name) for f in dataclasses.fields(result)}  # type: ignore[arg-type]
    if result._rows:
        return [_flat(plain(row)) for row in values[result._rows]]
    columns = {n: v for n, v in values.items() if isinstance(v, np.ndarray) and v.ndim == 1}
    if len({len(v) for v in columns.values()}) == 1:
        return columns
    return [_flat(plain(result))]


def _flat(content: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    """Nested dicts as dotted names; lists stay in their cell."""
    flat: dict[str, Any] = {}
    for key, value in content.items():
        if isinstance(value, dict):
            flat |= _flat(value, f"{prefix}{key}.")
        else:
            flat[f"{prefix}{key}"] = value
    return flat
