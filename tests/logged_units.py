"""Invented verdicts of a small archive's bench, as texts in the format that the log takes.

Run as a program (``python tests/logged_units.py``) it writes ``tests/data/log-N.sql``: a log of
the version of today.  That is done before the next version is made, which must migrate it.
"""

from __future__ import annotations

import json
import sqlite3
import tempfile
from pathlib import Path
from typing import Any

from antecurve.log.bench_log import BenchLog, open_log
from antecurve.log.recording import NewVerdict, record_verdicts
from antecurve.log.schema import VERSION

DATA = Path(__file__).parent / "data"
LOW_TREBLE = (
    "Treble time constant 61.73 µs (61.32 to 62.09), 18 % low (nominal 75 µs): +1.3 dB at 10 kHz"
)
SOUND = "Every time constant agrees with its nominal value."


def verdict_content(
    *,
    decision: str = "fail",
    date: str | None = "2026-05-04",
    treble_s: float = 61.73e-6,
    findings: tuple[str, ...] = (LOW_TREBLE,),
    **record: Any,
) -> bytes:
    """A verdict with two constants, one of them a corner that is not seen."""
    capture = {
        "name": "unit-200hz.csv", "kind": "square", "signal": "square",
        "understood": "a square wave by the names of its columns", "sha256": "fa" * 32,
        "played": None,
    }  # fmt: skip
    content = {
        "format": "antecurve-verdict-1",
        "verdict": decision,
        "limit_db": 0.5,
        "unit_curve": "disc",
        "deviation_db": 1.4 if decision == "fail" else 0.1,
        "expanded_uncertainty_db": 0.05,
        "fitted": [
            {
                "name": "treble_s", "nominal": 75e-6, "value": treble_s,
                "low": 0.995 * treble_s, "high": 1.005 * treble_s, "unit": "s",
            },
            {
                "name": "high_corner_hz", "nominal": None, "value": None, "low": 192e3,
                "high": None, "unit": "Hz",
            },
        ],
        "findings": list(findings),
        "serial": "as stated",
        "date": date,
        "operator": None,
        "network_serial": "N1",
        "design": {"title": "Archive bench, disc", "form": "foster-1", "digest": "06" * 32},
        "captures": [capture],
        "software": "antecurve 0.1.0",
    }  # fmt: skip
    return json.dumps(content | record, ensure_ascii=False, indent=1).encode()


def small_log(folder: Path) -> BenchLog:
    """Two units: one that failed and passes after a repair, one of two channels."""
    log = open_log(folder, make=True)
    sound = verdict_content(
        decision="pass", date="2026-05-11", treble_s=74.9e-6, findings=(SOUND,), operator="Ida"
    )
    record_verdicts(
        log,
        [
            NewVerdict(verdict_content(), "A-7", measured={"R1": 383e3, "C1": 8.3e-9}),
            NewVerdict(sound, "A-7", measured={"R1": 383e3, "C1": 8.3e-9}),
        ],
    )
    for channel, decision in (("left", "pass"), ("right", "undecided")):
        content = verdict_content(
            decision=decision, date="2026-06-02", treble_s=75.2e-6, findings=(SOUND,)
        )
        record_verdicts(log, [NewVerdict(content, "Ω 12", channel)])
    return log


def dumped(path: Path) -> str:
    """A log as SQL, with the version that its header holds."""
    connection = sqlite3.connect(path)
    try:
        headers = [
            f"PRAGMA {name} = {connection.execute(f'PRAGMA {name}').fetchone()[0]};"
            for name in ("application_id", "user_version")
        ]
        return "\n".join([*headers, *connection.iterdump(), ""])
    finally:
        connection.close()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        text = dumped(small_log(Path(made)).path)
    (DATA / f"log-{VERSION}.sql").write_text(text, encoding="utf-8")
