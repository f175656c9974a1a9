"""Results about builds as plain data for JSON, and as CSV tables."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

from antecurve.analysis.as_built import AsBuilt
from antecurve.analysis.correction import Correction
from antecurve.analysis.drift import DriftResult
from antecurve.analysis.losses import LossEffect
from antecurve.analysis.planning import TolerancePlan
from antecurve.analysis.spread import SpreadResult
from antecurve.analysis.trim import TrimProposal, TrimResult
from antecurve.files.design_job import network_content
from antecurve.files.table import csv_bytes

__all__ = [
    "as_built_content",
    "correction_csv",
    "drift_content",
    "loss_content",
    "plan_content",
    "spread_files",
    "trim_content",
]


def as_built_content(found: AsBuilt) -> dict[str, Any]:
    """Return one build as plain data.

    Parameters
    ----------
    found : AsBuilt
        The build.

    Returns
    -------
    dict
        Error, level and correction table.
    """
    table = found.correction
    return {
        "measured": list(found.measured),
        "not_measured": list(found.nominal),
        "centred_db": found.error.centred_db,
        "at_1khz_db": found.error.at_1khz_db,
        "published_centred_db": found.published_error.centred_db,
        "level_shift_db": found.level_shift_db,
        "correction": [
            {"frequency_hz": f, "correction_db": c, "expanded_uncertainty_db": u}
            for f, c, u in _rows(table)
        ],
    }


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


def drift_content(result: DriftResult) -> dict[str, Any]:
    """Return the drift as plain data.

    Parameters
    ----------
    result : DriftResult
        Error and level over temperature.

    Returns
    -------
    dict
        Reference temperature and one object a temperature.
    """
    return {
        "reference_c": result.reference_c,
        "technologies": sorted({t.name for t in result.technologies}),
        "rows": [asdict(row) for row in result.rows],
    }


def loss_content(effect: LossEffect) -> dict[str, Any]:
    """Return the effect of losses as plain data.

    Parameters
    ----------
    effect : LossEffect
        The effect.

    Returns
    -------
    dict
        Largest change, level shift, and the change over frequency.
    """
    return {
        "largest_db": effect.largest_db,
        "level_shift_db": effect.level_shift_db,
        "frequency_hz": effect.frequency_hz.tolist(),
        "change_db": effect.change_db.tolist(),
    }


def plan_content(plan: TolerancePlan) -> dict[str, Any]:
    """Return a tolerance plan as plain data.

    Parameters
    ----------
    plan : TolerancePlan
        The plan.

    Returns
    -------
    dict
        Grades by position, price, confirmed yield and its seed, assignments left out unseen.
    """
    return {
        "limit_db": plan.limit_db,
        "wanted": plan.wanted,
        "price": plan.price,
        "confirmed": asdict(plan.confirmed),
        "confirmed_seed": plan.confirmed_seed,
        "assumed": plan.assumed,
        "choices": [
            {"ref": c.ref, "parts": c.parts, "tolerance": c.grade.tolerance, "each": c.grade.price}
            for c in plan.choices
        ],
    }


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
    content = json.dumps(result.as_dict(), indent=1, ensure_ascii=False, allow_nan=False)
    curves = result.curves
    header = ("frequency_hz", *(f"error_db_p{p:g}".replace(".", "_") for p in curves.percent))
    rows = zip(curves.frequency_hz.tolist(), *curves.error_db.tolist(), strict=True)
    return {"spread.json": (content + "\n").encode(), "spread.csv": csv_bytes(header, rows)}


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
