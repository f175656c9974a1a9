"""What is asked for of a box: one curve a switch position, and what the switch is like."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

from antecurve.checked import checked
from antecurve.curves.model import Curve, zero_pole_gain
from antecurve.errors import InputError
from antecurve.job import Job
from antecurve.quantities import CAPACITANCES, CORNER_FREQUENCIES, RESISTANCES, check_number
from antecurve.texts import counted

__all__ = [
    "ADDING",
    "CONTACTS",
    "EQUAL_LEVEL_DB",
    "MOST_POSITIONS",
    "BoxJob",
    "SwitchPosition",
    "SwitchRequest",
]

MOST_POSITIONS = 12
"""Most positions of a switch: a common rotary switch has 12 contacts in a circle of 360 degrees."""
EQUAL_LEVEL_DB = 0.1
"""How far equal levels may be from the wanted one [dB]: below what is heard or trimmed."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._+-]{0,31}\Z")
CONTACTS = ("break-before-make", "make-before-break")
"""How the contacts of a rotary switch pass from one throw to the next."""
ADDING = ("nearer", "always", "never")
"""When throws add to a part that stays: where the largest error is smaller by what a bench shows,
wherever they can, or not at all."""


@checked
@dataclass(frozen=True, slots=True)
class SwitchPosition:
    """One position of the switch.

    Attributes
    ----------
    name : str
        Its name: 1 to 32 letters, digits, spaces, ``. _ + -``; it is part of file names.
    curve : Curve
        The curve to impose there.
    """

    name: str
    curve: Curve

    def __post_init__(self) -> None:
        if not _NAME.match(self.name) or self.name[-1] in " .":
            raise InputError(
                "curve.position",
                self.name,
                "files are named after it; use up to 32 letters, digits, spaces, . _ + and -, a "
                "letter or digit first, no space or point last",
            )

    @property
    def free_pole(self) -> bool:
        """Whether the curve lacks an ultrasonic pole, so that the network may choose one."""
        return zero_pole_gain(self.curve).relative_degree == -1


@checked
@dataclass(frozen=True, slots=True)
class SwitchRequest:
    """What the switch is like, and what it leaves free.

    Attributes
    ----------
    equal_levels : bool
        Whether every position has the wanted level within `EQUAL_LEVEL_DB`; else each has it
        within the tolerance of the job.
    lowest_pole_hz : float
        Lowest frequency [Hz] of an ultrasonic pole that the network may choose.
    contacts : str
        ``break-before-make`` or ``make-before-break``.
    contact_resistance : float
        Of a closed contact [ohm], 0 or greater.
    stray_capacitance : float
        Between an open contact and its wiper [F], 0 or greater.
    bleed_resistance : float or None
        A resistor [ohm] across the output, behind the switch; ``None`` for none.
    add_parts : str
        Whether throws add to a part that stays instead of replacing it: ``nearer`` where the
        largest error is then 0.005 dB smaller, ``always`` with as few parts as that can have, or
        ``never``.
    """

    equal_levels: bool = False
    lowest_pole_hz: float = 30e3
    contacts: str = "break-before-make"
    contact_resistance: float = 0.02
    stray_capacitance: float = 1e-12
    bleed_resistance: float | None = None
    add_parts: str = "nearer"

    def __post_init__(self) -> None:
        CORNER_FREQUENCIES.check(self.lowest_pole_hz, field="switch.lowest_pole")
        if self.contacts not in CONTACTS:
            raise InputError("switch.contacts", self.contacts, f"use one of {', '.join(CONTACTS)}")
        if self.add_parts not in ADDING:
            raise InputError("switch.add_parts", self.add_parts, f"use one of {', '.join(ADDING)}")
        check_number(self.contact_resistance, field="switch.contact_resistance", zero=True)
        check_number(self.stray_capacitance, field="switch.stray_capacitance", zero=True)
        if self.contact_resistance > RESISTANCES.maximum:
            raise InputError(
                "switch.contact_resistance", self.contact_resistance, "a closed contact has less"
            )
        if self.stray_capacitance > CAPACITANCES.maximum:
            raise InputError(
                "switch.stray_capacitance", self.stray_capacitance, "an open contact has less"
            )
        if self.bleed_resistance is not None:
            RESISTANCES.check(self.bleed_resistance, field="switch.bleed_resistance")


@checked
@dataclass(frozen=True, slots=True)
class BoxJob:
    """A box that imposes one of several curves.

    Attributes
    ----------
    common : Job
        What all positions have in common: source, load, level, band, parts; its curve is that
        of the first position.
    positions : tuple of SwitchPosition
        2 to `MOST_POSITIONS`, in the order of the switch.
    switch : SwitchRequest
        The switch.

    Raises
    ------
    InputError
        When there are too few or too many positions, a name repeats, or the job asks for what a
        box can't be: a pair, a balanced network, a network of the user's own.
    """

    common: Job
    positions: tuple[SwitchPosition, ...]
    switch: SwitchRequest = field(default_factory=SwitchRequest)

    def __post_init__(self) -> None:
        count = len(self.positions)
        if not 2 <= count <= MOST_POSITIONS:
            raise InputError(
                "curve",
                counted(count, "position"),
                f"a switch has 2 to {MOST_POSITIONS} positions; write one [[curve]] for each",
            )
        known: dict[str, str] = {}
        for position in self.positions:
            if position.name.casefold() in known:
                raise InputError(
                    "curve.position",
                    position.name,
                    f"the name repeats {known[position.name.casefold()]!r}; give each position a "
                    "name of its own",
                )
            known[position.name.casefold()] = position.name
        job = self.common
        for key, value, wrong in (
            ("pick.sets", job.pick.sets, job.pick.sets != 1),
            ("pick.pick_by", job.pick.pick_by, job.pick.pick_by != "nominal"),
            ("network.balanced", job.network.balanced, job.network.balanced),
            ("network.elements", "elements", job.network.elements is not None),
        ):
            if wrong:
                raise InputError(
                    key,
                    value,
                    "a box with several curves is unbalanced, of a built-in form and picked by "
                    "design error; leave this key out",
                )

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the positions, in order."""
        return tuple(p.name for p in self.positions)

    def job_of(self, name: str, *, curve: Curve | None = None) -> Job:
        """State the job of one position.

        Parameters
        ----------
        name : str
            Name of the position.
        curve : Curve, optional
            Its curve with the ultrasonic pole chosen; by default as asked for.

        Returns
        -------
        Job
            The job, titled by the position.

        Raises
        ------
        InputError
            When there is no such position.
        """
        position = self.position(name)
        target = self.common.target
        if self.switch.equal_levels:
            tolerance = min(target.level_tolerance_db, EQUAL_LEVEL_DB)
            target = replace(target, level_tolerance_db=tolerance)
        return replace(
            self.common,
            curve=position.curve if curve is None else curve,
            title=f"{self.common.title}, {position.name}",
            target=target,
        )

    def position(self, name: str) -> SwitchPosition:
        """Look up a position by its name, case apart.

        Parameters
        ----------
        name : str
            The name.

        Returns
        -------
        SwitchPosition
            The position.

        Raises
        ------
        InputError
            When there is no such position; the message lists those there are.
        """
        for position in self.positions:
            if position.name.casefold() == name.casefold():
                return position
        raise InputError("position", name, f"the positions are {', '.join(self.names)}")
