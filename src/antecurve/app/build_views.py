"""The build of a network, part by part, and the bench sheet with its readings."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from antecurve.analysis.as_built import as_built
from antecurve.analysis.bench_sheet import BenchSheet, bench_sheet
from antecurve.analysis.sheet_readings import PLACES, SheetReading, sheet_readings
from antecurve.app.designs import load_design
from antecurve.app.pages import Bench, bench_of, render
from antecurve.app.work import trim_build
from antecurve.errors import InputError
from antecurve.files.bench_folder import file_name
from antecurve.files.build_content import correction_csv
from antecurve.files.build_state import (
    BuildState,
    build_files,
    measured_values,
    pasted_values,
    read_build,
)
from antecurve.log.bench_log import open_log
from antecurve.log.builds import record_build
from antecurve.parts.scatter import part_table
from antecurve.quantities import format_quantity, parse_quantity
from antecurve.report.board_drawing import board_section
from antecurve.report.build_tables import UNCERTAINTY_NOTE, as_built_lines, correction_rows
from antecurve.report.schematic import schematic_svg, soldered_parts, value_labels
from antecurve.report.sheet_tables import reading_lines, reading_rows
from antecurve.report.tables import node_caption, wiring_rows

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from antecurve.pipeline import Design

__all__ = ["routes"]


def routes() -> list[Any]:
    """List the addresses of these views.

    Returns
    -------
    list of Route
        Each with its handler.
    """
    from starlette.routing import Route

    build, sheet = "/networks/{name}/build", "/networks/{name}/sheet"
    return [
        Route(build, _build, methods=["GET"]),
        Route(build, _save_build, methods=["POST"]),
        Route(f"{build}/trim", _trim),
        Route(sheet, _sheet, methods=["GET"]),
        Route(sheet, _save_sheet, methods=["POST"]),
        Route(f"{sheet}/check", _check_sheet, methods=["POST"]),
    ]


def _design(request: Request) -> tuple[Bench, Path, Design]:
    bench, name = bench_of(request), request.path_params["name"]
    folder = bench.folder.existing_network(name)
    design = load_design(bench, folder)
    if design is None:
        raise InputError("design", name, "it has no parts yet; find parts first")
    return bench, folder, design


def _build(request: Request) -> Response:
    bench, folder, design = _design(request)
    return _rendered(request, bench, folder, design, read_build(folder))


def _rendered(
    request: Request, bench: Bench, folder: Path, design: Design, state: BuildState,
    *, pasted_errors: dict[str, str] | None = None,
) -> Response:  # fmt: skip
    from markupsafe import Markup

    values, errors = measured_values(design.picked, state.values)
    errors |= pasted_errors or {}
    table = part_table(design.picked)
    parts = [
        (ref, format_quantity(value, kind.unit), state.values.get(ref, ""), ref in state.fitted)
        for ref, value, kind in zip(table.refs, table.nominal.tolist(), table.kinds, strict=True)
    ]
    built = as_built(design, measured=values) if values else None
    computation = bench.computations.latest(_topic(folder))
    schematic = schematic_svg(
        design.network, loading=design.job.loading, labels=value_labels(
            design.picked, fitted=state.fitted
        ),
        joined=soldered_parts(design.picked),
    )  # fmt: skip
    return render(
        request, "build.html.j2", status=422 if errors else 200, title=f"Build: {folder.name}",
        name=folder.name, parts=parts, state=state, errors=errors,
        others={ref: text for ref, text in errors.items() if ref not in table.refs},
        wiring=wiring_rows(design.picked), nodes=node_caption(design.picked),
        schematic=Markup(schematic), lines=[] if built is None else as_built_lines(built),
        correction=None if built is None else correction_rows(built.correction),
        note=UNCERTAINTY_NOTE, computation=computation, ahead=0,
        **board_section(design, fitted=state.fitted),
    )  # fmt: skip


async def _save_build(request: Request) -> Response:
    from starlette.concurrency import run_in_threadpool

    async with request.form() as form:
        typed = {key: str(value) for key, value in form.multi_items() if isinstance(value, str)}
    return await run_in_threadpool(_saved_build, request, typed)


def _saved_build(request: Request, typed: dict[str, str]) -> Response:
    from starlette.responses import RedirectResponse

    bench, folder, design = _design(request)
    refs = part_table(design.picked).refs
    values = {ref: typed.get(f"value:{ref}", "").strip() for ref in refs}
    pasted = pasted_values(typed.get("pasted", ""))
    values |= pasted
    fitted = tuple(ref for ref in refs if f"fitted:{ref}" in typed or ref in pasted)
    state = BuildState(typed.get("serial", "").strip(), fitted, values)
    measured, errors = measured_values(design.picked, values)
    if errors:
        return _rendered(request, bench, folder, design, state, pasted_errors=errors)
    texts = {folder / name: text for name, text in build_files(state).items()}
    if not measured and (folder / "values.csv").is_file():
        texts[folder / "values.csv"] = "ref,value\n"
    bench.folder.change_all(texts, what=f"build of {folder.name}")
    if set(fitted) == set(refs):
        log = open_log(bench.folder.path, make=True)
        record_build(log, design, folder / "design.json", serial=state.serial, measured=measured)
    trimming = bench.computations.latest(_topic(folder))
    if trimming is not None:
        bench.computations.cancel(trimming)  # it is about what was measured before
    if measured:
        built = as_built(design, measured=measured)
        (folder / "correction.csv").write_bytes(correction_csv(built.correction))
        bench.computations.start(
            trim_build, folder, measured, topic=_topic(folder), title="Trimming"
        )
    return RedirectResponse(request.url.path, status_code=303)


def _topic(folder: Path) -> str:
    return f"trim {folder.name}"


def _trim(request: Request) -> Response:
    bench = bench_of(request)
    folder = bench.folder.existing_network(request.path_params["name"])
    computation = bench.computations.latest(_topic(folder))
    ahead = 0 if computation is None else bench.computations.ahead_of(computation)
    return render(
        request, "build_trim.html.j2", name=folder.name, computation=computation, ahead=ahead
    )


def _sheet(request: Request) -> Response:
    _, folder, design = _design(request)
    sheet = bench_sheet(design)
    return render(
        request, "sheet.html.j2", title=f"Bench sheet: {folder.name}", name=folder.name,
        sheet_rows=_sheet_rows(sheet), lines=reading_lines(sheet), places=PLACES,
    )  # fmt: skip


def _sheet_rows(sheet: BenchSheet) -> list[tuple[str, ...]]:
    """Frequency, setting, level expected with its limits at the unit, limits after playback."""
    playback = zip(sheet.playback_low_db.tolist(), sheet.playback_high_db.tolist(), strict=True)
    rows = reading_rows(sheet).rows
    return [
        (*row[:5], f"{low:+.2f} to {high:+.2f}")
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
            readings.append(
                parse_quantity(text, unit="V", field="reading", minimum=0.0, exclusive=True)
                if text
                else None
            )
        except InputError as error:
            readings.append(None)
            errors[k] = str(error)
    return sheet_readings(sheet, readings, at=typed.get("at", "output")), errors


async def _check_sheet(request: Request) -> Response:
    typed = await _typed_readings(request)
    _, _, design = _design(request)
    compared, errors = _compared(bench_sheet(design), typed)
    return render(request, "sheet_check.html.j2", compared=compared, errors=errors)


async def _save_sheet(request: Request) -> Response:
    from starlette.responses import RedirectResponse

    typed = await _typed_readings(request)
    bench, folder, design = _design(request)
    compared, errors = _compared(bench_sheet(design), typed)
    if errors:
        raise InputError("reading", typed[f"read:{min(errors)}"], "write volts, such as 5m or 0.5")
    read = [(c.frequency_hz, c.level_db) for c in compared if c.level_db is not None]
    if not read:
        raise InputError("readings", "", "enter at least one")
    name = re.sub(r"\.csv$", "", file_name(typed.get("save_as", ""), field="save as"))
    path = bench.folder.path / "captures" / f"{name}.csv"
    if path.exists():
        raise InputError("save as", name, "there is a capture of this name; choose another")
    rows = "".join(f"{frequency:.6g},{level:.6f}\n" for frequency, level in read)
    bench.folder.change(path, f"frequency_hz,level_db\n{rows}", what=f"readings {name}")
    target = "/test?captures=" if typed.get("at") == "output" else f"/networks/{folder.name}?sweep="
    return RedirectResponse(f"{target}{name}", status_code=303)
