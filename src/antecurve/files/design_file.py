"""``design.json``: a design with its analyses, written and read back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from antecurve.checked import checked
from antecurve.curves.model import zero_pole_gain
from antecurve.errors import AntecurveError, FileFormatError
from antecurve.files.design_job import job_content, job_from, network_from
from antecurve.files.field_types import check_types
from antecurve.files.reading import read_text
from antecurve.networks.compiled import check_solvable
from antecurve.pick.result import FormOutcome
from antecurve.pick.search import SearchReport, ShortlistEntry
from antecurve.pipeline import Design
from antecurve.results import json_text, plain
from antecurve.texts import check_text

__all__ = ["FORMAT", "design_content", "design_json", "read_design"]

FORMAT = "antecurve-design-1"
"""What the key ``format`` holds."""


def design_content(design: Design) -> dict[str, Any]:
    """Write a design as plain data in the shape of ``design.json``.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    dict
        Every key of the format.
    """
    job = design.job
    curve = zero_pole_gain(job.curve)
    return {
        "format": FORMAT,
        "job": job_content(job),
        "curve": {
            "name": job.curve.name,
            "zeros_s": list(curve.zeros_s),
            "poles_s": list(curve.poles_s),
            "zeros_at_origin": curve.zeros_at_origin,
            "poles_at_origin": curve.poles_at_origin,
            "ultrasonic_poles_s": list(job.curve.ultrasonic_poles_s),
        },
        "network": design.picked.to_dict(),
        "source": {
            "resistance_ohm": job.loading.source_resistance,
            "level_v": job.source_level_v,
        },
        "load": {
            "resistance_ohm": job.loading.load_resistance,
            "capacitance_f": job.loading.load_capacitance,
        },
        "error": plain(design.analysis.error),
        "level": plain(design.analysis.level),
        "search": {
            **plain(design.search),
            "forms": [
                {key: getattr(f, key) for key in _FORM_KEYS}
                for f in design.forms
                if f.objective_db is not None
            ],
        },
        "shortlist": [_entry(entry) for entry in design.shortlist],
        "forms": plain(design.forms),
        "second": None if design.second is None else design.second.to_dict(),
        "match_db": design.match_db,
        "spread": plain(design.analysis.spread),
        "loading": plain(design.analysis.loading),
    }


def _entry(entry: ShortlistEntry) -> dict[str, Any]:
    return {
        **entry.picked.to_dict(),
        "centred_db": entry.centred_db,
        "spread_p95_db": entry.spread_p95_db,
        "parts": entry.parts,
        "output_resistance_ohm": entry.output_resistance_ohm,
        "trade": entry.trade,
    }


def design_json(design: Design) -> bytes:
    """Write a design as the content of ``design.json``.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    bytes
        JSON in UTF-8, numbers with full precision.
    """
    return json_text(design_content(design)).encode()


@checked
def read_design(path: Path | str) -> Design:
    """Read a design; its analysis is worked out when asked for.

    Parameters
    ----------
    path : Path or str
        A ``design.json``.

    Returns
    -------
    Design
        Job, picked network, the search's report and the shortlist.

    Raises
    ------
    FileFormatError
        When the file can't be read, is no JSON, is of another format or lacks something.
    """
    text = read_text(path)
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        reason = "nested too deeply" if isinstance(error, RecursionError) else str(error)
        raise FileFormatError.unreadable(path, reason, "it must be a design.json") from None
    format_name = content.get("format") if isinstance(content, dict) else None
    if format_name != FORMAT:
        raise FileFormatError(
            f"{path}, key format",
            format_name,
            f"this version reads {FORMAT!r}; design the job anew",
        )
    try:
        _check_texts(content, "")
        search = content["search"]
        design = Design(
            job=job_from(content["job"]),
            picked=network_from(content["network"]),
            search=SearchReport(
                **{k: search[k] for k in SearchReport.__dataclass_fields__ if k in search}
            ),
            shortlist=tuple(
                ShortlistEntry(
                    picked=network_from(entry),
                    **{k: entry[k] for k in _ENTRY_FIELDS},
                )
                for entry in content["shortlist"] or ()
            ),
            forms=tuple(FormOutcome(**f) for f in content.get("forms") or ()),
            second=None if content.get("second") is None else network_from(content["second"]),
            match_db=content.get("match_db"),
        )
        for name, part in (("job", design.job), ("network", design.picked)):
            check_types(part, name)
        if design.second is not None:
            check_types(design.second, "second")
        check_solvable(design.network.topology)
    except AntecurveError as error:
        raise FileFormatError.unreadable(path, str(error), "design the job anew") from None
    except RecursionError:
        raise FileFormatError.unreadable(
            path, "nested too deeply", "it must be a design.json"
        ) from None
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError) as error:
        reason = f"missing key {error}" if isinstance(error, KeyError) else str(error)
        raise FileFormatError.unreadable(
            path, reason, f"it is no whole {FORMAT} file; design the job anew"
        ) from None
    return design


def _check_texts(content: object, where: str) -> None:
    """Refuse texts that a terminal or a page would act upon, wherever they stand."""
    if isinstance(content, str):
        check_text(content, field=where)
    elif isinstance(content, dict):
        for key, value in content.items():
            check_text(key, field=f"a key of {where}" if where else "a key")
            _check_texts(value, f"{where}.{key}" if where else key)
    elif isinstance(content, list):
        for index, value in enumerate(content):
            _check_texts(value, f"{where}[{index}]")


_FORM_KEYS = ("form", "objective_db", "lower_bound_db", "proved")
_ENTRY_FIELDS = ("centred_db", "spread_p95_db", "parts", "output_resistance_ohm", "trade")
