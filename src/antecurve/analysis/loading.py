"""What other generators, cables and inputs do to a network: level shift and change of shape.

The coefficients of H(s) are evaluated for all combinations of source resistance, load
resistance and load capacitance at once; abs(H)**2 is a ratio of polynomials in w**2, so a
thousand combinations are one matrix product.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.analysis.loading_window import LoadingWindow, loading_window
from antecurve.arrays import hold_read_only
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve
from antecurve.errors import InputError
from antecurve.networks.centred_error import CentredError
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.topology import Network
from antecurve.quantities import LOAD_CAPACITANCES, check_count
from antecurve.results import Result

__all__ = [
    "LOAD_CAPACITANCES_F",
    "LOAD_RESISTANCES_OHM",
    "SOURCE_RESISTANCES_OHM",
    "LoadingResult",
    "cable_capacitance",
    "loading_table",
    "one_change",
    "shared_generator",
]

_MOST_CHANNELS = 1000  # far more units than any generator drives
Floats = NDArray[np.float64]

SOURCE_RESISTANCES_OHM = (0.0, 50.0, 75.0, 150.0, 600.0)
"""Output resistances of generators met on a bench [ohm] (common practice, no source)."""
LOAD_RESISTANCES_OHM = (47e3, 100e3, 10e3, 1e3, 100.0)
"""Input resistances of units [ohm]: 47 kohm is the usual one for magnetic pickups, 100 ohm and
1 kohm low-output inputs (common practice, no source)."""
LOAD_CAPACITANCES_F = (0.0, 50e-12, 100e-12, 200e-12, 300e-12, 500e-12)
"""Capacitances of input and cable [F] (common practice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class LoadingResult(Result):
    """A network with other generators and units.

    Arrays of shape (combinations,), read-only.

    Attributes
    ----------
    source_ohm : numpy.ndarray of float
        Source resistance [ohm].
    load_ohm : numpy.ndarray of float
        Load resistance [ohm].
    load_f : numpy.ndarray of float
        Load capacitance with cable [F].
    level_shift_db : numpy.ndarray of float
        Level at 1 kHz against the nominal loading, EMF constant [dB].
    error_centred_db : numpy.ndarray of float
        Centred error against the job's curve over the band [dB].
    window : LoadingWindow
        How far each value may go by itself.
    """

    _keys: ClassVar = (
        "rows:records",
        "window",
    )

    source_ohm: Floats
    load_ohm: Floats
    load_f: Floats
    level_shift_db: Floats
    error_centred_db: Floats
    window: LoadingWindow

    def __post_init__(self) -> None:
        hold_read_only(self, *(f.name for f in fields(self)[:5]))


@checked
def cable_capacitance(*, capacitance_per_metre: float, length_m: float) -> float:
    """Work out the capacitance of a cable.

    Parameters
    ----------
    capacitance_per_metre : float
        Capacitance per metre [F/m], 0 or greater; screened audio cable has 50 to 150 pF/m
        (common practice, no source).
    length_m : float
        Length [m], 0 or greater.

    Returns
    -------
    float
        Capacitance [F].

    Raises
    ------
    InputError
        When a value is negative or not finite.

    Examples
    --------
    >>> cable_capacitance(capacitance_per_metre=100e-12, length_m=1.5)
    1.5e-10
    """
    for name, value in (("cable capacitance", capacitance_per_metre), ("cable length", length_m)):
        if not (math.isfinite(value) and value >= 0):
            raise InputError(name, value, "it must be finite and 0 or greater")
    return capacitance_per_metre * length_m


@checked
def loading_table(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    source_ohm: Sequence[float] = SOURCE_RESISTANCES_OHM,
    load_ohm: Sequence[float] = LOAD_RESISTANCES_OHM,
    load_f: Sequence[float] = LOAD_CAPACITANCES_F,
    cable_f: float = 0.0,
    growth_db: float = 0.1,
) -> LoadingResult:
    """Tabulate level shift and error for every combination of generator and unit.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    source_ohm : sequence of float, optional
        Source resistances [ohm], 0 or greater.
    load_ohm : sequence of float, optional
        Load resistances [ohm], greater than 0.
    load_f : sequence of float, optional
        Capacitances of the unit's input [F], 0 or greater.
    cable_f : float, optional
        Capacitance of the cable [F], added to each of `load_f` but not to the nominal value,
        which is understood to hold the cable already.
    growth_db : float, optional
        By how much the centred error may grow within the window [dB], above 0.

    Returns
    -------
    LoadingResult
        Nominal combination first, then source, load resistance and capacitance ascending.

    Raises
    ------
    InputError
        When a value is out of range.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    curve, loading, band_hz = conditions.curve, conditions.loading, conditions.band_hz
    cable_capacitance(capacitance_per_metre=cable_f, length_m=1.0)
    LOAD_CAPACITANCES.widened.check(cable_f, field="cable capacitance")
    axes = (
        _axis("source resistance", source_ohm, loading.source_resistance, least=0.0),
        _axis("load resistance", load_ohm, loading.load_resistance, least=None),
        _axis(
            "load capacitance",
            [c + cable_f for c in load_f],
            loading.load_capacitance,
            least=0.0,
        ),
    )
    combinations = np.stack([a.ravel() for a in np.meshgrid(*axes, indexing="ij")])
    nominal = np.array(
        [loading.source_resistance, loading.load_resistance, loading.load_capacitance]
    )
    here = np.all(combinations == nominal[:, None], axis=0)
    rs, rl, cl = np.concatenate([nominal[:, None], combinations[:, ~here]], axis=1)
    shift, centred = _evaluate(network, curve, band_hz, rs, rl, cl)
    window = loading_window(network, conditions, growth_db=growth_db)
    return LoadingResult(rs, rl, cl, shift, centred, window)


def _axis(name: str, values: Sequence[float], nominal: float, *, least: float | None) -> Floats:
    for value in values:
        if not math.isfinite(value) or (value <= 0 if least is None else value < least):
            rule = "above 0" if least is None else "0 or greater"
            raise InputError(name, value, f"it must be finite and {rule}")
    return np.unique(np.append(np.asarray(values, dtype=float), nominal))


def _evaluate(
    network: Network,
    curve: Curve,
    band_hz: tuple[float, float],
    source: ArrayLike,
    load: ArrayLike,
    capacitance: ArrayLike,
) -> tuple[Floats, Floats]:
    """Level at 1 kHz [dB] against the first combination, and centred error [dB], of each."""
    loaded = transfer_coefficients(
        network.topology,
        network.values,
        source_resistance=source,
        load_resistance=load,
        load_capacitance=capacitance,
    )
    level = 20.0 * np.log10(np.abs(loaded.response(REFERENCE_FREQUENCY_HZ)[:, 0]))
    return level - level[0], CentredError(curve, band_hz=band_hz)(loaded)


@checked
def shared_generator(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    channels: int = 2,
) -> LoadingResult:
    """Work out what happens when one generator feeds several equal networks at once.

    With equal networks the source resistance carries the current of all of them, so that each
    sees an effective source resistance of `channels` times the generator's.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    channels : int, optional
        Number of networks on the generator, 1 or more.

    Returns
    -------
    LoadingResult
        One row a number of channels, from 1 to `channels`; `source_ohm` is the effective one.

    Raises
    ------
    InputError
        When `channels` is below 1.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    curve, loading, band_hz = conditions.curve, conditions.loading, conditions.band_hz
    check_count(channels, field="channels", most=_MOST_CHANNELS)
    rs = loading.source_resistance * np.arange(1.0, channels + 1.0)
    rl = np.full_like(rs, loading.load_resistance)
    cl = np.full_like(rs, loading.load_capacitance)
    shift, centred = _evaluate(network, curve, band_hz, rs, rl, cl)
    window = loading_window(network, conditions)
    return LoadingResult(rs, rl, cl, shift, centred, window)


def one_change(result: LoadingResult) -> LoadingResult:
    """Keep the combinations that differ from nominal in one value at most.

    Parameters
    ----------
    result : LoadingResult
        All combinations, the nominal one first.

    Returns
    -------
    LoadingResult
        Those with one other generator, unit or capacitance, and the nominal one.
    """
    names = ("source_ohm", "load_ohm", "load_f")
    columns = [getattr(result, name) for name in names]
    changes = np.sum([column != column[0] for column in columns], axis=0)
    kept = (*names, "level_shift_db", "error_centred_db")
    return replace(result, **{name: getattr(result, name)[changes <= 1] for name in kept})
