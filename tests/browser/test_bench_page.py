"""The bench in Chromium: from an empty folder to a printed test report, by keyboard, by two."""

from __future__ import annotations

from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from optional_programs import AXE, needs_axe, needs_chromium
from page_audit import violations
from served import Address, pages_served

pytestmark = [pytest.mark.browser, needs_chromium]

NETWORK = "/networks/Archive%20disc"
HANG_MS = 600_000  # the machine may do much else


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Address]:
    with pages_served(tmp_path_factory.mktemp("demo") / "bench") as server:
        yield server


# What is said of a question that a later one replaced; one that fails is said in other words, too.
REPLACED = ("htmx:afterRequest", "htmx:sendAbort")


def opened(browser: Any, bench: Address, faults: list[str], **options: Any) -> Any:
    """A page of its own browser, with what goes wrong on it."""
    page = browser.new_context(**options).new_page()
    page.set_default_timeout(HANG_MS)
    page.on("console", lambda m: m.text.startswith(REPLACED) or faults.append(m.text))
    page.on("pageerror", lambda e: faults.append(str(e)))
    page.on("request", lambda r: r.url.startswith((bench.origin, "data:")) or faults.append(r.url))
    page.goto(bench.address)
    return page


@pytest.fixture(scope="module")
def judged(browser: Any, bench: Address) -> str:
    """The whole path, with the demo bench's captures: the address of the verdict."""
    faults: list[str] = []
    page = opened(browser, bench, faults)
    page.get_by_role("button", name="Open the demo bench").click()
    page.get_by_role("link", name="Archive disc").click()
    page.locator("#load-capacitance").fill("15x")
    page.keyboard.press("Tab")
    page.locator("#error-load-capacitance", has_text="load.capacitance: received '15x'").wait_for()
    page.locator("#load-capacitance[aria-invalid=true]").wait_for()
    page.locator("#load-capacitance").fill("150p")
    # What is typed does not look like what counts for an empty field.
    looks = ("#load-capacitance", "getComputedStyle(e)", "getComputedStyle(e, '::placeholder')")
    typed, usual = (page.locator(looks[0]).evaluate(f"e => {s}.fontStyle") for s in looks[1:])
    assert (typed, usual) == ("normal", "italic")
    page.get_by_role("button", name="Find parts").click()
    page.locator("#chart-error canvas").first.wait_for()
    page.get_by_role("link", name="Test a unit").click()
    page.locator("#serial").fill("B-17 <img src=x onerror=alert(1)>")
    page.locator("#captures").select_option("unit-b")
    page.locator("#circuit").select_option("unit-b")
    page.get_by_role("button", name="Judge the unit").click()
    page.locator(".verdict.fail").wait_for()
    address: str = page.url
    with page.context.expect_page() as opening:
        page.get_by_role("link", name="Test report, to print").click()
    report = opening.value
    report.locator("#h-deviation").wait_for()
    text = PdfReader(BytesIO(report.pdf())).pages[0].extract_text()
    assert "FAIL" in text and "B-17 <img" in text and "Treble time constant" in text
    page.keyboard.press("n")
    page.wait_for_url("**/test?*")
    assert page.locator("#network").input_value() == "Archive disc"
    assert faults == []
    page.context.close()
    return address


def test_what_if_answers_while_a_control_moves(browser: Any, bench: Address, judged: str) -> None:
    faults: list[str] = []
    page = opened(browser, bench, faults)
    page.goto(f"{bench.origin}{NETWORK}/what-if")
    before = page.locator("#answer p").first.inner_text()
    page.locator("#slide-source").focus()
    for _ in range(5):
        page.keyboard.press("PageUp")
    page.wait_for_function(
        "before => document.querySelector('#answer p').innerText !== before", arg=before
    )
    assert page.locator("#slide-source").evaluate("e => e === document.activeElement")
    page.wait_for_url("**/what-if?source=*")
    page.wait_for_timeout(300)  # the page asks once more 120 ms after the last change
    page.wait_for_function("() => !document.querySelector('.htmx-request')")
    bookmarked = page.locator("#answer p").first.inner_text()
    again = opened(browser, bench, faults)  # a request may still be under way on the first page
    again.goto(page.url)
    assert again.locator("#answer p").first.inner_text() == bookmarked
    again.context.close()
    assert faults == []
    page.context.close()


def test_a_reading_is_compared_as_it_is_typed(browser: Any, bench: Address, judged: str) -> None:
    """Before the readings have a name; one that is no number says so in its row."""
    faults: list[str] = []
    page = opened(browser, bench, faults)
    page.goto(f"{bench.origin}{NETWORK}/sheet")
    page.locator("#at").select_option("input")
    page.get_by_label("Reading at 1 kHz").fill("4.9m")
    page.get_by_label("Reading at 20 Hz").fill("4.9m")
    page.get_by_label("Reading at 50 Hz").fill("loud")
    for frequency, said in (
        ("1 kHz", "inside"),
        ("20 Hz", "outside"),
        ("50 Hz", "received 'loud'"),
    ):
        row = page.locator("tr", has=page.get_by_role("rowheader", name=frequency, exact=True))
        row.locator("td", has_text=said).wait_for()
    assert faults == []
    page.context.close()


def test_two_browsers_at_once_do_not_overwrite_each_other(
    browser: Any, bench: Address, judged: str
) -> None:
    faults: list[str] = []
    one, other = (opened(browser, bench, faults) for _ in range(2))
    for page in (one, other):
        page.goto(bench.origin + NETWORK)
    one.locator("#title").fill("By one")
    one.get_by_role("button", name="Save the job").click()
    one.get_by_role("button", name="Undo").wait_for()
    other.locator("#title").fill("By the other")
    other.get_by_role("button", name="Save the job").click()
    other.get_by_text("changed in another window").wait_for()
    one.reload()
    assert one.locator("#title").input_value() == "By one"
    one.get_by_role("button", name="Undo").click()
    one.wait_for_load_state()
    assert one.locator("#title").input_value() == "Archive bench, disc"
    for page in (one, other):
        page.context.close()


SCREENS = (({"width": 1300, "height": 800}, "light"), ({"width": 360, "height": 800}, "dark"))


@needs_axe
def test_every_view_is_accessible_and_fits(browser: Any, bench: Address, judged: str) -> None:
    """axe-core, the open rule set for WCAG, finds nothing; nothing is wider than the screen.

    Each view is looked at twice: on a wide screen in light colours, on a narrow one in dark.
    """
    faults: list[str] = []
    page = opened(browser, bench, faults, bypass_csp=True, reduced_motion="reduce")
    views = ["", NETWORK, f"{NETWORK}/what-if", f"{NETWORK}/build", f"{NETWORK}/sheet", "/test",
             judged.removeprefix(bench.origin), "/log", "/log/runs", "/log/outcomes",
             "/log/deleted", "/log/delete/1",
             "/log/builds", "/test?mask=20+Hz:50+Hz:1", "/record?seconds=3"]  # fmt: skip
    for view in views:
        page.goto(bench.origin + view)
        for size, scheme in SCREENS:
            page.set_viewport_size(size)
            page.emulate_media(color_scheme=scheme)
            # Charts follow the width in the frame after.
            page.evaluate("new Promise(done => requestAnimationFrame(() => setTimeout(done)))")
            assert (view, scheme, violations(page, {"iframes": False})) == (view, scheme, [])
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= size["width"], (view, wide)
    assert faults == []
    page.context.close()


def test_the_verdict_is_reached_by_keyboard_alone(
    browser: Any, bench: Address, judged: str
) -> None:
    faults: list[str] = []
    page = opened(browser, bench, faults)
    page.goto(f"{bench.origin}/log")
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent.trim()") == "fail":
            break
    page.keyboard.press("Enter")
    page.locator(".verdict.fail").wait_for()
    # A browser need not draw what is in a frame out of sight.
    page.locator("iframe").first.scroll_into_view_if_needed()
    page.frame_locator("iframe").first.locator(".u-over").first.wait_for()
    page.context.close()


def test_a_box_with_a_switch_by_keyboard(browser: Any, bench: Address, judged: str) -> None:
    """From one curve to two and their parts, then from position to position.

    An empty folder alone offers the demo bench: it is opened first, in any order of the tests.
    """
    faults: list[str] = []
    small = {"width": 360, "height": 800}
    page = opened(browser, bench, faults, viewport=small, color_scheme="dark", bypass_csp=True)
    page.locator("#name").fill("Box")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Add a curve").press("Enter")
    page.get_by_role("button", name="Take out curve 2").wait_for()
    assert page.locator("#curve-0-position").input_value() == "disc"
    for field, text in (("curve-1-position", "no curve"), ("network-forms", "foster-1"),
                        ("resistors-series", "E12"), ("capacitors-series", "E6"),
                        ("target-error_limit_db", "1.5"), ("target-level_tolerance_db", "2"),
                        ("spread-builds", "1000")):  # fmt: skip
        page.locator(f"#{field}").fill(text)
    page.keyboard.press("Enter")  # finds parts, and takes out no curve
    page.get_by_role("heading", name="disc", exact=True).wait_for()
    page.get_by_role("link", name="no curve", exact=True).press("Enter")
    page.wait_for_url("**?position=no+curve*")
    page.get_by_role("heading", name="no curve", exact=True).wait_for()
    for view in ("Design", "Build", "Bench sheet", "What if"):
        page.get_by_role("link", name=view, exact=True).click()
        page.wait_for_url("**?position=no*curve*")
        assert page.get_by_role("link", name="no curve", exact=True).get_attribute("aria-current")
        assert page.evaluate("document.documentElement.scrollWidth") <= small["width"], view
        if AXE.exists():
            assert (view, violations(page, {"iframes": False})) == (view, [])
    assert faults == []
    page.context.close()


def test_a_page_that_lost_its_server_says_so_and_comes_back(browser: Any, tmp_path: Path) -> None:
    faults: list[str] = []
    with pages_served(tmp_path / "bench") as server:
        page = opened(browser, server, faults)
        port = int(server.origin.rpartition(":")[2])
    page.locator("#lost").wait_for(state="visible")
    assert "antecurve bench" in page.locator("#lost").inner_text()
    with pages_served(tmp_path / "bench", port=port):
        page.locator("#lost").wait_for(state="hidden")
        page.locator("#name").fill("Another")
        page.keyboard.press("Enter")
        page.get_by_role("button", name="Find parts").wait_for()
    page.context.close()
