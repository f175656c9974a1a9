"""The generator's setting for a wanted level, and the plan for the inputs of a bench."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

from antecurve.analysis.pads import Pad, generator_pad
from antecurve.analysis.subject import error_limit_of, job_of
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.errors import InputError
from antecurve.networks.centred_error import error_range
from antecurve.networks.compiled import transfer
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.topology import Loading
from antecurve.quantities import check_number, format_quantity
from antecurve.results import Result

__all__ = [
    "DISPLAY_LOAD_OHM",
    "GENERATOR_RESISTANCE_OHM",
    "LINE_RESISTANCE_OHM",
    "NORMAL_LEVEL_V",
    "GeneratorSetting",
    "InputKind",
    "LevelPlan",
    "PlannedInput",
    "display_resistance",
    "displayed_level",
    "generator_setting",
    "level_plan",
    "usual_inputs",
]

DISPLAY_LOAD_OHM = 50.0
"""Load that the display of many function generators assumes [ohm] (common practice, no source)."""

GENERATOR_RESISTANCE_OHM = 50.0
"""Output resistance of many function generators [ohm] (common practice, no source)."""

LINE_RESISTANCE_OHM = 600.0
"""Resistance of an audio generator with a 600 ohm output, whose display assumes 600 ohm [ohm]."""

NORMAL_LEVEL_V = 5e-3
"""Level at 1 kHz of a normal input [V rms] (common practice, no source)."""

_NORMAL_OHM = 47e3  # normal input (common practice, no source)
_LOW_OUTPUT_LEVEL_V = 0.5e-3  # a tenth of the normal level: pickups of low output
_LOW_OUTPUT_OHM = 100.0  # a usual input for them (common practice, no source)
_SMALLEST_EMF_V = 10e-3  # where bench generators usually end (common practice, no source)
_LARGEST_EMF_V = 10.0 / math.sqrt(2.0)
_LEAST_PAD = 1.01  # a pad that lowers the level by 1 % or less is not worth two resistors


@dataclass(frozen=True, slots=True)
class GeneratorSetting(Result):
    """How to set the generator for a level at the unit.

    Attributes
    ----------
    wanted_v : float
        Level at the unit's input [V rms].
    frequency_hz : float
        Frequency at which it is wanted [Hz].
    emf_v : float
        EMF of the generator, open circuit [V rms]: the setting of a display for high impedance.
    displayed_v : float
        Setting of the display of a 50 ohm generator that assumes a load of 50 ohm [V rms].
    """

    wanted_v: float
    frequency_hz: float
    emf_v: float
    displayed_v: float


@checked
@dataclass(frozen=True, slots=True)
class InputKind:
    """A kind of input to be driven.

    Attributes
    ----------
    name : str
        Its name.
    level_v : float
        Level wanted at 1 kHz [V rms], above 0.
    load_resistance : float
        Input resistance [ohm], above 0.
    load_capacitance : float
        Capacitance of input and cable [F], 0 or greater.
    """

    name: str
    level_v: float
    load_resistance: float
    load_capacitance: float


@dataclass(frozen=True, slots=True)
class PlannedInput(Result):
    """One kind of input, and how to drive it with the network.

    Attributes
    ----------
    kind : InputKind
        The input.
    setting : GeneratorSetting
        The generator's setting without pad.
    gain_db : float
        20 log10(abs(H)) at 1 kHz into this input [dB].
    error_centred_db : float
        Centred error with this input, against the job's curve [dB].
    pad : Pad or None
        Pad at the generator that gives the level with the generator left at the job's level;
        ``None`` where the job's level is not too high, or the network is made for 0 ohm.
    advice : str
        What to do; empty where there is nothing to say.
    """

    _keys: ClassVar = (
        "input:kind.name",
        "level_v:kind.level_v",
        "load_ohm:kind.load_resistance",
        "load_f:kind.load_capacitance",
        "gain_db",
        "emf_v:setting.emf_v",
        "displayed_v:setting.displayed_v",
        "error_centred_db",
        "pad_db:pad.attenuation_db",
        "pad_series_ohm:pad.series_ohm",
        "pad_shunt_ohm:pad.shunt_ohm",
        "advice",
    )

    kind: InputKind
    setting: GeneratorSetting
    gain_db: float
    error_centred_db: float
    pad: Pad | None
    advice: str


@dataclass(frozen=True, slots=True)
class LevelPlan(Result):
    """How to drive each kind of input.

    Attributes
    ----------
    inputs : tuple of PlannedInput
        One a kind of input.
    """

    _rows: ClassVar = "inputs"

    inputs: tuple[PlannedInput, ...]


def usual_inputs(loading: Loading, *, level_v: float = NORMAL_LEVEL_V) -> tuple[InputKind, ...]:
    """List the inputs that a plan is made for unless others are named.

    Parameters
    ----------
    loading : Loading
        The job's load.
    level_v : float, optional
        Level wanted at 1 kHz at the job's input [V rms], above 0.

    Returns
    -------
    tuple of InputKind
        5 mV into 47 kohm for a normal input, and 0.5 mV into 100 ohm for a low-output input
        (levels and resistances: common practice, no source), with the job's capacitance; the
        job's own input comes first where it is neither.
    """
    capacitance = loading.load_capacitance
    usual = (
        InputKind("normal input", NORMAL_LEVEL_V, _NORMAL_OHM, capacitance),
        InputKind("low-output input", _LOW_OUTPUT_LEVEL_V, _LOW_OUTPUT_OHM, capacitance),
    )
    own = (level_v, loading.load_resistance)
    if own in {(kind.level_v, kind.load_resistance) for kind in usual}:
        return usual
    return (InputKind("the job's input", *own, capacitance), *usual)


def display_resistance(source_resistance: float) -> float:
    """Choose the generator whose display a source suggests.

    Parameters
    ----------
    source_resistance : float
        Source resistance of the job [ohm].

    Returns
    -------
    float
        600 for a source of 600 ohm, otherwise 50: the generator's own resistance and the load that
        its display assumes [ohm].
    """
    if source_resistance == LINE_RESISTANCE_OHM:
        return LINE_RESISTANCE_OHM
    return GENERATOR_RESISTANCE_OHM


def displayed_level(
    emf_v: float,
    *,
    generator_resistance: float = GENERATOR_RESISTANCE_OHM,
    assumed_load: float = DISPLAY_LOAD_OHM,
) -> float:
    """Convert an EMF to what a generator displays that assumes a load.

    Parameters
    ----------
    emf_v : float
        EMF, open circuit [V].
    generator_resistance : float, optional
        The generator's own output resistance [ohm], 0 or greater; whatever stands between it and
        the network does not change its display.
    assumed_load : float, optional
        Load that the display assumes [ohm], above 0.

    Returns
    -------
    float
        EMF R/(R + Rg) [V]: half of the EMF, 6.02 dB below it, for 50 ohm and 50 ohm.

    Examples
    --------
    >>> displayed_level(0.5)
    0.25
    """
    return emf_v * assumed_load / (assumed_load + generator_resistance)


@checked
def generator_setting(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    wanted_v: float | None = None,
    frequency_hz: float = REFERENCE_FREQUENCY_HZ,
) -> GeneratorSetting:
    """Work out the setting of the generator for a wanted level at the unit.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    wanted_v : float, optional
        Level at the unit's input [V rms], above 0; the job's, or 5 mV, by default.
    frequency_hz : float, optional
        Frequency at which it is wanted [Hz], above 0.

    Returns
    -------
    GeneratorSetting
        EMF, and what a display for 50 ohm shows.

    Raises
    ------
    InputError
        When the level or the frequency is not above 0.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    loading = conditions.loading
    if wanted_v is None:
        job = job_of(design)
        wanted_v = NORMAL_LEVEL_V if job is None else job.target.level_v
    check_number(wanted_v, field="wanted level", unit="V")
    check_number(frequency_hz, field="frequency", unit="Hz")
    emf = wanted_v / abs(complex(transfer(network, frequency_hz, loading=loading)[0]))
    return GeneratorSetting(wanted_v, frequency_hz, emf, displayed_level(emf))


@checked
def level_plan(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    inputs: Sequence[InputKind] | None = None,
    smallest_emf_v: float = _SMALLEST_EMF_V,
    largest_emf_v: float = _LARGEST_EMF_V,
    error_limit_db: float | None = None,
) -> LevelPlan:
    """Plan the generator's setting for each kind of input, with a pad where it needs one.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    inputs : sequence of InputKind, optional
        The inputs; those of `usual_inputs` by default.
    smallest_emf_v, largest_emf_v : float, optional
        Range of the generator's EMF [V rms]; 10 mV and 7.07 V (10 V peak) unless stated (common
        practice, no source).
    error_limit_db : float, optional
        Largest centred error accepted [dB], above 0; inputs beyond it are told what to do; that of
        the job by default.

    Returns
    -------
    LevelPlan
        One entry an input.

    Raises
    ------
    InputError
        When a level, the generator's range or the limit is out of range.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    loading, source_level_v = conditions.loading, conditions.source_level_v
    error_limit_db = error_limit_of(design, error_limit_db)
    check_number(source_level_v, field="source.level", unit="V")
    if error_limit_db is not None:
        check_number(error_limit_db, field="error limit", unit="dB")
    if not 0 < smallest_emf_v < largest_emf_v < math.inf:
        raise InputError(
            "generator range", [smallest_emf_v, largest_emf_v], "it must be above 0 and ascending"
        )
    planned = []
    for kind in usual_inputs(loading) if inputs is None else inputs:
        there = Loading(loading.source_resistance, kind.load_resistance, kind.load_capacitance)
        setting = generator_setting(
            network, replace(conditions, loading=there), wanted_v=kind.level_v
        )
        error = error_range(network, replace(conditions, loading=there)).centred_db
        pad = _pad_for(source_level_v / setting.emf_v, loading)
        advice = []
        if error_limit_db is not None and error > error_limit_db:
            advice.append(
                f"the error is above the limit of {error_limit_db:g} dB: make a network for "
                f"{format_quantity(kind.load_resistance, 'ohm')}"
            )
        if setting.emf_v < smallest_emf_v:
            remedy = "make the network for a source resistance and use a pad"
            advice.append(
                f"the generator can't be set that low: {'use the pad' if pad else remedy}"
            )
        elif setting.emf_v > largest_emf_v:
            within = kind.level_v * largest_emf_v / setting.emf_v
            advice.append(
                f"the generator can't be set that high: the most is {within * 1e3:.3g} mV"
            )
        gain_db = 20.0 * math.log10(kind.level_v / setting.emf_v)
        planned.append(PlannedInput(kind, setting, gain_db, error, pad, "; ".join(advice)))
    return LevelPlan(tuple(planned))


def _pad_for(ratio: float, loading: Loading) -> Pad | None:
    """The pad that lowers the EMF by a ratio and keeps the source resistance."""
    if not loading.source_resistance or ratio <= _LEAST_PAD:
        return None
    return generator_pad(
        attenuation_db=20.0 * math.log10(ratio),
        generator_resistance=loading.source_resistance,
        source_resistance=loading.source_resistance,
    )
