"""Progress on stderr while something takes long; nothing when stderr is no terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.progress import Progress

    from antecurve.pick.search import PickProgress

__all__ = ["busy_progress", "count_progress", "design_progress", "stage_progress"]


class _NoBar:
    """What a bar is where stderr is no terminal."""

    def add_task(self, *_: Any, **__: Any) -> Any:
        """Begin: nothing is shown."""

    update = add_task


@contextmanager
def _bar() -> Iterator[Progress | _NoBar]:
    """A line with what is done, a bar, the time taken and, where it is known, the time left."""
    if not sys.stderr.isatty():
        yield _NoBar()
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    with Progress(
        TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeElapsedColumn(),
        TimeRemainingColumn(), console=Console(stderr=True), transient=True,
    ) as bar:  # fmt: skip
        yield bar


@contextmanager
def busy_progress(title: str) -> Iterator[None]:
    """Show that something goes on whose end is not known.

    Parameters
    ----------
    title : str
        What is being done.
    """
    with _bar() as bar:
        bar.add_task(title, total=None)
        yield


@contextmanager
def stage_progress(title: str) -> Iterator[Callable[[str], None]]:
    """Show that something goes on, and which stage it has come to.

    Parameters
    ----------
    title : str
        What is being done.

    Yields
    ------
    callable
        To be called with the name of each stage as it begins.
    """
    with _bar() as bar:
        task = bar.add_task(title, total=None)
        yield lambda stage: bar.update(task, description=f"{title}: {stage}")


@contextmanager
def count_progress(title: str) -> Iterator[Callable[[int, int], None]]:
    """Show a bar that is told (done, wanted); until then that something goes on.

    Parameters
    ----------
    title : str
        What is being done.

    Yields
    ------
    callable
        To be called with done and wanted.
    """
    with _bar() as bar:
        task = bar.add_task(title, total=None)

        def counted(done: int, wanted: int) -> None:
            text = f"{title}: {done:,} of {wanted:,}"
            bar.update(task, description=text, completed=done, total=wanted)

        yield counted


@contextmanager
def design_progress() -> Iterator[
    tuple[Callable[[PickProgress], None], Callable[[int, int], None]]
]:
    """Show both stages of a design: parts tried and the best pick, then builds drawn.

    Yields
    ------
    tuple of callable
        To be called with the progress of the search; with builds done and wanted.
    """
    with _bar() as bar:
        task = bar.add_task("1 of 2, picking parts", total=None)

        def searched(state: PickProgress) -> None:
            best = "none yet" if state.best_db is None else f"best ±{state.best_db:.3f} dB"
            limit = state.most_seconds
            most = "" if limit is None else f", at most {max(limit, 0.0):.0f} s more"
            text = f"1 of 2, picking parts, {state.form}: {state.evaluated:,} tried, {best}{most}"
            bar.update(task, description=text)

        def drawn(done: int, wanted: int) -> None:
            text = f"2 of 2, builds: {done:,} of {wanted:,}"
            bar.update(task, description=text, completed=done, total=wanted)

        yield searched, drawn
