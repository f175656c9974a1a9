"""Pages of the bench: the report's templates and styles, with the scripts beside them."""

from __future__ import annotations

import base64
import hashlib
import threading
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from antecurve.errors import AntecurveError, InputError
from antecurve.report.html_page import chart_assets, page_environment, script_hash, software_text

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from antecurve.app.computations import Computations
    from antecurve.files.bench_folder import BenchFolder

__all__ = [
    "Bench", "bench_of", "is_partial", "refused", "render", "saved_page", "script", "text_digest",
]  # fmt: skip

_VIEWS = (
    ("/", "Networks", ("/networks",)),
    ("/test", "Test a unit", ("/test", "/record")),
    ("/log", "Log", ("/log", "/verdicts")),
)
"""Addresses of the views with their names, and how the addresses below them begin."""
_KEPT = 300  # designs of one start that stay in memory, 35 KiB each


class Bench:
    """What the handlers of a server share.

    Parameters
    ----------
    folder : BenchFolder
        Where everything is.
    computations : Computations
        What is being computed.

    Attributes
    ----------
    changing : lock
        Held from reading a file of the folder until its change is written: of two changes at the
        same instant the second sees the first.
    """

    def __init__(self, folder: BenchFolder, computations: Computations) -> None:
        self.folder, self.computations = folder, computations
        self.changing = threading.Lock()
        self.kept: dict[Any, Any] = {}
        self._lock = threading.Lock()

    def keep(self, key: Any, value: Any) -> None:
        """Keep what was read of a file; the oldest goes where there is too much.

        Parameters
        ----------
        key : object
            The file and its state.
        value : object
            What was read.
        """
        with self._lock:  # requests are answered side by side
            self.kept[key] = value
            while len(self.kept) > _KEPT:
                self.kept.pop(next(iter(self.kept)))


def bench_of(request: Request) -> Bench:
    """Look up what the handlers share.

    Parameters
    ----------
    request : Request
        Any request.

    Returns
    -------
    Bench
        That of the server.
    """
    bench: Bench = request.app.state.bench
    return bench


@cache
def _environment() -> Any:
    from urllib.parse import quote

    environment = page_environment("antecurve.app")
    environment.globals["path"] = lambda *parts: "/" + "/".join(quote(p, safe="") for p in parts)
    environment.globals["software"] = software_text()
    return environment


@cache
def script(name: str) -> str | None:
    """Load a script of the pages.

    Parameters
    ----------
    name : str
        ``uplot.js``, ``charts.js``, ``htmx.js`` or ``bench.js``.

    Returns
    -------
    str or None
        Its text with the licence in front; ``None`` where there is none of that name.
    """
    assets, own = chart_assets(_environment()), resources.files("antecurve.app") / "static"
    if name == "uplot.js":
        return f"/* {assets['licence'].replace('*/', '')} */\n{assets['library']}"
    if name == "charts.js":
        return assets["charts"]
    if name == "htmx.js":
        licence = (own / "htmx" / "LICENSE").read_text("utf-8").replace("*/", "")
        return f"/* {licence} */\n{(own / 'htmx' / 'htmx.min.js').read_text('utf-8')}"
    return (own / "bench.js").read_text("utf-8") if name == "bench.js" else None


@cache
def _version(name: str) -> str:
    """Short digest of a script: its address changes with it, so that browsers may keep it."""
    digest = hashlib.sha256((script(name) or "").encode()).digest()
    return base64.urlsafe_b64encode(digest)[:12].decode()


def is_partial(request: Request) -> bool:
    """Tell whether a page asks for a part of itself.

    Parameters
    ----------
    request : Request
        The request.

    Returns
    -------
    bool
        Whether the library of partial updates sent it.
    """
    return request.headers.get("hx-request") == "true"


def text_digest(text: str) -> str:
    """Shorten a text to a mark that changes with it.

    A form carries the mark of what it shows; where it differs from what is saved, another window
    changed it meanwhile.

    Parameters
    ----------
    text : str
        What a form shows.

    Returns
    -------
    str
        16 hexadecimal digits.
    """
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def render(request: Request, template: str, *, status: int = 200, **content: Any) -> Response:
    """Render a page or a part of one.

    Parameters
    ----------
    request : Request
        What asks for it.
    template : str
        Name of the template.
    status : int, optional
        Status of the answer.
    **content : object
        What the template names.

    Returns
    -------
    Response
        HTML.
    """
    from markupsafe import Markup
    from starlette.responses import HTMLResponse

    folder = bench_of(request).folder
    changes = folder.last_changes()
    scripts = ["htmx.js", "uplot.js", "charts.js", "bench.js"]
    text = _environment().get_template(template).render(
        nonce=request.scope["state"]["nonce"],
        scripts=[f"/static/{name}?{_version(name)}" for name in scripts],
        library_style=Markup(chart_assets(_environment())["style"]),
        folder_name=folder.path.resolve().name,
        networks=folder.networks,
        views=_VIEWS,
        undo_what=changes[0].what if changes else "",
        undo_digest=text_digest(repr(changes)),
        here=request.url.path,
        footer="  \N{MIDDLE DOT}  ".join([*filter(None, [content.get("title")]), software_text()]),
        **content,
    )  # fmt: skip
    return HTMLResponse(text, status_code=status)


def refused(request: Request, error: AntecurveError, *, status: int = 422) -> Response:
    """Say why something can't be done.

    Parameters
    ----------
    request : Request
        What was asked for.
    error : AntecurveError
        What is wrong.
    status : int, optional
        Status of the answer.

    Returns
    -------
    Response
        A sentence: a part of the page for one that asks for a part, else a page.
    """
    template = "refusal.html.j2" if is_partial(request) else "refused.html.j2"
    field_name = error.field if isinstance(error, InputError) else ""
    return render(request, template, status=status, title="This can't be done",
                  sentence=str(error), field=field_name)  # fmt: skip


def saved_page(content: bytes, *, scripts: tuple[str, ...] = ()) -> Response:
    """Show a page that was saved: none but the package's own scripts run in it.

    Parameters
    ----------
    content : bytes
        The page.
    scripts : tuple of str, optional
        Scripts that may run beside those of charts.

    Returns
    -------
    Response
        HTML.
    """
    from starlette.responses import HTMLResponse

    assets = chart_assets(_environment())
    own = (assets["library"], assets["charts"], *scripts)
    hashes = " ".join(f"'sha256-{script_hash(text)}'" for text in own)
    policy = (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'self'"
    )
    return HTMLResponse(content, headers={"content-security-policy": policy})
