"""Another site in the same browser, while the bench is open: it can ask, but gets nowhere.

The other site is served from this machine, too, under three names.  ``127.0.0.1`` with another
port is the same site to a browser, so that cookies go along (RFC 6265bis, "same-site" ignores
ports): Origin alone protects.  ``localhost`` and a foreign name are other sites.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from optional_programs import needs_chromium
from served import Address, pages_served

pytestmark = [pytest.mark.browser, needs_chromium]

FOREIGN = "elsewhere.example"  # a reserved name (RFC 2606), which the browser takes to this machine
# What a hostile page tries; each answers with what it got.
ATTACKS = """async (bench) => {
  const got = {};
  const body = new URLSearchParams({ name: "Taken over" });
  const tried = {
    "read": () => fetch(bench + "/log", { credentials: "include" }).then((a) => a.text()),
    "read blindly": () => fetch(bench + "/log", { credentials: "include", mode: "no-cors" })
      .then((a) => a.text()),
    "write": () => fetch(bench + "/networks", { method: "POST", body, credentials: "include" })
      .then((a) => a.text()),
    "write blindly": () => fetch(bench + "/networks",
      { method: "POST", body, credentials: "include", mode: "no-cors" }).then((a) => a.text()),
    "script": () => new Promise((done, fail) => {
      const script = document.createElement("script");
      script.onload = () => done("loaded"); script.onerror = fail;
      script.src = bench + "/static/htmx.js"; document.body.append(script);
    }),
    "window": () => new Promise((done, fail) => {
      const other = window.open(bench + "/");
      setTimeout(() => {
        try { done(other.document.body.innerText); } catch (e) { fail(e); }
      }, 400);
    }),
  };
  await Promise.all(Object.entries(tried).map(async ([name, attack]) => {
    try { got[name] = await attack(); } catch { got[name] = ""; }
  }));
  return got;
}"""
PAGE = """<!doctype html><title>Prize draw</title>
<form id="form" method="post" action="{bench}/networks" target="_blank">
<input name="name" value="Taken over"></form>
<iframe name="framed" src="{bench}/"></iframe>"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Address, Path]]:
    folder = tmp_path_factory.mktemp("guarded") / "bench"
    with pages_served(folder) as server:
        yield server, folder


@pytest.fixture(scope="module")
def other_port(bench: tuple[Address, Path]) -> Iterator[int]:
    """The other site, which serves one page."""
    page = PAGE.format(bench=bench[0].origin).encode()

    class OtherSite(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            self.wfile.write(page)

        def log_message(self, *_: Any) -> None:
            """Say nothing."""

    site = ThreadingHTTPServer(("127.0.0.1", 0), OtherSite)
    thread = threading.Thread(target=site.serve_forever)
    thread.start()
    yield site.server_port
    site.shutdown()
    thread.join()
    site.server_close()


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost", FOREIGN])
def test_another_site_reads_and_changes_nothing(
    browser: Any, bench: tuple[Address, Path], other_port: int, name: str
) -> None:
    server, folder = bench
    context = browser.new_context()
    own = context.new_page()
    own.goto(server.address)
    assert own.get_by_role("button", name="Open the demo bench").is_visible()
    before = sorted(folder.rglob("*"))
    page = context.new_page()
    page.goto(f"http://{name}:{other_port}/")
    page.wait_for_load_state("networkidle")
    got = page.evaluate(ATTACKS, server.origin)
    assert set(got.values()) == {""}, json.dumps(got)
    assert [f.title() for f in page.frames if f.name == "framed"] != ["Bench"]
    with context.expect_page() as opening:
        page.evaluate("document.getElementById('form').submit()")
    opening.value.get_by_text("Requests from other sites are refused.").wait_for()
    assert sorted(folder.rglob("*")) == before
    own.reload()
    assert own.get_by_role("button", name="Open the demo bench").is_visible()
    context.close()


def test_another_name_for_this_machine_opens_nothing(
    browser: Any, bench: tuple[Address, Path]
) -> None:
    """As a site does that changes where its name leads to: DNS rebinding."""
    server, _ = bench
    rebound = server.address.replace("127.0.0.1", FOREIGN)
    page = browser.new_page()
    answer = page.goto(rebound)
    assert answer.status == 400
    assert "127.0.0.1 and localhost alone" in page.content()
    assert page.evaluate("document.cookie") == ""
    page.close()
