"""Pages from templates: self-contained, with the scripts and styles of their charts inside."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import cache
from importlib import metadata, resources
from typing import Any

from antecurve.texts import unbroken

__all__ = ["chart_assets", "html_page", "page_environment", "script_hash", "software_text"]

_VENDOR = "vendor/uplot"


def page_environment(*more: str) -> Any:
    """Make the template environment, which escapes every text not marked as markup.

    Parameters
    ----------
    *more : str
        Packages with further templates, looked through first.

    Returns
    -------
    jinja2.Environment
        Templates of the package.
    """
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.ChoiceLoader(
            [jinja2.PackageLoader(package) for package in (*more, "antecurve.report")]
        ),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["unbroken"] = unbroken
    environment.filters["css_string"] = _css_string
    return environment


def _css_string(text: str) -> str:
    """A text as it may stand between quotes in a style: all but letters, digits, spaces escaped."""
    return "".join(c if c.isascii() and (c.isalnum() or c == " ") else f"\\{ord(c):x} "
                   for c in text)  # fmt: skip


@cache
def software_text() -> str:
    """Name this package and its version, as on every page.

    Returns
    -------
    str
        Name and version.
    """
    return f"antecurve {metadata.version('antecurve')}"


@cache
def _vendored(name: str) -> str:
    return (resources.files("antecurve.report") / _VENDOR / name).read_text("utf-8")


def chart_assets(environment: Any) -> dict[str, str]:
    """Load what draws the charts of a page.

    Parameters
    ----------
    environment : jinja2.Environment
        Where the templates are.

    Returns
    -------
    dict of str to str
        Texts of the ``library`` and its ``style`` and ``licence``, and of the ``charts``.
    """
    return {
        "library": _vendored("uPlot.iife.min.js"),
        "charts": environment.get_template("charts.js").render(),
        "style": _vendored("uPlot.min.css"),
        "licence": _vendored("LICENSE").replace("--", ""),
    }


def script_hash(script: str) -> str:
    """Hash a script as a content security policy names it.

    Parameters
    ----------
    script : str
        The script.

    Returns
    -------
    str
        SHA-256 in base 64.
    """
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def html_page(
    template: str,
    *,
    title: str,
    date: str = "",
    scripts: Sequence[str] = (),
    environment: Any = None,
    **content: Any,
) -> bytes:
    """Render a page with interactive charts.

    Parameters
    ----------
    template : str
        Name of a template that extends ``page.html.j2``.
    title : str
        Title of the page; it stands in the footer of each printed sheet as well.
    date : str, optional
        Date in the footer.
    scripts : sequence of str, optional
        More scripts, run after those of the charts.
    environment : jinja2.Environment, optional
        Where the templates are; those of the package by default.
    **content : object
        What the template itself names.

    Returns
    -------
    bytes
        HTML in UTF-8; no request leaves the page.
    """
    from markupsafe import Markup

    environment = environment or page_environment()
    assets = chart_assets(environment)
    run = [assets["library"], assets["charts"], *scripts]
    footer = [title, date, software_text()]
    page: str = environment.get_template(template).render(
        title=title,
        date=date,
        footer="  ·  ".join(word for word in footer if word),
        # The package's own scripts and the library's; none holds a word of the job.
        scripts=[Markup(script) for script in run],
        hashes=[script_hash(script) for script in run],
        library_style=Markup(assets["style"]),
        library_licence=Markup(assets["licence"]),
        **content,
    )
    return (page.strip() + "\n").encode()
