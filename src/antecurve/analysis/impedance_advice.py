"""Which impedance level a network needs for a generator: what works, and what holds the error.

The impedance level is that of `antecurve.synthesis.exact.exact_network`: the resistor across the
output.  A generator's resistance counts the less, the higher it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from antecurve.algebra.bracketed_root import bracketed_root
from antecurve.analysis.loading import SOURCE_RESISTANCES_OHM
from antecurve.analysis.subject import job_of
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve
from antecurve.networks.centred_error import error_range, reference_gain
from antecurve.networks.compiled import output_impedance
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.topology import Loading, Network
from antecurve.quantities import check_number, format_quantity
from antecurve.results import Result
from antecurve.synthesis.bracketing import boundary
from antecurve.synthesis.exact import exact_network_or_none, form_names

__all__ = [
    "GeneratorAdvice",
    "ImpedanceWindow",
    "generator_advice",
    "impedance_for_generator",
    "impedance_window",
]

_LEVELS = np.geomspace(1.0, 1e7, 141)  # ohm: every impedance that a curve is made at, 20 a decade
_BISECTIONS = 50  # from neighbours of the grid down to the last bits of a double


@dataclass(frozen=True, slots=True)
class ImpedanceWindow(Result):
    """The impedance levels at which a form makes a curve at a level, source and load.

    Attributes
    ----------
    works : bool
        Whether the impedance level asked about is among them.
    low_ohm, high_ohm : float or None
        Ends of the nearest range that works [ohm]; ``None`` where nothing between 1 ohm and
        10 Mohm does.
    """

    works: bool
    low_ohm: float | None
    high_ohm: float | None


@dataclass(frozen=True, slots=True)
class GeneratorAdvice(Result):
    """What another generator does to a network, and which network would take it.

    Attributes
    ----------
    source_ohm : float
        Resistance of the other generator [ohm].
    error_centred_db : float
        Centred error with it [dB].
    limit_db : float
        Centred error that is accepted [dB].
    impedance_level_ohm : float or None
        Smallest impedance level at which the exact network for the nominal generator stays
        within the limit with the other one [ohm]; ``None`` where the network holds as it is, or
        no level does, or its form is the user's own.
    sentence : str
        The advice.
    """

    _keys: ClassVar = (
        "source_ohm",
        "error_centred_db",
        "limit_db",
        "impedance_level_ohm",
        "sentence",
        "holds",
    )

    source_ohm: float
    error_centred_db: float
    limit_db: float
    impedance_level_ohm: float | None
    sentence: str

    @property
    def holds(self) -> bool:
        """Whether the network takes the generator as it is."""
        return self.error_centred_db <= self.limit_db


def impedance_window(
    form: str, curve: Curve, *, loading: Loading, gain: float, shunt_resistance: float
) -> ImpedanceWindow:
    """Find the impedance levels at which a form can be had, nearest to the one asked about.

    Parameters
    ----------
    form : str
        Name of a built-in form.
    curve : Curve
        The curve to impose.
    loading : Loading
        Source and load.
    gain : float
        Output level over EMF at 1 kHz, above 0 and below 1.
    shunt_resistance : float
        The level asked about [ohm], above 0.

    Returns
    -------
    ImpedanceWindow
        The range, its ends solved by bisection.

    Raises
    ------
    InputError
        When there is no such form, or a value is out of range.
    """

    def works(level: float) -> bool:
        exact = exact_network_or_none(
            form, curve, loading=loading, gain=gain, shunt_resistance=level
        )
        return exact is not None

    grid = np.unique(np.append(_LEVELS, shunt_resistance))
    fine = np.array([works(float(level)) for level in grid])
    here = int(np.searchsorted(grid, shunt_resistance))
    if not fine.any():
        return ImpedanceWindow(False, None, None)
    good = np.flatnonzero(fine)
    nearest = int(good[np.argmin(np.abs(good - here))])
    first = last = nearest
    while first > 0 and fine[first - 1]:
        first -= 1
    while last < len(grid) - 1 and fine[last + 1]:
        last += 1
    low = float(grid[first])
    high = float(grid[last])
    if first > 0:
        low = boundary(works, fails=float(grid[first - 1]), holds=low, halvings=_BISECTIONS)
    if last < len(grid) - 1:
        high = boundary(works, fails=float(grid[last + 1]), holds=high, halvings=_BISECTIONS)
    return ImpedanceWindow(bool(fine[here]), low, high)


def impedance_for_generator(
    form: str,
    curve: Curve,
    *,
    loading: Loading,
    gain: float,
    other_source_resistance: float,
    band_hz: tuple[float, float],
    limit_db: float,
) -> float | None:
    """Find the smallest impedance level at which another generator keeps the error small.

    Parameters
    ----------
    form : str
        Name of a built-in form.
    curve : Curve
        The curve to impose.
    loading : Loading
        Source and load that the exact network is made for.
    gain : float
        Output level over EMF at 1 kHz, above 0 and below 1.
    other_source_resistance : float
        Resistance of the other generator [ohm], 0 or greater.
    band_hz : tuple of float
        Band in which the error counts [Hz].
    limit_db : float
        Centred error accepted with the other generator [dB], above 0.

    Returns
    -------
    float or None
        Impedance level [ohm], solved to a relative 1e-9; ``None`` where no level up to 10 Mohm
        does.

    Raises
    ------
    InputError
        When there is no such form, or a value is out of range.
    """
    other = replace(loading, source_resistance=other_source_resistance)

    def excess(log_level: float) -> float:
        """Compute the excess of the error over the limit; large where there is no network."""
        exact = exact_network_or_none(
            form, curve, loading=loading, gain=gain, shunt_resistance=math.exp(log_level)
        )
        if exact is None:
            return 1e3
        return (
            error_range(
                exact.network, Conditions(curve=curve, loading=other, band_hz=band_hz)
            ).centred_db
            - limit_db
        )

    before = None
    for level in np.log(_LEVELS[::5]):
        value = excess(float(level))
        if value <= 0:
            if before is None:
                return float(math.exp(level))
            return float(math.exp(bracketed_root(excess, first=before, second=float(level))))
        before = float(level)
    return None


@checked
def generator_advice(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    source_ohm: Sequence[float] | None = None,
    growth_db: float = 0.1,
    output_resistance_max: float | None = None,
) -> tuple[GeneratorAdvice, ...]:
    """Tell for each other generator whether a network takes it, and which one would.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    source_ohm : sequence of float, optional
        Resistances of the generators [ohm], 0 or greater; by default those of
        `antecurve.analysis.loading.SOURCE_RESISTANCES_OHM` that are not the nominal one.
    growth_db : float, optional
        By how much the centred error may grow [dB], above 0.
    output_resistance_max : float, optional
        Largest output resistance at 1 kHz that is wanted [ohm], above 0; an impedance level that
        goes beyond it is named with the output resistance it takes; that of the job by default.

    Returns
    -------
    tuple of GeneratorAdvice
        One a generator.

    Raises
    ------
    InputError
        When the growth is not above 0 dB, or another value is out of range.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    loading = conditions.loading
    check_number(growth_db, field="growth", unit="dB")
    job = job_of(design)
    if output_resistance_max is None and job is not None:
        output_resistance_max = job.network.output_resistance_max
    if source_ohm is None:
        source_ohm = sorted({*SOURCE_RESISTANCES_OHM} - {loading.source_resistance})
    limit = error_range(network, conditions).centred_db + growth_db
    advice = []
    for source in source_ohm:
        there = replace(loading, source_resistance=float(source))
        error = error_range(network, replace(conditions, loading=there)).centred_db
        name = f"A generator of {format_quantity(source, 'ohm') if source else '0 Ω'}"
        if error <= limit:
            advice.append(GeneratorAdvice(source, error, limit, None, f"{name} can be used."))
            continue
        level, remedy = _remedy(network, conditions, source, growth_db, output_resistance_max)
        advice.append(
            GeneratorAdvice(
                source,
                error,
                limit,
                level,
                f"{name} makes the error {error:.3f} dB, above {limit:.3f} dB. {remedy}.",
            )
        )
    return tuple(advice)


def _remedy(
    network: Network,
    conditions: Conditions,
    source: float,
    growth_db: float,
    output_resistance_max: float | None,
) -> tuple[float | None, str]:
    """The shunt resistance [ohm] that lets a generator drive the network, and what to do."""
    form, loading = network.topology.form, conditions.loading
    remedy = f"Make the network for a source resistance of {format_quantity(source, 'ohm')}"
    if form not in form_names():
        return None, remedy
    gain = reference_gain(network, loading=loading)
    level = impedance_for_generator(
        form,
        conditions.curve,
        loading=loading,
        gain=gain,
        other_source_resistance=source,
        band_hz=conditions.band_hz,
        limit_db=growth_db,
    )
    if level is None:
        return None, remedy
    shown = _rounded_up(level)
    made = exact_network_or_none(
        form, conditions.curve, loading=loading, gain=gain, shunt_resistance=shown
    )
    if made is None:
        return level, remedy
    return level, remedy + _with_level(shown, made.network, loading, output_resistance_max)


def _with_level(level: float, made: Network, loading: Loading, limit: float | None) -> str:
    """The remedy of another impedance level, and the output resistance it takes."""
    words = f". Or put at least {format_quantity(level, 'ohm')} across the output: it suits either"
    output = abs(complex(output_impedance(made, REFERENCE_FREQUENCY_HZ, loading=loading)[0]))
    if limit is None or output <= limit:
        return f"{words} generator"
    return (
        f"{words} generator. That needs network.output_resistance_max of at least "
        f"{format_quantity(_rounded_up(output), 'ohm')} (now {format_quantity(limit, 'ohm')})"
    )


def _rounded_up(value: float) -> float:
    """The next value of three digits: a bound needs no more, and holds if it is rounded up."""
    step = 10.0 ** (math.floor(math.log10(value)) - 2)
    return math.ceil(value / step) * step
