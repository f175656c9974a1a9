"""Handing over a command's result: files in a folder, text or JSON on the terminal."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

__all__ = ["deliver"]

_MOST_NAMED = 20  # files: those of a design or a unit; a batch has three for each unit


def deliver(
    *,
    files: Callable[[], Mapping[str, bytes]],
    content: Callable[[], object],
    show: Callable[[], None],
    output: Path | None,
    force: bool,
    as_json: bool,
    record: Callable[[], None] | None = None,
    position: str = "",
) -> None:
    """Write a result's files where a folder is asked for, then print it.

    Parameters
    ----------
    files : callable
        Makes the files by name; called only when they are to be written.
    content : callable
        Gives what is printed as JSON.
    show : callable
        Prints the result as text.
    output : Path or None
        Folder to write into, if any.
    force : bool
        Whether to write into an existing one.
    as_json : bool
        Whether to print JSON instead of text.
    record : callable, optional
        Writes the result elsewhere, once its files are written and before it is printed.
    position : str, optional
        Name of the switch position that the result is of, printed above the text.

    Raises
    ------
    OutputExistsError
        When the folder exists and may not be written into.
    """
    from antecurve.cli.show import show_json
    from antecurve.cli.terminal import say
    from antecurve.files.output_folder import write_folder
    from antecurve.texts import printable

    written: list[str] = []
    if output is not None:
        made = files()
        write_folder(output, made, force=force)
        written += made
    if record is not None:
        record()
    if as_json:
        show_json(content())
        return
    if position:
        print(f"Position {printable(position)}")
    show()
    if output is not None:
        few = len(written) <= _MOST_NAMED
        say(f"Written to {output}: {' '.join(written) if few else f'{len(written)} files'}")
