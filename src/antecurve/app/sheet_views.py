"""The bench sheet of a network, of a box at one position of its switch, and its readings."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, urlencode

from antecurve.analysis.bench_sheet import BenchSheet, bench_sheet
from antecurve.analysis.sheet_readings import PLACES, SheetReading, sheet_readings
from antecurve.app.designs import chosen_design
from antecurve.app.pages import render
from antecurve.errors import InputError
from antecurve.files.bench_folder import file_name
from antecurve.quantities import parse_positive
from antecurve.report.sheet_tables import reading_lines, reading_rows
from antecurve.report.text_table import signed

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

    at = "/networks/{name}/sheet"
    return [
        Route(at, _sheet, methods=["GET"]),
        Route(at, _save_sheet, methods=["POST"]),
        Route(f"{at}/check", _check_sheet, methods=["POST"]),
    ]


def _sheet(request: Request) -> Response:
    chosen = chosen_design(request)
    sheet = bench_sheet(chosen.design)
    return render(
        request, "sheet.html.j2", title=f"Bench sheet: {chosen.named}",
        sheet_rows=_sheet_rows(sheet), lines=reading_lines(sheet), places=PLACES,
        **chosen.content(),
    )  # fmt: skip


def _sheet_rows(sheet: BenchSheet) -> list[tuple[str, ...]]:
    """Frequency, setting, level expected with its limits at the unit, limits after playback."""
    playback = zip(sheet.playback_low_db.tolist(), sheet.playback_high_db.tolist(), strict=True)
    rows = reading_rows(sheet).rows
    return [
        (*row[:5], f"{signed(low, digits=2)} to {signed(high, digits=2)}")
        for row, (low, high) in zip(rows, playback, strict=True)
    ]


async def _typed_readings(request: Request) -> dict[str, str]:
    async with request.form() as form:
        return {key: str(value) for key, value in form.multi_items() if isinstance(value, str)}


def _compared(
    sheet: BenchSheet, typed: dict[str, str]
) -> tuple[tuple[SheetReading, ...], dict[int, str]]:
    """Readings against their limits, and what can't be read."""
    readings: list[float | None] = []
    errors: dict[int, str] = {}
    for k in range(sheet.frequency_hz.size):
        text = typed.get(f"read:{k}", "").strip()
        try:
            readings.append(parse_positive(text, "V", "reading") if text else None)
        except InputError as error:
            readings.append(None)
            errors[k] = str(error)
    return sheet_readings(sheet, readings, at=typed.get("at", "output")), errors


async def _check_sheet(request: Request) -> Response:
    typed = await _typed_readings(request)
    compared, errors = _compared(bench_sheet(chosen_design(request).design), typed)
    return render(request, "sheet_check.html.j2", compared=compared, errors=errors)


async def _save_sheet(request: Request) -> Response:
    from starlette.responses import RedirectResponse

    typed = await _typed_readings(request)
    chosen = chosen_design(request)
    bench = chosen.bench
    compared, errors = _compared(bench_sheet(chosen.design), typed)
    if errors:
        raise InputError("reading", typed[f"read:{min(errors)}"], "write volts, such as 5m or 0.5")
    read = [(c.frequency_hz, c.level_db) for c in compared if c.level_db is not None]
    if not read:
        raise InputError("readings", "", "enter at least one")
    name = re.sub(r"\.csv$", "", file_name(typed.get("save_as", ""), field="save as"))
    path = bench.folder.path / "captures" / f"{name}.csv"
    rows = "".join(f"{frequency:.6g},{level:.6f}\n" for frequency, level in read)
    with bench.changing:
        if path.exists():
            raise InputError("save as", name, "there is a capture of this name; choose another")
        bench.folder.change(path, f"frequency_hz,level_db\n{rows}", what=f"readings {name}")
    if typed.get("at") == "output":
        network = "/".join(filter(None, (chosen.folder.name, chosen.position)))
        target = f"/test?{urlencode({'network': network, 'captures': name})}"
    else:
        target = f"/networks/{quote(chosen.folder.name)}?{urlencode({'sweep': name})}"
    return RedirectResponse(target, status_code=303)
