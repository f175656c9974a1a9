"""Forms and outcomes of the bench, as a browser sends and awaits them."""

from __future__ import annotations

import html
import re
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import httpx2
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


def answer_once(
    client: httpx2.Client, address: str, done: Callable[[httpx2.Response], bool]
) -> str:
    """The page once it says what is awaited."""
    for _ in range(3000):
        answer = client.get(address)
        if done(answer):
            return answer.text
        time.sleep(0.1)
    raise AssertionError(answer.text)


def recorded(
    client: httpx2.Client, asked: Mapping[str, str], *, connect: Path | None = None
) -> tuple[str, list[str]]:
    """Begin a recording, connect what is asked for: the last page, and the steps.

    What is connected is written to a file, ``unit`` or ``bypass``.
    """
    page = client.post("/record", data=dict(asked))
    address, steps = str(page.url), list[str]()
    number = re.findall(r"/record/(\d+)", address)[0]
    last = 0
    while True:

        def told(answer: httpx2.Response, last: int = last) -> bool:
            asks = re.findall(r'name="step" value="(\d+)"', answer.text)
            ended = "Nothing was logged" in answer.text or "/verdicts/" in str(answer.url)
            return ended or any(int(step) > last for step in asks)

        text = answer_once(client, address, told)
        wanted = re.findall(r'<p role="status">(.*?)</p><input type="hidden" name="step"', text)
        if not wanted:
            return text, steps
        steps.append(html.unescape(wanted[0]))
        last = int(re.findall(r'name="step" value="(\d+)"', text)[0])
        if connect is not None:
            connect.write_text("unit" if "to the network" in steps[-1] else "bypass")
        client.post(f"/record/{number}/go", data={"step": str(last)})
