"""Handing over a command's result: files in a folder, text or JSON on the terminal."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

__all__ = ["deliver"]

_INTERRUPTED = 130  # 128 and the signal's number, as shells say it
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
    Stopped
        When an interruption from the keyboard comes while the files are made: an old folder stays
        as it is, and the result is printed.
    """
    from antecurve.cli.terminal import say

    def tell() -> None:
        _tell(content, show, as_json=as_json, position=position)

    written: list[str] = []
    if output is not None:
        from antecurve.files.output_folder import write_folder

        made = _made(files, tell)
        write_folder(output, made, force=force)
        written += made
    if record is not None:
        record()
    tell()
    if output is not None and not as_json:
        few = len(written) <= _MOST_NAMED
        say(f"Written to {output}: {' '.join(written) if few else f'{len(written)} files'}")


def _tell(
    content: Callable[[], object], show: Callable[[], None], *, as_json: bool, position: str
) -> None:
    """Print a result."""
    from antecurve.cli.show import show_json
    from antecurve.texts import printable

    if as_json:
        show_json(content())
        return
    if position:
        print(f"Position {printable(position)}")
    show()


def _made(
    files: Callable[[], Mapping[str, bytes]], tell: Callable[[], None]
) -> Mapping[str, bytes]:
    """The files; where that is interrupted, the result is printed before the run ends."""
    from antecurve.cli.surroundings import Stopped

    try:
        return files()
    except KeyboardInterrupt:
        tell()
        raise Stopped(
            _INTERRUPTED, "interrupted", "nothing was written, what was found is printed"
        ) from None
