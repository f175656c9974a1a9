"""Forms and outcomes of the bench, as a browser sends and awaits them."""

from __future__ import annotations

import html
import re
import time

from starlette.testclient import TestClient


def form_of(page: str) -> dict[str, str]:
    """What a browser would send of the job's form as it is."""
    form = page[page.index('<form id="job"') :].partition("</form>")[0]
    fields = dict(
        re.findall(r'<input(?! type="checkbox")[^>]*? name="([^"]+)" value="([^"]*)"', form)
    )
    for name, options in re.findall(r'<select[^>]*name="([^"]+)"[^>]*>(.*?)</select>', form, re.S):
        chosen = re.search(r"<option selected>(.*?)</option>", options)
        fields[name] = chosen[1] if chosen else ""
    fields |= dict(re.findall(r'type="checkbox"[^>]*name="([^"]+)" value="(yes)" checked', form))
    return {name: html.unescape(text) for name, text in fields.items()}


def finished(client: TestClient, address: str) -> str:
    """The outcome once its computation has ended."""
    for _ in range(3000):
        text = client.get(f"{address}/outcome").text
        if "every 500ms" not in text and "Reading the design" not in text:
            return text
        time.sleep(0.1)
    raise AssertionError(text)
