"""How long the log takes with 10,000 units: opened, searched, listed, counted, written."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path

from antecurve.log.bench_log import open_log
from antecurve.log.history import unit_history
from antecurve.log.listing import list_units, list_verdicts
from antecurve.log.log_filter import LogFilter
from antecurve.log.outcomes import finding_counts, outcome_shares
from antecurve.log.recording import NewVerdict, record_verdicts
from antecurve.log.run_chart import run_chart
from logged_units import LOW_TREBLE, SOUND, verdict_content

UNITS = 10_000
# As long as that of a real unit: 15 KB.
DEVIATION = [
    {"frequency_hz": 20.0 * 1.08**k, "deviation_db": 0.1 / 3, "expanded_uncertainty_db": 0.05 / 3}
    for k in range(90)
]


def _entry(number: int) -> NewVerdict:
    content = verdict_content(
        decision="fail" if number % 7 == 0 else "pass",
        date=f"20{16 + number % 10}-{1 + number % 12:02d}-{1 + number % 28:02d}",
        treble_s=(75 + 0.01 * (number % 50)) * 1e-6,
        findings=(LOW_TREBLE if number % 7 == 0 else SOUND,),
        deviation=DEVIATION,
    )
    return NewVerdict(content, f"U-{number:05d}")


def _best(call: Callable[[], object], tries: int = 5) -> float:
    """Least time of several [ms]: what the machine does besides is not the log's."""
    times = []
    for _ in range(tries):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return 1e3 * min(times)


def test_ten_thousand_units(tmp_path: Path) -> None:
    log = open_log(tmp_path, make=True)
    start = time.perf_counter()
    record_verdicts(log, [_entry(number) for number in range(UNITS)])
    written = 1e3 * (time.perf_counter() - start) / UNITS
    words = LogFilter(words="treble 61.73 low")
    calls: dict[str, Callable[[], object]] = {
        "open and check": lambda: open_log(tmp_path),
        "first 50 units": lambda: list_units(log, limit=50),
        "last 50 units": lambda: list_units(log, limit=50, offset=UNITS - 50),
        "50 units that failed": lambda: list_units(log, LogFilter(decision="fail"), limit=50),
        "50 units by words": lambda: list_units(log, words, limit=50),
        "one unit by its number": lambda: list_units(log, LogFilter(words="05678"), limit=50),
        "50 verdicts by words": lambda: list_verdicts(log, words, limit=50),
        "history of a unit": lambda: unit_history(log, "U-05678"),
        "outcomes by month": lambda: outcome_shares(log),
        "findings": lambda: finding_counts(log, limit=50),
        "run chart of a year": lambda: run_chart(log, "treble_s", LogFilter(since="2025")),
        "one more verdict": lambda: record_verdicts(log, [_entry(UNITS)]),
    }
    measured = {name: _best(call) for name, call in calls.items()}
    print(f"\n{UNITS} units, {log.path.stat().st_size / 1e6:.0f} MB; {written:.2f} ms a verdict")
    for name, milliseconds in measured.items():
        print(f"{name:<24}{milliseconds:8.1f} ms")
    assert json.loads(_entry(0).content)["deviation"] == DEVIATION
    # What the bench promises of a search and of a list.
    listed = [ms for name, ms in measured.items() if "50" in name or "one unit" in name]
    assert max(listed) < 200.0
