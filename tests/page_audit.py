"""What is wrong with a page on any screen: by axe-core, the console, the keyboard, the width."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from optional_programs import AXE

# Of what passes it tells how many rules: to describe each element would take most of the time.
_AUDIT = """async options => {
    const audit = await axe.run({resultTypes: ["violations"], ...options});
    return [audit.violations, audit.passes.length];
}"""


def violations(page: Any, options: dict[str, Any]) -> list[str]:
    """What axe-core, the open rule set for WCAG, finds."""
    if not page.evaluate("typeof axe === 'object'"):
        page.evaluate(AXE.read_text())
    violations, passes = page.evaluate(_AUDIT, options)
    assert passes
    return [
        f"{v['id']}: {v['help']} {[n['html'][:120] for n in v['nodes'][:3]]}" for v in violations
    ]


_CONTROLS = """() => {
    const may = "a[href], button, input, select, textarea, summary, [tabindex]";
    window.controls = [...document.querySelectorAll(may)].filter(e =>
        e.tabIndex >= 0 && !e.disabled && e.checkVisibility({visibilityProperty: true})
        && !(e.type === "radio" && !e.checked));
    return controls.map(e => e.outerHTML.slice(0, 120));
}"""
_FOCUSED = """() => {
    const style = getComputedStyle(document.activeElement);
    const drawn = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
    return [controls.indexOf(document.activeElement), drawn];
}"""


def _keyboard(page: Any) -> list[str]:
    """What the Tab key does not reach in one round, and where it stops unseen."""
    controls = page.evaluate(_CONTROLS)
    stops: dict[int, bool] = {}
    for _ in range(len(controls) + 1):
        page.keyboard.press("Tab")
        control, drawn = page.evaluate(_FOCUSED)
        stops[control] = drawn
    return [
        f"{'not seen' if n in stops else 'not reached'} by keyboard: {control}"
        for n, control in enumerate(controls)
        if not stops.get(n)
    ]


def audited(browser: Any, path: Path) -> list[str]:
    """List what is wrong on wide and narrow screens, in light, dark and forced colours."""
    page = browser.new_page(viewport={"width": 1400, "height": 900}, reduced_motion="reduce")
    wrong: list[str] = []
    page.on("console", lambda m: wrong.append(m.text))
    page.on("pageerror", lambda e: wrong.append(str(e)))
    page.goto(path.as_uri())
    wrong += _keyboard(page)
    wrong += violations(page, {})
    # Elsewhere nothing but the colours differs.
    page.emulate_media(color_scheme="dark")
    wrong += violations(page, {"runOnly": ["color-contrast"]})
    page.emulate_media(forced_colors="active")
    if page.evaluate("document.getAnimations().length"):
        wrong.append("something moves although motion is to be reduced")
    for width in (1400, 768, 360):
        page.set_viewport_size({"width": width, "height": 800})
        # Charts follow the width in the frame after.
        page.evaluate("new Promise(done => requestAnimationFrame(() => setTimeout(done)))")
        wide = page.evaluate("document.documentElement.scrollWidth")
        if wide > width:
            wrong.append(f"{wide} px wide on a screen of {width} px")
    page.close()
    return wrong
