"""The server of the bench: its routes, its guard, and its life."""

from __future__ import annotations

import contextlib
import os
import secrets
import socket
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from antecurve.app.computations import Computations
from antecurve.app.guard import LARGEST_UPLOAD, TOO_LARGE, Guard, Keys
from antecurve.app.pages import Bench, bench_of, refused, render, script, text_digest
from antecurve.errors import AntecurveError, InputError
from antecurve.files.bench_folder import BenchFolder

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.types import ASGIApp

__all__ = ["application", "listening_socket", "new_keys", "serve"]

_USUAL_PORT = 8462  # by chance; the same each start, so that bookmarks stay true
_KEY_FILE = ".bench-key"
_GRACE_S = 1  # for answers under way when the server ends


def new_keys(folder: Path, *, port: int) -> Keys:
    """Make the keys of a start; the cookie is that of earlier starts.

    Parameters
    ----------
    folder : Path
        Folder of the bench; its key lies there, readable to its owner alone.
    port : int
        Port of the server.

    Returns
    -------
    Keys
        A new token and the folder's cookie.
    """
    path = folder / _KEY_FILE
    folder.mkdir(parents=True, exist_ok=True)
    with contextlib.suppress(FileExistsError):
        made = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(made, "w", encoding="ascii") as file:
            file.write(secrets.token_urlsafe(32))
    cookie = path.read_text("ascii", errors="ignore").strip()
    return Keys(port, secrets.token_urlsafe(32), cookie or secrets.token_urlsafe(32))


def listening_socket(port: int | None) -> socket.socket:
    """Listen on this machine's own address alone.

    Parameters
    ----------
    port : int or None
        Port; ``None`` for the usual one, or any free one where that is taken.

    Returns
    -------
    socket.socket
        Bound to 127.0.0.1.

    Raises
    ------
    InputError
        When the port asked for is taken.
    """
    for wanted in (port,) if port is not None else (_USUAL_PORT, 0):
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if os.name == "posix":  # elsewhere it would let two servers share the port
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind(("127.0.0.1", wanted))
            listener.listen()
        except OSError as error:
            listener.close()
            reason = error.strerror or "it is taken"
        else:
            return listener
    raise InputError("--port", port, f"this port can't be used ({reason}); give another")


def application(
    folder: Path, keys: Keys, *, on_serving: Callable[[], None] | None = None,
    largest: int = LARGEST_UPLOAD, most: int | None = None,
) -> ASGIApp:  # fmt: skip
    """Put the pages of a bench together.

    Parameters
    ----------
    folder : Path
        Folder of the bench.
    keys : Keys
        What opens it.
    on_serving : callable, optional
        Called once it serves.
    largest : int, optional
        Largest request taken [bytes].
    most : int, optional
        How many computations run at once; one a core by default.

    Returns
    -------
    ASGI application
        Behind its guard.
    """
    from starlette.applications import Starlette

    from antecurve.app import (
        build_views,
        design_views,
        export_views,
        home_views,
        log_views,
        record_views,
        sheet_views,
        unit_views,
        what_if_views,
    )

    bench = Bench(BenchFolder(folder), Computations(most))

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        bench.folder.remove_abandoned()
        if on_serving is not None:
            on_serving()
        yield
        bench.computations.close()

    handlers: Any = {AntecurveError: _refuse, 404: _missing, 413: _too_large, 500: _fault}
    inner = Starlette(
        routes=[
            *_own_routes(),
            *home_views.routes(),
            *design_views.routes(),
            *what_if_views.routes(),
            *build_views.routes(),
            *sheet_views.routes(),
            *unit_views.routes(),
            *record_views.routes(),
            *log_views.routes(),
            *export_views.routes(),
        ],
        exception_handlers=handlers,
        lifespan=lifespan,
    )
    inner.state.bench = bench
    return Guard(inner, keys, largest)


def serve(folder: Path, listener: socket.socket, *, on_serving: Callable[[Keys], None]) -> None:
    """Serve a bench until the process is asked to stop.

    Parameters
    ----------
    folder : Path
        Folder of the bench.
    listener : socket.socket
        Where it listens.
    on_serving : callable
        Called with the keys once it serves.
    """
    import uvicorn

    keys = new_keys(folder, port=listener.getsockname()[1])
    config = uvicorn.Config(
        application(folder, keys, on_serving=lambda: on_serving(keys)),
        log_level="error", access_log=False, ws="none", http="h11", proxy_headers=False,
        server_header=False, timeout_graceful_shutdown=_GRACE_S,
    )  # fmt: skip
    uvicorn.Server(config).run(sockets=[listener])


def _own_routes() -> list[Any]:
    from starlette.routing import Route

    return [
        Route("/static/{name}", _static),
        Route("/alive", _alive),
        Route("/undo", _undo, methods=["POST"]),
        Route("/computations/{number:int}/cancel", _cancel, methods=["POST"]),
    ]


async def _static(request: Request) -> Response:
    from starlette.responses import Response

    text = script(request.path_params["name"])
    if text is None:
        return _missing(request, None)
    kept = "private, max-age=31536000, immutable"
    return Response(text, media_type="text/javascript", headers={"cache-control": kept})


async def _alive(_: Request) -> Response:
    from starlette.responses import Response

    return Response(status_code=204)


async def _undo(request: Request) -> Response:
    from starlette.responses import RedirectResponse

    async with request.form() as form:
        shown = form.get("digest")  # of the change that the button names
    bench = bench_of(request)
    with bench.changing:
        if shown not in (None, text_digest(repr(bench.folder.last_changes()))):
            raise InputError("undo", "", "something else changed meanwhile; load the page again")
        bench.folder.undo()
    return RedirectResponse(_own_path(request), status_code=303)


def _own_path(request: Request) -> str:
    """The page that a form says it stands on, if it is one of this server."""
    back = request.query_params.get("back", "/")
    return back if back.startswith("/") and not back.startswith(("//", "/\\")) else "/"


def _cancel(request: Request) -> Response:
    from starlette.responses import RedirectResponse, Response

    computations = bench_of(request).computations
    computation = computations.numbered(request.path_params["number"])
    if computation is not None:
        computations.cancel(computation)
    if request.headers.get("hx-request") == "true":
        return Response(headers={"hx-refresh": "true"})
    return RedirectResponse(_own_path(request), status_code=303)


def _refuse(request: Request, error: Exception) -> Response:
    assert isinstance(error, AntecurveError)
    return refused(request, error)


def _missing(request: Request, _: Exception | None) -> Response:
    return render(request, "refused.html.j2", status=404, title="There is no such page", field="",
                  sentence="Choose another from the list above.")  # fmt: skip


def _too_large(request: Request, _: Exception) -> Response:
    return render(request, "refused.html.j2", status=413, title="Too large", field="",
                  sentence=TOO_LARGE)  # fmt: skip


def _fault(request: Request, _: Exception) -> Response:
    return render(request, "refused.html.j2", status=500, title="A fault of antecurve", field="",
                  sentence="This is a fault of antecurve, not of what you gave it.")  # fmt: skip
