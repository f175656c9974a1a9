"""The report in headless Chromium: no request leaves it, nothing on the console, fits a phone."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from antecurve.analysis.response import response_table
from antecurve.files.job_file import parse_job
from antecurve.networks.centred_error import error_range, reference_gain
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Loading
from antecurve.pipeline import Design, design
from antecurve.report import page as report_pages
from antecurve.report.page import report_page
from antecurve.report.tiles import design_tiles
from optional_programs import needs_axe, needs_chromium
from page_audit import audited

pytestmark = [pytest.mark.browser, needs_chromium]


@pytest.fixture(scope="module")
def only_page(browser: Any) -> Iterator[Any]:
    page = browser.new_page()
    yield page
    page.close()


@pytest.fixture
def page(only_page: Any) -> Any:
    """An empty page as a new one is, in the process of the last: a new one takes as long again."""
    only_page.goto("about:blank")
    only_page.set_viewport_size({"width": 1280, "height": 720})
    only_page.emulate_media(color_scheme="light", reduced_motion="no-preference")
    return only_page


def test_page_is_quiet_and_self_contained(page: Any, page_file: Path) -> None:
    """Other widths and colours: `test_nothing_is_found_on_any_screen`."""
    page.set_viewport_size({"width": 768, "height": 800})
    page.emulate_media(color_scheme="dark")
    messages: list[str] = []
    requests: list[str] = []
    page.on("console", lambda m: messages.append(m.text))
    page.on("pageerror", lambda e: messages.append(str(e)))
    page.on("request", lambda r: requests.append(r.url))
    page.goto(page_file.as_uri())
    assert messages == []
    assert requests == [page_file.as_uri()]
    assert page.locator("svg").count() >= 3
    assert "Design error" in page.locator(".governs").first.inner_text()
    # Nothing is wider than the screen but what scrolls within itself.
    assert page.evaluate("document.documentElement.scrollWidth") <= 768


BENCHES = [(50.0, 47e3, 150e-12), (600.0, 1e3, 1e-9), (0.0, 1e6, 0.0), (0.0, 47e3, 150e-12)]
SINGLE = {"parts_per_position": 1}
JOBS: dict[str, dict[str, Any]] = {
    "default": {"capacitors": {"parts_per_position": 2}},
    "rc-shunt": {
        "curve": {
            "name": "disc-amended",
            "ultrasonic_poles": ["50 kHz"],
            "low_end_bound": "2 Hz",
        },
        "source": {"resistance": 0},
        "network": {"forms": ["rc-shunt-foster-1"]},
    },
    "output capacitor": {
        "curve": {"name": "disc", "ultrasonic_poles": ["50 kHz", "200 kHz"]},
        "network": {"forms": ["output-capacitor-foster-1"]},
    },
    "no ultrasonic pole": {"curve": {"name": "disc"}},
    "balanced": {
        "network": {"forms": ["foster-1"], "balanced": True},
    },
    "another band": {"target": {"band": ["7 Hz", "15 kHz"]}},
}


@pytest.mark.sweep(3)
@pytest.mark.usefixtures("hurried_bounds")
@pytest.mark.parametrize("raw", JOBS.values(), ids=JOBS.keys())
def test_the_page_computes_what_python_computes(
    page: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, raw: dict[str, Any]
) -> None:
    """The page's own arithmetic against the package's: 1e-6 dB."""
    # Formulas take no part in it, and are derived in as long again.
    monkeypatch.setattr(report_pages, "_formulas", lambda _: {"formulas": {}, "given": ""})
    disc = {"name": "disc", "ultrasonic_poles": ["50 kHz"]}
    job = {"curve": disc, "spread": {"builds": 100}, "pick": {"budget_seconds": 0.1}}
    job |= {"resistors": {"series": "E24"}, "capacitors": SINGLE, **raw}
    made = design(parse_job(job))
    assert made.analysis is not None
    path = tmp_path / "report.html"
    path.write_bytes(report_page(made))
    page.goto(path.as_uri())
    for source, load, farad in BENCHES:
        bench = f"{{source: {source}, load: {load}, capacitance: {farad!r}}}"
        shown = page.evaluate(f"compute({bench})")
        loading = Loading(source, load, farad)
        table = response_table(
            made.network,
            Conditions(curve=made.curve, loading=loading),
            frequency_hz=made.analysis.response.frequency_hz,
        )
        np.testing.assert_allclose(shown["network_db"], table.network_db, rtol=0, atol=1e-6)
        np.testing.assert_allclose(shown["error_db"], table.error_db, rtol=0, atol=1e-6)
        level = 20.0 * math.log10(reference_gain(made.network, loading=loading))
        assert shown["gain_db"] == pytest.approx(level, abs=1e-6)
        band = made.job.target.band_hz
        error = error_range(
            made.network, Conditions(curve=made.curve, loading=loading, band_hz=band)
        )
        assert shown["centred_db"] == pytest.approx(error.centred_db, abs=1e-6)


@pytest.mark.sweep(1)
@pytest.mark.parametrize("distribution", ["uniform", "normal"])
def test_the_builds_of_the_page_agree_with_the_spread(
    page: Any, tmp_path: Path, default_design: Design, distribution: str
) -> None:
    """The page's 95 % against that of 100,000 builds, within twice what the page itself says."""
    request = dataclasses.replace(default_design.job.spread, distribution=distribution)
    job = dataclasses.replace(default_design.job, spread=request)
    changed = dataclasses.replace(default_design, job=job)
    path = tmp_path / "report.html"
    path.write_bytes(report_page(changed))
    page.goto(path.as_uri())
    shown = page.evaluate("builds(state().loading, state().tolerances)")
    slack = shown["to_db"] - shown["from_db"]
    assert 0 < slack < 0.1 * shown["within_db"]
    assert changed.analysis.spread.centred_db.p95 == pytest.approx(shown["within_db"], abs=slack)
    assert (
        f"{shown['from_db']:.3f} to {shown['to_db']:.3f} dB"
        in page.locator("#bench-result").inner_text()
    )


def test_back_to_parts_of_several_tolerances(
    page: Any, tmp_path: Path, default_design: Design
) -> None:
    """Where parts of one kind differ each keeps its own until the slider is moved."""
    first, *others = default_design.picked.positions
    tight = tuple(dataclasses.replace(part, tolerance=1e-3) for part in first.parts)
    picked = dataclasses.replace(
        default_design.picked, positions=(dataclasses.replace(first, parts=tight), *others)
    )
    path = tmp_path / "report.html"
    path.write_bytes(report_page(dataclasses.replace(default_design, picked=picked)))
    page.goto(path.as_uri())
    result, kind = page.locator("#bench-result"), first.element.kind.value
    before, slider = result.inner_text(), page.locator(f"#slide-{kind}")
    assert "each part's own" in page.locator(f"#show-{kind}").inner_text()
    slider.fill(slider.get_attribute("max"))
    page.wait_for_function("() => document.getElementById('bench-said').textContent !== ''")
    assert "own" not in page.locator(f"#show-{kind}").inner_text()
    page.get_by_role("button", name="Back to the job's bench").click()
    assert result.inner_text() == before
    assert "each part's own" in page.locator(f"#show-{kind}").inner_text()


def test_sliders_redraw_and_come_back(page: Any, page_file: Path) -> None:
    page.goto(page_file.as_uri())
    before = page.locator("#bench-result").inner_text()
    assert page.locator("#bench-said").text_content() == ""
    page.locator("#slide-source").focus()
    for _ in range(5):
        page.keyboard.press("PageUp")
    page.wait_for_function(
        "text => document.getElementById('bench-result').innerText !== text", arg=before
    )
    # Said aloud once the slider rests.
    page.wait_for_function("() => document.getElementById('bench-said').textContent !== ''")
    page.get_by_role("button", name="Back to the job's bench").click()
    assert page.locator("#bench-result").inner_text() == before


@pytest.mark.parametrize("end", ["min", "max"])
def test_sliders_at_their_ends(page: Any, page_file: Path, end: str) -> None:
    """Source 0, capacitance 0 and tolerance 0 are benches as well, and so are the other ends."""
    messages: list[str] = []
    page.on("console", lambda m: messages.append(m.text))
    page.on("pageerror", lambda e: messages.append(str(e)))
    page.goto(page_file.as_uri())
    for slider in page.locator("input[type=range]").all():
        slider.fill(slider.get_attribute(end))
    page.wait_for_function("() => document.getElementById('bench-said').textContent !== ''")
    text = page.locator("#bench").inner_text()
    drawn = page.locator("#bench").inner_html()
    assert messages == []
    for word in ("NaN", "Infinity", "undefined", "null"):
        assert word not in text
        assert word not in drawn
    if end == "min":
        # Without tolerance every build is the nominal one; builds are shown to 0.001 dB and
        # computed at a quarter of the frequencies.
        within_db = page.evaluate("builds(state().loading, state().tolerances).within_db")
        nominal = page.evaluate("compute(state().loading).centred_db")
        assert within_db == pytest.approx(nominal, abs=1e-5)
        assert page.locator("#number-capacitance").input_value() == "0"


@pytest.fixture(scope="module")
def looked_at(browser: Any, page_file: Path) -> Iterator[Any]:
    """A page that no test changes."""
    page = browser.new_page()
    page.goto(page_file.as_uri())
    yield page
    page.close()


def test_sliders_say_name_value_and_unit(looked_at: Any) -> None:
    page = looked_at
    said = {
        slider.get_attribute("id").removeprefix("slide-"): slider.get_attribute("aria-valuetext")
        for slider in page.locator("input[type=range]").all()
    }
    # The values of the embedded default job.
    assert said == {
        "source": "50 Ω",
        "load": "47 kΩ",
        "capacitance": "150 pF",
        "resistor": "±1 %",
        "capacitor": "±2.5 %",
    }
    for name in ("Generator, source resistance", "Tolerance of capacitors"):
        assert page.get_by_role("slider", name=name).count() == 1


def test_order_of_headings_and_of_the_keyboard(page: Any, page_file: Path) -> None:
    page.set_viewport_size({"width": 1200, "height": 900})
    page.goto(page_file.as_uri())
    levels = [int(h.evaluate("e => e.tagName[1]")) for h in page.locator("h1, h2, h3").all()]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the schematic"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    # On a wide screen nothing scrolls but long formulas, so tables take no stop of the keyboard.
    assert page.locator("table >> xpath=..").first.get_attribute("tabindex") is None
    for link in page.locator("nav a").all():
        assert page.locator(link.get_attribute("href")).is_visible()


def test_every_table_has_caption_and_headers(looked_at: Any) -> None:
    tables = looked_at.locator("table").all()
    assert len(tables) >= 7
    captions = [t.locator("caption").text_content() for t in tables]
    assert len(set(captions)) == len(captions)
    for table in tables:
        rows = table.locator("tbody tr").count()
        assert table.locator("th[scope=row]").count() == rows
        assert table.locator("th[scope=col]").count() >= 2


def test_figures_say_what_they_show(looked_at: Any, default_design: Design) -> None:
    page = looked_at
    names = [f.get_attribute("aria-label") for f in page.locator("[role=img][aria-label]").all()]
    # The schematic and four charts; the drawing of the board has a title of its own.
    assert len(names) == 5
    assert page.locator("svg[role=img] > title").all_text_contents() != [""]
    assert page.locator("svg[role=img]:not(:has(> title))").count() == 0
    assert all(any(c.isdigit() for c in name) for name in names)
    for position in default_design.picked.positions:
        assert position.element.ref in names[0]


def test_forced_colours_and_less_motion(browser: Any, page_file: Path) -> None:
    """Text of the figures keeps its colour on their white ground; nothing moves by itself."""
    page = browser.new_page(forced_colors="active", color_scheme="dark", reduced_motion="reduce")
    page.goto(page_file.as_uri())
    text = page.locator("figure.plot .canvas").first
    assert text.evaluate("e => getComputedStyle(e).forcedColorAdjust") == "none"
    assert page.evaluate("document.getAnimations().length") == 0
    page.close()


@needs_axe
def test_nothing_is_found_on_any_screen(browser: Any, page_file: Path) -> None:
    assert audited(browser, page_file) == []


def test_titles_are_text_not_markup(page: Any, tmp_path: Path, default_design: Design) -> None:
    title = "<script>document.title='run'</script><img src=x onerror=alert(1)>"
    job = dataclasses.replace(default_design.job, title=title)
    path = tmp_path / "report.html"
    path.write_bytes(report_page(dataclasses.replace(default_design, job=job)))
    page.goto(path.as_uri())
    assert page.locator("h1").inner_text() == title
    assert page.locator("h1 script, h1 img").count() == 0


def test_a_bench_is_in_the_address_and_presets_set_it(browser: Any, page_file: Path) -> None:
    page = browser.new_page()
    page.goto(page_file.as_uri())
    page.get_by_role("button", name="600 Ω").click()
    field = page.locator("#number-source")
    assert field.input_value() == "600"
    assert page.url.endswith("#bench,source=600")
    page.get_by_label("±3 dB").check()
    field.fill("1e9")
    field.press("Tab")
    assert field.input_value() == "1000"
    field.fill("599")
    field.press("Enter")
    address = page.url
    assert address.endswith("#bench,source=599,scale=3.0")
    result = page.locator("#bench-result").inner_text()
    page.close()
    again = browser.new_page()
    again.goto(address)
    assert again.locator("#bench-result").inner_text() == result
    scale = again.evaluate("[moved.plots[0].scales.y.min, moved.plots[0].scales.y.max]")
    assert scale == [-3, 3]
    # The job's own error stays behind as it was: the ghost.
    job, now = again.evaluate(
        "['job', 'network'].map(key => moved.plots[0].data["
        "moved.options.panels[0].series.findIndex(s => s.key === key)])"
    )
    assert job == again.evaluate("atTheJob")
    assert max(abs(a - b) for a, b in zip(job, now, strict=True)) > 0.1
    again.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_charts_take_the_colours_of_the_page(page: Any, page_file: Path, scheme: str) -> None:
    page.emulate_media(color_scheme=scheme)
    page.goto(page_file.as_uri())
    background, behind, ink = page.evaluate(
        """() => {
            const chart = document.querySelector("figure.plot svg");
            const css = (e, name) => getComputedStyle(e)[name];
            return [css(chart.querySelector("rect"), "fill"), css(document.body, "backgroundColor"),
                    css(chart.querySelector("text"), "fill")];
        }"""
    )
    assert background == behind != ink
    assert page.evaluate("moved.plots[0].axes[0].stroke()") == ink


def test_the_tiles_say_what_a_perfect_unit_shows(default_design: Design) -> None:
    # IEC 60098 gives 19.620 dB at 20 kHz re 1 kHz; a pole at 50 kHz takes 10 log10(1 + 0.4^2) =
    # 0.645 dB there and 0.002 dB at 1 kHz; the rest is the pick's own error.
    tile = next(t for t in design_tiles(default_design) if t.name == "A perfect unit at 20 kHz")
    assert abs(float(tile.value.removesuffix(" dB")) + 0.643) < 0.03
    assert "50 kHz" in tile.note


def test_charts_are_read_out_by_the_keyboard(
    page: Any, page_file: Path, default_design: Design
) -> None:
    """Arrows move the crosshair of all charts over frequency, plus zooms, Escape comes back."""
    page.set_viewport_size({"width": 1400, "height": 900})
    page.emulate_media(reduced_motion="reduce")
    page.goto(page_file.as_uri())
    crosshair = page.get_by_role("slider", name="Crosshair: Error")
    crosshair.focus()
    page.keyboard.press("End")
    spoken = crosshair.get_attribute("aria-valuetext")
    assert spoken.startswith("20 kHz, ")
    # What the crosshair says is what the tile of a perfect unit has, to a digit more.
    tile = next(t for t in design_tiles(default_design) if t.name == "A perfect unit at 20 kHz")
    said = spoken.split("published time constants ")[1].split(",")[0]
    assert float(said.replace("\N{MINUS SIGN}", "-")) == pytest.approx(
        float(tile.value.split()[0]), abs=0.0055
    )
    # Shared: the level has its crosshair at the same frequency, which is amid its own range.
    level = page.get_by_role("slider", name="Crosshair: Level")
    assert level.get_attribute("aria-valuetext").split(",")[0].startswith(("19", "20"))
    page.keyboard.press("ArrowLeft")
    assert crosshair.get_attribute("aria-valuetext").startswith("19.25 kHz")
    whole = page.evaluate("({...moved.plots[0].scales.x})")
    page.keyboard.press("+")
    zoomed = page.evaluate("({...moved.plots[0].scales.x})")
    assert zoomed["min"] > 2 * whole["min"]
    page.get_by_role("button", name="Whole range").first.click()
    assert page.evaluate("moved.plots[0].scales.x.min") == whole["min"]
    legend = page.get_by_role("button", name="95 % of builds")
    legend.press("Enter")
    assert legend.get_attribute("aria-pressed") == "false"
    assert page.evaluate("moved.plots[0].series[1].show") is False


def test_a_drag_zooms_and_a_double_click_comes_back(page: Any, page_file: Path) -> None:
    page.set_viewport_size({"width": 1000, "height": 900})
    page.goto(page_file.as_uri())
    area = page.locator("#chart-error .u-over")
    area.scroll_into_view_if_needed()
    box = area.bounding_box()
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] / 3, middle)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 2 / 3, middle, steps=3)
    page.mouse.up()
    # Thirds of three decades from 20 Hz: 200 Hz to 2 kHz; a pixel is 0.8 %.
    low, high = page.evaluate("[moved.plots[0].scales.x.min, moved.plots[0].scales.x.max]")
    assert (low, high) == pytest.approx((200.0, 2000.0), rel=0.01)
    page.mouse.dblclick(box["x"] + 50, middle)
    assert page.evaluate("moved.plots[0].scales.x.min") == pytest.approx(20.0)


def test_without_scripts_the_drawings_stand(browser: Any, page_file: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(page_file.as_uri())
    assert page.locator("figure.plot .drawn svg").count() == 4
    assert page.locator("figure.plot .drawn svg").first.is_visible()
    assert not page.locator("#bench").is_visible()
    context.close()


def test_the_page_is_below_400_kb(page_file: Path) -> None:
    assert page_file.stat().st_size < 400_000
