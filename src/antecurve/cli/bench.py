"""``antecurve bench``: the bench as a page in the browser, served on this machine only."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

if TYPE_CHECKING:
    from antecurve.app.guard import Keys

__all__ = ["bench"]


def bench(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder that keeps everything, as plain files.")
    ] = Path("bench"),
    port: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(
            metavar="NUMBER",
            min=1,
            max=65535,
            help="Port of the page; by default the same each time.",
        ),
    ] = None,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")
    ] = True,
) -> None:
    """Open the bench in the browser: from the job to the test report.

    The page is served on this machine only, until Ctrl-C.  Everything is in FOLDER: copy it,
    and you copy the bench.

    \b
    Example: antecurve bench my-bench
    """
    from antecurve.app.server import listening_socket, serve
    from antecurve.cli.surroundings import Stopped
    from antecurve.errors import InputError

    if folder.exists() and not folder.is_dir():
        raise InputError("FOLDER", str(folder), "it is a file; name a folder")
    listener = listening_socket(port)

    def say_address(keys: Keys) -> None:
        print(keys.address, flush=True)
        if browser:
            import webbrowser

            webbrowser.open(keys.address)

    try:
        serve(folder, listener, on_serving=say_address)
    except KeyboardInterrupt:
        return  # Ctrl-C is how the bench is closed
    except Stopped as stopped:
        raise Stopped(stopped.code, stopped.word, "what was judged is in the log") from None
    finally:
        listener.close()
