"""The bench sheet: generator settings and the levels to be found, with their limits."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.generator import (
    GENERATOR_RESISTANCE_OHM,
    display_resistance,
    displayed_level,
)
from antecurve.analysis.loading import LoadingResult, shared_generator
from antecurve.analysis.subject import WithParts, picked_of
from antecurve.arrays import hold_read_only
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, response
from antecurve.errors import InputError
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.conditions import Conditions, LoadingTolerance, conditions_of
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table, position_box
from antecurve.quantities import check_number, check_tolerance
from antecurve.results import Result

if TYPE_CHECKING:
    import pandas

__all__ = [
    "MOST_CORNERS",
    "SPOT_FREQUENCIES_HZ",
    "BenchSheet",
    "Receiver",
    "SheetColumn",
    "SheetTolerance",
    "bench_sheet",
    "provers",
]

Floats = NDArray[np.float64]

SPOT_FREQUENCIES_HZ = (
    20.0, 31.5, 50.0, 63.0, 100.0, 125.0, 250.0, 500.0, 1000.0,
    2000.0, 4000.0, 8000.0, 10000.0, 12500.0, 16000.0, 20000.0,
)  # fmt: skip
"""Spot frequencies [Hz]: the octaves of the preferred frequencies of ISO 266 from 31.5 Hz to
16 kHz, with 20, 50 and 100 Hz, 10, 12.5 and 20 kHz of the third octaves."""

MOST_CORNERS = 14
"""Number of positions up to which the limits are those of the corners of the tolerances."""


@checked
@dataclass(frozen=True, slots=True)
class Receiver:
    """What the network's output is connected to.

    Attributes
    ----------
    name : str
        Its name.
    resistance_ohm : float
        Input resistance [ohm], above 0.
    capacitance_f : float
        Input capacitance with cable [F], 0 or greater.

    Raises
    ------
    InputError
        When a value is out of range.
    """

    name: str
    resistance_ohm: float
    capacitance_f: float

    def __post_init__(self) -> None:
        check_number(self.resistance_ohm, field=f"{self.name} resistance", unit="ohm")
        check_number(self.capacitance_f, field=f"{self.name} capacitance", unit="F", zero=True)


@checked
@dataclass(frozen=True, slots=True)
class SheetTolerance(Result):
    """What the limits of a bench sheet allow for besides the parts.

    Attributes
    ----------
    generator, meter : float
        Limits of error of the level set and of the level read, fractions, 0 or greater: they
        count in volts.
    flatness_db : float
        Departure of generator and meter together from their response at 1 kHz [dB], 0 or
        greater: it counts in levels re 1 kHz.
    loading : LoadingTolerance
        Tolerance of source resistance, of the receiver's resistance and of its capacitance.

    Raises
    ------
    InputError
        When a value is out of range.
    """

    generator: float = 0.0
    meter: float = 0.0
    flatness_db: float = 0.0
    loading: LoadingTolerance = field(default_factory=LoadingTolerance)

    def __post_init__(self) -> None:
        check_tolerance(self.generator, field="generator tolerance")
        check_tolerance(self.meter, field="meter tolerance")
        check_number(self.flatness_db, field="flatness", unit="dB", zero=True)

    @property
    def parts_alone(self) -> bool:
        """Whether nothing but the parts counts."""
        return self == SheetTolerance()


@dataclass(frozen=True, slots=True, eq=False)
class SheetColumn(Result):
    """Levels at one receiver; arrays of shape (frequencies,), read-only.

    Attributes
    ----------
    receiver : Receiver
        The receiver.
    level_v, low_v, high_v : numpy.ndarray of float
        Level expected, and the limits that the tolerances allow [V rms].
    level_db, low_db, high_db : numpy.ndarray of float
        The same re the level at 1 kHz at one setting of the generator [dB].
    """

    receiver: Receiver
    level_v: Floats
    low_v: Floats
    high_v: Floats
    level_db: Floats
    low_db: Floats
    high_db: Floats

    def __post_init__(self) -> None:
        hold_read_only(self, *(f.name for f in fields(self)[1:]))


@dataclass(frozen=True, slots=True, eq=False)
class BenchSheet(Result):
    """What to set and what to find at each spot frequency.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Spot frequencies [Hz], read-only.
    emf_v : numpy.ndarray of float, shape (frequencies,)
        EMF of the generator [V rms]: the setting of a display for high impedance; read-only.
    displayed_v : numpy.ndarray of float, shape (frequencies,)
        Setting of the display of a generator that assumes a load of its own resistance,
        `display_ohm` [V rms], read-only.
    playback_db, playback_low_db, playback_high_db : numpy.ndarray of float, shape (frequencies,)
        Level after ideal playback re 1 kHz, and its limits [dB]; read-only.
    columns : tuple of SheetColumn
        The unit first, then what the network is proved with by itself.
    both_channels : LoadingResult
        One and two equal networks on the generator: effective source resistance, level, error.
    positions : int
        Number of positions of the network, whose tolerances make the limits.
    tolerance : SheetTolerance
        What the limits allow for besides the parts.
    display_ohm : float
        Resistance of the generator whose display is given, and load that it assumes [ohm].
    unit_curve : str or None
        Name of the curve that the unit is set to; ``None`` for the network's own.
    """

    _keys: ClassVar = (
        "rows:records",
        "receivers",
        "tolerance",
        "display_ohm",
        "unit_curve",
        "both_channels:both_channels.records",
    )

    frequency_hz: Floats
    emf_v: Floats
    displayed_v: Floats
    playback_db: Floats
    playback_low_db: Floats
    playback_high_db: Floats
    columns: tuple[SheetColumn, ...]
    both_channels: LoadingResult
    positions: int
    tolerance: SheetTolerance = field(default_factory=SheetTolerance)
    display_ohm: float = GENERATOR_RESISTANCE_OHM
    unit_curve: str | None = None

    def __post_init__(self) -> None:
        hold_read_only(self, *(f.name for f in fields(self)[:6]))

    @property
    def over_corners(self) -> bool:
        """Whether the limits are those of all corners of the tolerances."""
        return self.positions + _varied(self.tolerance.loading) <= MOST_CORNERS

    @property
    def receivers(self) -> tuple[Receiver, ...]:
        """What stands at the network's output, the unit first."""
        return tuple(column.receiver for column in self.columns)

    def to_frame(self) -> pandas.DataFrame:
        """Tabulate the sheet.

        Returns
        -------
        pandas.DataFrame
            One row a spot frequency; six columns a receiver, named after it.
        """
        import pandas

        table = {f.name: getattr(self, f.name) for f in fields(self)[:6]}
        for column in self.columns:
            prefix = column.receiver.name.replace(" ", "_")
            for quantity in fields(column)[1:]:
                table[f"{prefix}_{quantity.name}"] = getattr(column, quantity.name)
        return pandas.DataFrame(table)


def provers(
    *,
    oscilloscope_f: float = 120e-12,
    meter_f: float = 100e-12,
    probe_f: float = 15e-12,
) -> tuple[Receiver, ...]:
    """Work out what a network is proved with by itself, without the unit.

    Parameters
    ----------
    oscilloscope_f : float, optional
        Capacitance of a 1 Mohm oscilloscope input with its cable [F].
    meter_f : float, optional
        Capacitance of a 10 Mohm meter with its leads [F].
    probe_f : float, optional
        Capacitance of a 10 Mohm probe [F].

    Returns
    -------
    tuple of Receiver
        Oscilloscope, meter and probe (resistances and capacitances: common practice, no source;
        state those of your own).
    """
    return (
        Receiver("oscilloscope", 1e6, oscilloscope_f),
        Receiver("meter", 10e6, meter_f),
        Receiver("probe", 10e6, probe_f),
    )


@checked
def bench_sheet(
    design: WithParts,
    conditions: Conditions | None = None,
    *,
    frequencies_hz: Sequence[float] = SPOT_FREQUENCIES_HZ,
    receivers: Sequence[Receiver] | None = None,
    overload_v: float | None = None,
    tolerance: SheetTolerance | None = None,
) -> BenchSheet:
    """Draw up the bench sheet of a network.

    Parameters
    ----------
    design : Design or PickedNetwork
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    frequencies_hz : sequence of float, optional
        Spot frequencies [Hz], above 0.
    receivers : sequence of Receiver, optional
        What to prove the network with; `provers` by default.
    overload_v : float, optional
        Peak voltage that overloads the unit [V]: where the sine would exceed it, the setting is
        lowered in steps of 10 dB.
    tolerance : SheetTolerance, optional
        What the limits allow for besides the parts; nothing by default.

    Returns
    -------
    BenchSheet
        Settings, levels and limits.

    Raises
    ------
    InputError
        When a level or a frequency is out of range.

    Notes
    -----
    The limits are the extremes over all corners of the tolerance box, a position's parts moving
    together; with more than 14 quantities the sum of what each does by itself.  Source and load
    are corners as well; generator, meter and flatness widen what comes of it.
    """
    picked = picked_of(design)
    conditions = conditions_of(design, conditions)
    curve, loading = conditions.playback_curve, conditions.loading
    frequency = np.asarray(frequencies_hz, dtype=float)
    if not (frequency.ndim == 1 and len(frequency)) or not np.all(
        np.isfinite(frequency) & (frequency > 0)
    ):
        raise InputError("spot frequencies", frequencies_hz, "name frequencies above 0 Hz")
    check_number(conditions.source_level_v, field="source.level", unit="V")
    unit = Receiver("unit", loading.load_resistance, loading.load_capacitance)
    tolerance = tolerance or SheetTolerance()
    display = display_resistance(loading.source_resistance)
    received = [
        _levels(picked, frequency, loading.source_resistance, receiver, tolerance)
        for receiver in (unit, *(provers() if receivers is None else receivers))
    ]
    first = received[0]
    emf = _settings(first.nominal_db, conditions.source_level_v, overload_v)
    ideal = 20.0 * np.log10(np.abs(response(curve, frequency, published=True)))
    return BenchSheet(
        frequency_hz=frequency,
        emf_v=emf,
        displayed_v=np.array(
            [
                displayed_level(float(v), generator_resistance=display, assumed_load=display)
                for v in emf
            ]
        ),
        playback_db=first.relative_db - ideal,
        playback_low_db=first.relative_low_db - ideal,
        playback_high_db=first.relative_high_db - ideal,
        columns=tuple(levels.column(emf) for levels in received),
        both_channels=shared_generator(picked.network, conditions),
        positions=len(picked.positions),
        tolerance=tolerance,
        display_ohm=display,
        unit_curve=None if conditions.unit_curve is None else curve.name,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Levels:
    """Gain [dB] at one receiver, and gain re 1 kHz, with their extremes over the tolerances."""

    receiver: Receiver
    nominal_db: Floats
    low_db: Floats
    high_db: Floats
    relative_db: Floats
    relative_low_db: Floats
    relative_high_db: Floats

    def column(self, emf_v: Floats) -> SheetColumn:
        """Work out the column of the sheet at the generator's settings."""
        low, level, high = (
            emf_v * 10.0 ** (gain / 20.0) for gain in (self.low_db, self.nominal_db, self.high_db)
        )
        return SheetColumn(
            receiver=self.receiver,
            level_v=level,
            low_v=low,
            high_v=high,
            level_db=self.relative_db,
            low_db=self.relative_low_db,
            high_db=self.relative_high_db,
        )


def _varied(loading: LoadingTolerance) -> int:
    """How many quantities of source and load have a tolerance."""
    limits = (loading.source_resistance, loading.load_resistance, loading.load_capacitance)
    return sum(limit > 0.0 for limit in limits)


def _levels(
    picked: PickedNetwork,
    frequency: Floats,
    source: float,
    receiver: Receiver,
    tolerance: SheetTolerance,
) -> _Levels:
    around = [
        (source, tolerance.loading.source_resistance),
        (receiver.resistance_ohm, tolerance.loading.load_resistance),
        (receiver.capacitance_f, tolerance.loading.load_capacitance),
    ]
    nominal = np.append(picked.network.values, [value for value, _ in around])
    ends = np.stack(position_box(part_table(picked)), axis=1)
    ends = np.vstack([ends, [(v * (1.0 - t), v * (1.0 + t)) for v, t in around]])
    count = len(picked.positions)
    corners = count + _varied(tolerance.loading) <= MOST_CORNERS
    if corners:
        values = np.array(list(itertools.product(*map(_distinct, ends.tolist()))))
    else:
        values = np.tile(nominal, (2 * len(nominal), 1))
        values[np.arange(len(values)), np.arange(len(values)) // 2] = ends.ravel()
    rows = np.vstack([nominal, values])
    loaded = transfer_coefficients(
        picked.topology,
        rows[:, :count],
        source_resistance=rows[:, count],
        load_resistance=rows[:, count + 1],
        load_capacitance=rows[:, count + 2],
    )
    gain = 20.0 * np.log10(np.abs(loaded.response(np.append(frequency, REFERENCE_FREQUENCY_HZ))))
    relative = gain[:, :-1] - gain[:, -1:]
    low, high = _extremes(gain[:, :-1], corners)
    relative_low, relative_high = _extremes(relative, corners)
    flatness = np.where(frequency == REFERENCE_FREQUENCY_HZ, 0.0, tolerance.flatness_db)
    below = (1.0 - tolerance.generator) * (1.0 - tolerance.meter)
    above = (1.0 + tolerance.generator) * (1.0 + tolerance.meter)
    return _Levels(
        receiver,
        gain[0, :-1],
        low + 20.0 * math.log10(below),
        high + 20.0 * math.log10(above),
        relative[0],
        relative_low - flatness,
        relative_high + flatness,
    )


def _distinct(ends: list[float]) -> list[float]:
    """Both ends of a range, or the one value that a quantity without a tolerance has."""
    return sorted(set(ends))


def _extremes(gain_db: Floats, corners: bool) -> tuple[Floats, Floats]:
    """Extremes of rows below the nominal first one."""
    if corners:
        return gain_db.min(axis=0), gain_db.max(axis=0)
    change = gain_db[1:] - gain_db[0]
    pairs = change.reshape(-1, 2, change.shape[1])
    down = np.minimum(pairs.min(axis=1), 0.0).sum(axis=0)
    up = np.maximum(pairs.max(axis=1), 0.0).sum(axis=0)
    return gain_db[0] + down, gain_db[0] + up


def _settings(gain_db: Floats, emf_v: float, overload_v: float | None) -> Floats:
    """EMF at each frequency, lowered in steps of 10 dB below overload."""
    if overload_v is None:
        return np.full(gain_db.shape, emf_v)
    check_number(overload_v, field="overload level", unit="V")
    peak_db = gain_db + 20.0 * math.log10(math.sqrt(2.0) * emf_v / overload_v)
    steps = np.maximum(0.0, np.ceil(peak_db / 10.0 - 1e-12))
    return np.asarray(emf_v * 10.0 ** (-steps / 2.0))
