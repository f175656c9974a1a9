"""The first page: the networks of the folder, a new one, and the demo bench."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from antecurve.app.pages import bench_of, render
from antecurve.errors import InputError
from antecurve.files.bench_folder import file_name
from antecurve.files.demo_bench import demo_files
from antecurve.files.output_folder import write_folder
from antecurve.files.starter_job import starter_job

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

__all__ = ["routes"]


def routes() -> list[Any]:
    """List the addresses of these views.

    Returns
    -------
    list of Route
        Each with its handler.
    """
    from starlette.routing import Route

    return [
        Route("/", _home),
        Route("/networks", _new_network, methods=["POST"]),
        Route("/demo", _demo, methods=["POST"]),
    ]


def _home(request: Request) -> Response:
    return render(request, "home.html.j2", title="Bench")


async def _new_network(request: Request) -> Response:
    from starlette.responses import RedirectResponse

    async with request.form() as form:
        name = file_name(str(form.get("name", "")), field="name")
    bench, text = bench_of(request), starter_job()
    path = bench.folder.network(name) / "job.toml"
    text = text.replace('title = "Bench network"', f'title = "{name}"', 1)
    with bench.changing:
        if path.exists():
            raise InputError("name", name, "there is a network of this name; choose another")
        bench.folder.change(path, text, what=f"new network {name}")
    return RedirectResponse(f"/networks/{name}", status_code=303)


def _demo(request: Request) -> Response:
    from starlette.responses import RedirectResponse

    folder = bench_of(request).folder
    for path, files in demo_files().items():
        write_folder(folder.path / path, files, force=True)
    return RedirectResponse("/", status_code=303)
