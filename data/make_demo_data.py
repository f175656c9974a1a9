"""Make the demo data anew: invented, seeded, the same every time.

Run with: python data/make_demo_data.py
The scenario is the bench of a small community sound archive.  README.md has the true values.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

import antecurve
from antecurve.analysis.playback import Playback
from antecurve.analysis.waveform import SquareWave
from antecurve.files.table import csv_bytes
from antecurve.networks.compiled import transfer
from antecurve.report.page import report_page
from antecurve.report.plots import plot_files

HERE = Path(__file__).parent
SEED = 20
JOB = """\
# The archive's bench: disc curve, generator of 50 ohm, units with inputs of 47 kohm.
title = "Archive bench, disc"
[curve]
name = "disc"
ultrasonic_poles = ["50 kHz"]
[source]
resistance = 50
level = "0.5 V"
[load]
resistance = "47k"
capacitance = "150p"
[target]
level = "5 mV"
error_limit_db = 0.5
[network]
forms = ["foster-1"]
output_resistance_max = 600
input_impedance_min = 2500
"""
BOX = """\
# One box for the archive's older discs: a rotary switch chooses the curve.
title = "Archive box"

[[curve]]
position = "disc"
name = "disc"                       # 3180, 318 and 75 us

[[curve]]
position = "coarse"
name = "disc-coarse-groove"         # 3180, 450 and 50 us

[[curve]]
position = "older"                  # 400 Hz and -16 dB at 10 kHz, with a bass shelf
zeros = ["3180 us", "100 us"]
poles = ["398 us"]

[[curve]]
position = "flat"
name = "flat"

[source]
resistance = 50
level = "0.5 V"

[load]
resistance = "47k"
capacitance = "150p"

[target]
level = "5 mV"
level_tolerance_db = 2
error_limit_db = 0.2

[network]
output_resistance_max = 600
input_impedance_min = 1000

[switch]
contacts = "break-before-make"
add_parts = "nearer"                # throws add to a part that stays: nearer, always or never
contact_resistance = "20m"
stray_capacitance = "1p"
"""
UNIT_B = """\
# The circuit of the archive's unit B, as its drawing says.
title = "Unit B"
curve = "disc"
arrangement = "passive split"

[input]
resistance = "47k"
capacitance = "150p"

[values]
R1 = "10k"
C1 = "6.8n"
R2 = "90.9k"
R3 = "10.2k"
C2 = "31.2n"
C3 = { value = "10u", tolerance = "10 %" }
R4 = "220k"
"""
UNITS = {
    "unit-a": Playback("in order"),
    "unit-b": Playback("treble 62 us", treble_factor=62 / 75),
}


def drawer(rng: np.random.Generator) -> bytes:
    """Capacitors on hand: marked values of E6, made within 5 %, measured to 0.2 %."""
    rows = []
    for decade in (1e-9, 1e-8):
        for number in (1.0, 1.5, 2.2, 3.3, 4.7, 6.8):
            for _ in range(4):
                true = number * decade * (1 + rng.uniform(-0.05, 0.05))
                measured = float(f"{true:.4g}")
                rows.append(("capacitor", f"{number * decade * 1e9:g}n", measured, "0.2 %", 1,
                             "polypropylene 5 %"))  # fmt: skip
    header = ("kind", "value", "measured", "tolerance", "quantity", "description")
    return csv_bytes(header, rows)


def built(design: antecurve.Design, rng: np.random.Generator) -> tuple[antecurve.Network, bytes]:
    """One build of a design, its parts within tolerance, and what a meter reads of them."""
    values = []
    for position in design.picked.positions:
        scatter = rng.uniform(-1, 1, len(position.parts)) * position.tolerance
        parts = tuple(
            dataclasses.replace(p, value=p.value * (1 + s))
            for p, s in zip(position.parts, scatter, strict=True)
        )
        values.append(dataclasses.replace(position, parts=parts).value)
    network = antecurve.Network(design.picked.topology, np.array(values))
    rows = [
        (ref, float(f"{v * (1 + rng.normal(0, 5e-4)):.4g}"))
        for ref, v in zip(network.topology.refs, values, strict=True)
    ]
    return network, csv_bytes(("ref", "value"), rows)


def square_wave(
    network: antecurve.Network,
    job: antecurve.Job,
    unit: Playback,
    rng: np.random.Generator,
    *,
    frequency_hz: float,
    points: int = 5000,
    periods: float = 2.6,
) -> bytes:
    """A record of an oscilloscope: unknown start, offset, noise, 8 bits."""
    wave = SquareWave(frequency_hz=frequency_hz, amplitude_v=0.7)
    trace = antecurve.scope_trace(
        network, job.conditions, wave=wave, samples=200_000, playback=unit
    )
    time = np.arange(points) * periods / frequency_hz / points
    place = ((time + rng.uniform(0, 1) / frequency_hz) * frequency_hz) % 1.0
    volts = 100.0 * trace.playback_v[(place * 200_000).astype(int)] + 0.02
    volts += rng.normal(0, 4e-3, points)
    step = 2.6 * np.abs(volts).max() / 256
    volts = np.round(np.round(volts / step) * step, 6)
    rows = zip(np.round(time, 9).tolist(), volts.tolist(), strict=True)
    return csv_bytes(("time_s", "volts"), rows)


def sweep(network: antecurve.Network, job: antecurve.Job, rng: np.random.Generator) -> bytes:
    """Levels at the network's output as a meter reads them, 0.01 dB of noise."""
    frequency = np.geomspace(20.0, 20e3, 61)
    made = np.abs(transfer(network, frequency, loading=job.loading))
    level = 20 * np.log10(made) + rng.normal(0, 0.01, frequency.size)
    rows = zip(frequency.round(3).tolist(), level.round(3).tolist(), strict=True)
    return csv_bytes(("frequency_hz", "level_db"), rows)


def report_picture(design: antecurve.Design, path: Path) -> None:
    """Take a picture of the report's first screen, where Chromium is installed."""
    import shutil
    import tempfile

    chromium = shutil.which("chromium")
    if chromium is None:
        return
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        page_file = Path(folder) / "report.html"
        page_file.write_bytes(report_page(design))
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1400, "height": 760}, color_scheme="light")
        page.goto(page_file.as_uri())
        page.screenshot(path=path)
        browser.close()


def main() -> None:
    """Write every file of the folder but the README's own text."""
    rng = np.random.default_rng(SEED)
    (HERE / "bench.toml").write_text(JOB)
    (HERE / "box.toml").write_text(BOX)
    (HERE / "unit-b.toml").write_text(UNIT_B)
    (HERE / "drawer.csv").write_bytes(drawer(rng))
    job = antecurve.read_job(HERE / "bench.toml")
    design = antecurve.design(job)
    pictures = HERE / "pictures"
    pictures.mkdir(exist_ok=True)
    plots = plot_files(design)
    for name in ("schematic.svg", "error.svg", "faults.svg"):
        (pictures / name).write_bytes(plots[name])
    report_picture(design, pictures / "report.png")
    network, measured = built(design, rng)
    (HERE / "build-1-values.csv").write_bytes(measured)
    own = np.random.default_rng(SEED + 1)
    (HERE / "build-1-sweep.csv").write_bytes(sweep(network, job, own))
    for name, unit in UNITS.items():
        for frequency in (200.0, 30.0):
            content = square_wave(network, job, unit, rng, frequency_hz=frequency)
            (HERE / f"{name}-{frequency:g}hz.csv").write_bytes(content)


if __name__ == "__main__":
    main()
