"""Verdicts as files: JSON, the deviation as a table, the table of a batch, a calibration."""

from __future__ import annotations

from typing import TYPE_CHECKING

from antecurve.files.bench_content import frame_csv
from antecurve.files.table import csv_bytes
from antecurve.results import json_text

if TYPE_CHECKING:
    from antecurve.files.verdict_record import VerdictRecord
    from antecurve.judge.batch import Batch
    from antecurve.judge.calibration import Calibration
    from antecurve.judge.verdict import Verdict

__all__ = [
    "batch_csv",
    "calibration_files",
    "deviation_csv",
    "verdict_json",
]


def verdict_json(verdict: Verdict, record: VerdictRecord | None = None) -> bytes:
    """Write a verdict as the content of a JSON file.

    Parameters
    ----------
    verdict : Verdict
        The verdict.
    record : VerdictRecord, optional
        What it rests on.

    Returns
    -------
    bytes
        Format ``antecurve-verdict-1``, UTF-8.
    """
    beside = {} if record is None else record.to_dict()
    return json_text(verdict.to_dict() | beside).encode()


def deviation_csv(verdict: Verdict) -> bytes:
    """Write the deviation over frequency as CSV.

    Parameters
    ----------
    verdict : Verdict
        The verdict.

    Returns
    -------
    bytes
        Columns frequency_hz, deviation_db, expanded_uncertainty_db.
    """
    rows = verdict.deviation.rows
    return csv_bytes(tuple(rows[0]), (list(row.values()) for row in rows))


def batch_csv(batch: Batch) -> bytes:
    """Write the table of a batch as CSV.

    Parameters
    ----------
    batch : Batch
        The batch.

    Returns
    -------
    bytes
        One row a unit.
    """
    frame = batch.to_frame()
    rows = frame.astype(object).where(frame.notna(), None).values.tolist()
    return csv_bytes(list(frame.columns), rows)


def calibration_files(calibration: Calibration) -> dict[str, bytes]:
    """Write a calibration as files.

    Parameters
    ----------
    calibration : Calibration
        The calibration.

    Returns
    -------
    dict of str to bytes
        ``values.csv`` (ref, value: to be given as measured values), ``correction.csv`` and
        ``calibration.json``.
    """
    frame = calibration.to_frame()
    return {
        "values.csv": csv_bytes(
            ("ref", "value"), zip(calibration.refs, calibration.values.tolist(), strict=True)
        ),
        "correction.csv": frame_csv(frame),
        "calibration.json": json_text(calibration).encode(),
    }
