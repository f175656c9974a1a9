"""Progress on stderr while something takes long; nothing when stderr is no terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from antecurve.pick.search import PickProgress

__all__ = ["count_progress", "search_progress"]


@contextmanager
def count_progress(title: str) -> Iterator[Callable[[int, int], None]]:
    """Show a bar that is told (done, wanted).

    Parameters
    ----------
    title : str
        What is being done.

    Yields
    ------
    callable
        To be called with done and wanted.
    """
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    columns = (TextColumn(title), BarColumn(), TextColumn("{task.percentage:3.0f} %"))
    with Progress(
        *columns, TimeRemainingColumn(), console=console, transient=True,
        disable=not console.is_terminal,
    ) as bar:  # fmt: skip
        task = bar.add_task(title, total=None)
        yield lambda done, wanted: bar.update(task, completed=done, total=wanted)


@contextmanager
def search_progress() -> Iterator[Callable[[PickProgress], None]]:
    """Show the best pick so far and the bound while a search runs.

    Yields
    ------
    callable
        To be called with the progress of the search.
    """
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    with Progress(
        SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn(), console=console,
        transient=True, disable=not console.is_terminal,
    ) as bar:  # fmt: skip
        task = bar.add_task("picking parts", total=None)

        def update(state: PickProgress) -> None:
            best = "nothing yet" if state.best_db is None else f"best {state.best_db:.5f} dB"
            bar.update(
                task,
                description=f"{state.form}: {best}, no combination below "
                f"{state.lower_bound_db:.5f} dB, {state.evaluated:,} evaluated",
            )

        yield update
