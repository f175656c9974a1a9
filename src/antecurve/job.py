"""A job: what is to be built, for which bench, from which parts.

Plain data with checks; reading the job file is `antecurve.files.job_file`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from antecurve.checked import checked
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.curves.model import Curve
from antecurve.errors import InputError
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Element, Loading, check_names
from antecurve.quantities import (
    CAPACITANCES,
    LEVEL_TOLERANCES,
    LEVELS,
    LOAD_CAPACITANCES,
    LOAD_RESISTANCES,
    RESISTANCES,
    SOURCE_RESISTANCES,
    check_error_band,
    check_number,
    check_tolerance,
)
from antecurve.texts import check_text

__all__ = [
    "CANONICAL_FORMS",
    "MOST_BUILDS",
    "PICKED_BY",
    "Grade",
    "Job",
    "NetworkRequest",
    "PickRequest",
    "SpreadRequest",
    "Stock",
    "Target",
    "default_job",
]

CANONICAL_FORMS = ("foster-1", "foster-2", "cauer-1", "cauer-2")
"""The half-sections whose series arm is a resistor and a canonical four-element impedance."""


MOST_BUILDS = 10**9
"""Most builds of a spread: some minutes."""


@checked
@dataclass(frozen=True, slots=True)
class Target:
    """What the network has to deliver.

    Attributes
    ----------
    level_v : float
        Level at 1 kHz into the load [V rms].
    level_tolerance_db : float
        How far the level may be off [dB], 0 to 120.
    band_hz : tuple of float
        Band in which the error counts [Hz], low and high.
    error_limit_db : float or None
        Largest centred error accepted [dB]; ``None`` for no limit.
    """

    level_v: float = 5e-3
    level_tolerance_db: float = 1.0
    band_hz: tuple[float, float] = (20.0, 20e3)
    error_limit_db: float | None = None

    def __post_init__(self) -> None:
        LEVELS.check(self.level_v, field="target.level")
        LEVEL_TOLERANCES.check(self.level_tolerance_db, field="target.level_tolerance_db")
        check_error_band(self.band_hz, field="target.band")
        if self.error_limit_db is not None:
            check_number(self.error_limit_db, field="target.error_limit_db")


@checked
@dataclass(frozen=True, slots=True)
class NetworkRequest:
    """Networks to consider.

    Attributes
    ----------
    forms : tuple of str
        Names of forms; ignored when `elements` is given.
    elements : tuple of Element or None
        A network of the user's own.
    output_resistance_max : float or None
        Largest output resistance at 1 kHz [ohm].
    input_impedance_min : float or None
        Smallest magnitude of the input impedance over the band [ohm], source not counted.
    balanced : bool
        Whether the series arm is split on both legs.
    """

    forms: tuple[str, ...] = CANONICAL_FORMS
    elements: tuple[Element, ...] | None = None
    output_resistance_max: float | None = None
    input_impedance_min: float | None = None
    balanced: bool = False

    def __post_init__(self) -> None:
        if not self.forms and self.elements is None:
            raise InputError("network.forms", [], "name at least one form")
        if self.elements is not None:
            check_names(self.elements)
        for name in ("output_resistance_max", "input_impedance_min"):
            limit = getattr(self, name)
            if limit is not None:
                check_number(limit, field=f"network.{name}")


@checked
@dataclass(frozen=True, slots=True)
class Grade:
    """A tolerance that can be bought, and its price.

    Attributes
    ----------
    tolerance : float
        A fraction, 0 or greater, below 1.
    price : float
        Price of one part, 0 or greater, in any currency.
    """

    tolerance: float
    price: float

    def __post_init__(self) -> None:
        check_tolerance(self.tolerance, field="grades.tolerance")
        check_number(self.price, field="grades.price", zero=True)


@checked
@dataclass(frozen=True, slots=True)
class Stock:
    """The parts that may fill the positions of one kind.

    Attributes
    ----------
    series : str or None
        E-series of IEC 60063, ``E3`` to ``E192``; ``None`` when only a drawer is used.
    tolerance : float
        Tolerance as a fraction, 0 or greater, below 1.
    value_range : tuple of float
        Smallest and largest value of each part [ohm or F].
    parts_per_position : int
        1, or 2 when up to two parts may be joined.
    join : tuple of str
        How two parts may be joined: ``series``, ``parallel``.
    drawer : str or None
        Path of a drawer file with parts on hand.
    grades : tuple of Grade
        Tolerances that can be bought, with prices, for tolerance planning.
    """

    series: str | None
    tolerance: float
    value_range: tuple[float, float]
    parts_per_position: int
    join: tuple[str, ...]
    drawer: str | None = None
    grades: tuple[Grade, ...] = ()

    def __post_init__(self) -> None:
        check_tolerance(self.tolerance, field="tolerance")
        low, high = self.value_range
        check_number(low, field="range")
        check_number(high, field="range")
        if low > high:
            raise InputError("range", [low, high], "the low end must not lie above the high end")
        if self.parts_per_position not in (1, 2):
            raise InputError("parts_per_position", self.parts_per_position, "it must be 1 or 2")
        if self.parts_per_position == 2 and not self.join:
            raise InputError("join", [], 'it must name "series", "parallel" or both')


@checked
@dataclass(frozen=True, slots=True)
class SpreadRequest:
    """How builds are drawn.

    Attributes
    ----------
    builds : int
        Number of builds, 1 to `MOST_BUILDS`.
    seed : int
        Seed of the random numbers, 0 or greater.
    distribution : str
        ``uniform``, or ``normal`` (tolerance = 3 sigma, cut there).
    """

    builds: int = 100_000
    seed: int = 1
    distribution: str = "uniform"

    def __post_init__(self) -> None:
        if not 1 <= self.builds <= MOST_BUILDS:
            raise InputError(
                "spread.builds", self.builds, f"it must be a whole number from 1 to {MOST_BUILDS}"
            )
        if self.seed < 0:
            raise InputError("spread.seed", self.seed, "it must be a whole number, 0 or more")
        if self.distribution not in ("uniform", "normal"):
            raise InputError("spread.distribution", self.distribution, 'use "uniform" or "normal"')


PICKED_BY = ("nominal", "build", "yield", "worst")
"""What a pick may go by: see `PickRequest`."""


@checked
@dataclass(frozen=True, slots=True)
class PickRequest:
    """What the pick aims at.

    Attributes
    ----------
    pick_by : str
        ``nominal``: the centred error with nominal values; ``build``: its 95th percentile over
        builds within tolerance; ``yield``: the share of builds within the error limit;
        ``worst``: the largest error with every part at an end of its tolerance.
    sets : int
        1, or 2 networks for a stereo pair, picked together.
    budget_seconds : float or None
        Time for the whole design [s]; ``None`` for 120 s of search, 30 s for elements of one's own.
        The search ends early enough for what follows: about 1 s, and 2 s a million builds.  Exact
        values near a pick that was hard to find may take up to 2 s beyond it.
    """

    pick_by: str = "nominal"
    sets: int = 1
    budget_seconds: float | None = None

    def __post_init__(self) -> None:
        if self.pick_by not in PICKED_BY:
            rule = "use " + ", ".join(f'"{name}"' for name in PICKED_BY)
            raise InputError("pick.pick_by", self.pick_by, rule)
        if self.sets not in (1, 2):
            raise InputError("pick.sets", self.sets, "it must be 1 or 2")
        if self.budget_seconds is not None:
            check_number(self.budget_seconds, field="pick.budget_seconds")


def _default_resistors() -> Stock:
    return Stock("E96", 0.01, (10.0, 1e6), 1, ("series", "parallel"))


def _default_capacitors() -> Stock:
    return Stock("E12", 0.025, (220e-12, 470e-9), 2, ("parallel",))


@checked
@dataclass(frozen=True, slots=True)
class Job:
    """Everything the main job needs to know.

    Attributes
    ----------
    curve : Curve
        The curve to impose, limits included.
    title : str
        Title for the report and the files.
    loading : Loading
        Generator and unit.
    source_level_v : float
        Level of the generator's EMF, open circuit, at 1 kHz [V rms].
    target : Target
        Level, band and error wanted.
    network : NetworkRequest
        Forms and limits.
    resistors, capacitors : Stock
        Parts to choose from.
    spread : SpreadRequest
        How builds are drawn.
    pick : PickRequest
        What the pick aims at.
    unit_curve : Curve or None
        The curve that the unit is set to; ``None`` for `curve`.  No key of a job: a setting of
        the bench.
    """

    _keys: ClassVar = (
        "title",
        "curve",
        "*:loading",
        "source.level_v:source_level_v",
        "target",
        "network",
        "resistors",
        "capacitors",
        "spread",
        "pick",
    )

    curve: Curve
    title: str = "Bench network"
    loading: Loading = field(default_factory=lambda: Loading(50.0, 47e3, 150e-12))
    source_level_v: float = 0.5
    target: Target = field(default_factory=Target)
    network: NetworkRequest = field(default_factory=NetworkRequest)
    resistors: Stock = field(default_factory=_default_resistors)
    capacitors: Stock = field(default_factory=_default_capacitors)
    spread: SpreadRequest = field(default_factory=SpreadRequest)
    pick: PickRequest = field(default_factory=PickRequest)
    unit_curve: Curve | None = None

    def __post_init__(self) -> None:
        check_text(self.title, field="title")
        LEVELS.check(self.source_level_v, field="source.level")
        for name, value, values in (
            ("source.resistance", self.loading.source_resistance, SOURCE_RESISTANCES),
            ("load.resistance", self.loading.load_resistance, LOAD_RESISTANCES),
            ("load.capacitance", self.loading.load_capacitance, LOAD_CAPACITANCES),
        ):
            values.check(value, field=name)
        for name, values in (("resistors", RESISTANCES), ("capacitors", CAPACITANCES)):
            for end in getattr(self, name).value_range:
                values.check(end, field=f"{name}.range")

    @property
    def conditions(self) -> Conditions:
        """Curve, generator, unit and band."""
        return Conditions(
            curve=self.curve,
            loading=self.loading,
            band_hz=self.target.band_hz,
            source_level_v=self.source_level_v,
            unit_curve=self.unit_curve,
        )

    @property
    def gain(self) -> float:
        """Wanted ratio of output level to EMF at 1 kHz."""
        return self.target.level_v / self.source_level_v


def default_job() -> Job:
    """Make the embedded default job.

    Returns
    -------
    Job
        The disc curve with one 50 kHz pole, 50 ohm generator at 0.5 V, 47 kohm and 150 pF,
        5 mV at 1 kHz, E96 1 % resistors, E12 2.5 % capacitors with up to two in parallel.
    """
    return Job(
        curve=with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,)),
        target=Target(error_limit_db=0.5),
        network=NetworkRequest(output_resistance_max=600.0, input_impedance_min=1000.0),
    )
