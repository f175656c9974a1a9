"""The fields of a job's form: what each is called, and what it means."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from antecurve.parts.series import SERIES
from antecurve.switched.request import ADDING, CONTACTS

__all__ = ["JOB_FIELDS", "JOB_SECTIONS", "FieldKind", "JobField", "form_fields"]


class FieldKind(Enum):
    """How a field's text is written into the job file."""

    TEXT = "text"
    QUANTITY = "quantity"
    LIST = "list"
    FORMS = "forms"
    FLAG = "flag"


@dataclass(frozen=True, slots=True)
class JobField:
    """One field.

    Attributes
    ----------
    name : str
        Section and key of the job file, with a dot between.
    label : str
        What it is called.
    hint : str
        What it means, and how to write it.
    kind : FieldKind
        How its text is written.
    choices : tuple of str
        Texts to choose from; any text where there are none.
    suggested : bool
        Whether other texts than the choices may be typed.
    """

    name: str
    label: str
    hint: str
    kind: FieldKind = FieldKind.QUANTITY
    choices: tuple[str, ...] = ()
    suggested: bool = False

    @property
    def section(self) -> str:
        """Section of the job file; ``title`` for the title."""
        return self.name.partition(".")[0]


JOB_SECTIONS = {
    "title": "Title",
    "curve": "Curve",
    "switch": "Switch",
    "source": "Generator",
    "load": "Unit and cable",
    "target": "Target",
    "network": "Network",
    "resistors": "Resistors",
    "capacitors": "Capacitors",
    "spread": "Builds",
    "pick": "Search",
}
"""Headings of the form, by section of the job file."""

_TEXT, _LIST, _FLAG = FieldKind.TEXT, FieldKind.LIST, FieldKind.FLAG


def _stock(section: str, series: str, tolerance: str, span: str) -> tuple[JobField, ...]:
    """The fields of one kind of part."""
    word = section
    return (
        JobField(
            f"{section}.series", "Series",
            f"Preferred values to buy, for example {series} (IEC 60063). Empty: the drawer alone.",
            _TEXT, SERIES, suggested=True,
        ),
        JobField(
            f"{section}.tolerance", "Tolerance",
            f"Tolerance of the {word} to buy, for example {tolerance}.",
        ),
        JobField(
            f"{section}.range", "Range",
            f"Smallest and largest value of one part, for example {span}.", _LIST,
        ),
        JobField(
            f"{section}.parts_per_position", "Parts per position",
            "1, or 2 where two parts may be joined to come closer.",
        ),
        JobField(
            f"{section}.join", "Joined",
            "How two parts may be joined: series, parallel, or both with a comma.", _LIST,
        ),
        JobField(
            f"{section}.drawer", "Drawer",
            "A file with parts on hand, such as drawer.csv. Parts in it may be measured.", _TEXT,
        ),
    )  # fmt: skip


JOB_FIELDS: tuple[JobField, ...] = (
    JobField("title", "Title", "It stands on the report and on the label of the box.", _TEXT),
    JobField(
        "curve.name", "Published curve",
        "A curve of the catalogue. Or leave it empty and give the curve by one of the ways below.",
        _TEXT, suggested=True,
    ),
    JobField(
        "curve.zeros", "Zeros",
        "Time constants that raise the recorded level, for example 3180 us, 75 us.", _LIST,
    ),
    JobField("curve.poles", "Poles", "Time constants that lower it, for example 318 us.", _LIST),
    JobField(
        "curve.turnover", "Turnover",
        "Of an older disc: where the bass cut begins, for example 500 Hz.",
    ),
    JobField(
        "curve.cut_at_10k", "Cut at 10 kHz",
        "Of an older disc: what playback cuts at 10 kHz in dB, for example 13.7.",
    ),
    JobField(
        "curve.shelf", "Bass shelf",
        "Where the bass cut ends, for example 50 Hz. Empty: the curve has no shelf.",
    ),
    JobField(
        "curve.ultrasonic_poles", "Ultrasonic poles",
        "They keep the gain finite above the band, for example 50 kHz.", _LIST,
    ),
    JobField(
        "curve.low_end_bound", "Low-end bound",
        "For a curve that rises towards DC: where the rise ends, for example 2 Hz.",
    ),
    JobField("source.resistance", "Source resistance", "In ohms, for example 50 or 600; 0 is "
             "allowed."),
    JobField("source.level", "Level", "Open-circuit EMF, rms, at 1 kHz, for example 0.5 V."),
    JobField("load.resistance", "Input resistance", "Of the unit under test, for example 47k."),
    JobField(
        "load.capacitance", "Input capacitance",
        "Of unit and cable together, for example 150p; 0 is allowed.",
    ),
    JobField(
        "target.level", "Level at the unit",
        "Rms at 1 kHz into the unit, for example 5 mV.",
    ),
    JobField(
        "target.level_tolerance_db", "Level tolerance",
        "How far the level may be off in dB, for example 1.0.",
    ),
    JobField("target.band", "Band", "Where the error counts, for example 20 Hz, 20 kHz.", _LIST),
    JobField(
        "target.error_limit_db", "Error limit",
        "Largest design error in dB, for example 0.5. Empty: no limit.",
    ),
    JobField(
        "network.forms", "Forms",
        "Shapes of network to compare, with commas between; all: every one.", FieldKind.FORMS,
        suggested=True,
    ),
    JobField(
        "network.balanced", "Balanced",
        "The series arm split on both legs.", _FLAG,
    ),
    JobField(
        "network.output_resistance_max", "Largest output resistance",
        "At 1 kHz, in ohms. Empty: no limit.",
    ),
    JobField(
        "network.input_impedance_min", "Smallest input impedance",
        "Over the band, source resistance not counted, in ohms. Empty: no limit.",
    ),
    *_stock("resistors", "E96", "1 %", "10, 1M"),
    *_stock("capacitors", "E12", "2.5 %", "220p, 470n"),
    JobField("spread.builds", "Builds", "How many copies to simulate, for example 100000."),
    JobField("spread.seed", "Seed", "The same seed draws the same builds."),
    JobField(
        "spread.distribution", "Distribution",
        "Of values within tolerance; normal: the tolerance is three sigma.", _TEXT,
        ("uniform", "normal"),
    ),
    JobField(
        "pick.pick_by", "Pick by",
        "nominal: the smallest error; build: of 95 % of builds.", _TEXT, ("nominal", "build"),
    ),
    JobField("pick.sets", "Sets", "2: a pair of networks for stereo, picked together."),
    JobField(
        "pick.budget_seconds", "Time for the search",
        "In seconds; after it the best pick so far counts. Empty: up to 120.",
    ),
)  # fmt: skip
"""In the order of the form."""

_POSITION = JobField(
    "curve.position", "Name of the position",
    "Of the switch, for example disc. Files are named after it.", _TEXT,
)  # fmt: skip
_SWITCH_FIELDS = (
    JobField(
        "switch.equal_levels", "Equal levels",
        "Every position then has the level wanted, within 0.1 dB.", _FLAG,
    ),
    JobField(
        "switch.lowest_pole", "Lowest ultrasonic pole",
        "The network may choose one above it, for example 30 kHz.",
    ),
    JobField("switch.contacts", "Contacts", "How they pass from throw to throw.", _TEXT, CONTACTS),
    JobField(
        "switch.add_parts", "Added parts",
        "Whether a throw may add to a part that stays; nearer: only where that lowers the error.",
        _TEXT, ADDING,
    ),
    JobField("switch.contact_resistance", "Contact resistance", "Of a closed contact, for example "
             "20m."),
    JobField(
        "switch.stray_capacitance", "Stray capacitance",
        "Between an open contact and its wiper, for example 1p.",
    ),
    JobField(
        "switch.bleed_resistance", "Bleed resistor",
        "Across the output, behind the switch, for example 1M. Empty: none.",
    ),
)  # fmt: skip
_NOT_OF_BOXES = ("network.balanced", "pick.pick_by", "pick.sets")


def form_fields(curves: int = 0) -> tuple[JobField, ...]:
    """List the fields of a job's form.

    Parameters
    ----------
    curves : int, optional
        Number of curves of a job with a switch; 0 for a job of one curve without.

    Returns
    -------
    tuple of JobField
        In the order of the form; those of one of several curves are named by its number from 0,
        such as ``curve[0].zeros``.
    """
    if not curves:
        return JOB_FIELDS
    each = (_POSITION, *(f for f in JOB_FIELDS if f.section == "curve"))
    numbered = (
        replace(f, name=f.name.replace("curve", f"curve[{number}]", 1))
        for number in range(curves)
        for f in each
    )
    common = [f for f in JOB_FIELDS if f.section != "curve" and f.name not in _NOT_OF_BOXES]
    return (common[0], *numbered, *_SWITCH_FIELDS, *common[1:])
