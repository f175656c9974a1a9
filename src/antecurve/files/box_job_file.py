"""The job file of a box: ``[[curve]]`` tables, one a switch position, and ``[switch]``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.files import job_fields as fields
from antecurve.files.job_file import JOB_KEYS, LARGEST_JOB, curve_of, curve_section, parse_job
from antecurve.files.reading import read_toml
from antecurve.job import Job
from antecurve.quantities import CORNER_FREQUENCIES, RESISTANCES
from antecurve.switched.request import ADDING, CONTACTS, BoxJob, SwitchPosition, SwitchRequest

__all__ = ["parse_box_job", "parse_job_or_box", "read_job_or_box"]

_SWITCH: fields.Section = {
    "equal_levels": fields.boolean,
    "lowest_pole": fields.quantity(
        "Hz", minimum=CORNER_FREQUENCIES.minimum, maximum=CORNER_FREQUENCIES.maximum
    ),
    "contacts": fields.text(CONTACTS),
    "add_parts": fields.text(ADDING),
    "contact_resistance": fields.quantity("ohm", minimum=0.0),
    "stray_capacitance": fields.quantity("F", minimum=0.0),
    "bleed_resistance": fields.quantity(
        "ohm", minimum=RESISTANCES.minimum, maximum=RESISTANCES.maximum
    ),
}
_FIELDS = {"lowest_pole": "lowest_pole_hz"}


@checked
def read_job_or_box(path: Path | str) -> Job | BoxJob:
    """Read a job file of one curve or of several.

    Parameters
    ----------
    path : Path or str
        The file, TOML.

    Returns
    -------
    Job or BoxJob
        A box where the file has ``[[curve]]`` tables.

    Raises
    ------
    FileFormatError
        When the file can't be read or is no TOML.
    InputError
        When a key is unknown or a value can't be used; the message names the key.
    """
    folder = Path(path).parent
    return read_toml(
        path,
        lambda raw: parse_job_or_box(raw, folder=folder),
        starter="antecurve job",
        largest=LARGEST_JOB,
    )


def parse_job_or_box(raw: Mapping[str, Any], *, folder: Path | None = None) -> Job | BoxJob:
    """Read a job of one curve or of several from the sections of a job file.

    Parameters
    ----------
    raw : mapping of str to object
        The sections, as TOML gives them.
    folder : Path, optional
        Folder that a drawer's path is relative to.

    Returns
    -------
    Job or BoxJob
        A box where ``curve`` is a list of tables.

    Raises
    ------
    InputError
        When a key is unknown or a value can't be used; the message names the key.
    """
    if isinstance(raw.get("curve"), list):
        return parse_box_job(raw, folder=folder)
    if "switch" in raw:
        raise InputError(
            "switch", raw["switch"], "a switch needs several curves, each written [[curve]]"
        )
    return parse_job(raw, folder=folder)


@checked
def parse_box_job(raw: Mapping[str, Any], *, folder: Path | None = None) -> BoxJob:
    """Read the job of a box from the sections of a job file.

    Parameters
    ----------
    raw : mapping of str to object
        The sections, as TOML gives them; ``curve`` a list of tables.
    folder : Path, optional
        Folder that a drawer's path is relative to.

    Returns
    -------
    BoxJob
        The job as understood.

    Raises
    ------
    InputError
        When a key is unknown or a value can't be used; the message names the key.
    """
    fields.check_keys(raw, (*JOB_KEYS, "switch"))
    tables = raw.get("curve")
    if not isinstance(tables, list) or not tables:
        raise InputError("curve", tables, "write one [[curve]] for each position of the switch")
    positions = []
    section = {"position": fields.text(), **curve_section()}
    for index, table in enumerate(tables):
        where = f"curve[{index}]"
        read = fields.read_section(table, section, where)
        name = read.pop("position", None)
        if name is None:
            raise InputError(
                f"{where}.position",
                "nothing",
                'name the switch position, such as position = "disc"',
            )
        try:
            positions.append(SwitchPosition(name, curve_of(read)))
        except InputError as error:
            raise InputError(f"{where}, {error.field}", error.value, error.rule) from None
    switch = fields.read_section(raw.get("switch", {}), _SWITCH, "switch")
    common = {key: value for key, value in raw.items() if key not in ("curve", "switch")}
    first = {key: value for key, value in tables[0].items() if key != "position"}
    return BoxJob(
        parse_job({**common, "curve": first}, folder=folder),
        tuple(positions),
        SwitchRequest(**{_FIELDS.get(key, key): value for key, value in switch.items()}),
    )
