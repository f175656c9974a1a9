"""Results about builds as plain data for JSON, and as CSV tables."""

from __future__ import annotations

from typing import Any

from antecurve.analysis.correction import Correction
from antecurve.analysis.spread import SpreadResult
from antecurve.analysis.trim import TrimProposal, TrimResult
from antecurve.files.design_job import network_content
from antecurve.files.table import csv_bytes
from antecurve.results import json_text

__all__ = [
    "correction_csv",
    "spread_files",
    "trim_content",
]


def _rows(table: Correction) -> list[tuple[float, float, float]]:
    columns = (table.frequency_hz, table.correction_db, table.expanded_uncertainty_db)
    return list(zip(*(c.tolist() for c in columns), strict=True))


def correction_csv(table: Correction) -> bytes:
    """Return a correction table as CSV.

    Parameters
    ----------
    table : Correction
        What to subtract from measured levels.

    Returns
    -------
    bytes
        Columns ``frequency_hz``, ``correction_db``, ``expanded_uncertainty_db``.
    """
    header = ("frequency_hz", "correction_db", "expanded_uncertainty_db")
    return csv_bytes(header, _rows(table))


def spread_files(result: SpreadResult) -> dict[str, bytes]:
    """Return the spread as files.

    Parameters
    ----------
    result : SpreadResult
        What builds will do.

    Returns
    -------
    dict of str to bytes
        ``spread.json``; ``spread.csv`` with percentiles of the error over frequency.
    """
    curves = result.curves
    header = ("frequency_hz", *(f"error_db_p{p:g}".replace(".", "_") for p in curves.percent))
    rows = zip(curves.frequency_hz.tolist(), *curves.error_db.tolist(), strict=True)
    return {"spread.json": json_text(result).encode(), "spread.csv": csv_bytes(header, rows)}


def trim_content(result: TrimResult) -> dict[str, Any]:
    """Return trim proposals as plain data.

    Parameters
    ----------
    result : TrimResult
        How to bring a build back.

    Returns
    -------
    dict
        The build as it is, the proposals, and which one is advised.
    """
    return {
        "designed_db": result.designed_db,
        "before": _proposal(result.before),
        "proposals": [_proposal(p) for p in result.proposals],
        "advised": _proposal(result.advised),
        "choices_tried": result.choices,
    }


def _proposal(proposal: TrimProposal) -> dict[str, Any]:
    return {
        "changes": [
            {
                "ref": c.ref,
                "action": c.action,
                "parts": [p.value for p in c.parts],
                "joined": c.position.joined,
                "value": c.position.value,
            }
            for c in proposal.changes
        ],
        "centred_db": proposal.centred_db,
        "p95_db": proposal.p95_db,
        "network": network_content(proposal.picked),
    }
