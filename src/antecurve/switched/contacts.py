"""What a real switch does: contact resistance, stray capacitance, and the way between throws."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import log_frequencies
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.networks.centred_error import error_range, reference_gain
from antecurve.networks.compiled import transfer
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Loading, Network
from antecurve.quantities import DB_PER_NEPER
from antecurve.results import Result
from antecurve.switched.box import Box
from antecurve.switched.physical import built_network, wiper_state
from antecurve.switched.switch import SwitchContact

__all__ = ["BleedEffect", "ContactEffect", "Passing", "bleed_effects", "contact_effects", "passing"]

Floats = NDArray[np.float64]

_POINTS_PER_DECADE = 10  # levels between throws change slowly with frequency
_SILENT = 1e-9
"""Gain below which nothing comes through [V/V]: 180 dB down."""
_MOST_POLES = 6
"""Poles whose contacts are let part in any order; with more they part all at once or one alone."""


@dataclass(frozen=True, slots=True)
class ContactEffect(Result):
    """What contact resistance and stray capacitance do in one position of the switch.

    Attributes
    ----------
    position : str
        Its name.
    level_db : float
        Change of the level at 1 kHz [dB].
    centred_db : float
        Centred error with them [dB].
    change_db : float
        Centred change of the response that they make [dB].
    """

    position: str
    level_db: float
    centred_db: float
    change_db: float


@dataclass(frozen=True, slots=True)
class Passing(Result):
    """The loudest moment while the switch passes from one throw to the next.

    Attributes
    ----------
    contacts : str
        ``break-before-make`` or ``make-before-break``.
    rise_db : float
        By how much the output exceeds that of either position at most [dB]; negative infinity
        where nothing comes through.
    frequency_hz : float
        Where that is [Hz].
    between : tuple of str
        The two positions.
    poles : tuple of str
        The switched positions whose contacts are on the way, the others rest.
    level_v : float
        The output then at the job's EMF, at that frequency [V].
    """

    contacts: str
    rise_db: float
    frequency_hz: float
    between: tuple[str, str]
    poles: tuple[str, ...]
    level_v: float


@dataclass(frozen=True, slots=True)
class BleedEffect(Result):
    """What a bleed resistor across the output does in one position of the switch.

    Attributes
    ----------
    position : str
        Its name.
    level_db : float
        Change of the level at 1 kHz [dB].
    centred_db : float
        Centred error with it [dB].
    """

    position: str
    level_db: float
    centred_db: float


def _touching(box: Box, throw: int) -> dict[str, tuple[SwitchContact, ...]]:
    """What each wiper touches in one position of the switch."""
    name = box.names[throw]
    return {c.ref: (c,) for c in box.switch.contacts if c.position == name}


def contact_effects(box: Box) -> tuple[ContactEffect, ...]:
    """Compute what contact resistance and stray capacitance do in every position.

    Parameters
    ----------
    box : Box
        The box; the job says how large they are.

    Returns
    -------
    tuple of ContactEffect
        In the order of the switch.
    """
    effects = []
    request = box.job.switch
    for throw, design in enumerate(box.designs):
        states = {ref: wiper_state(touched) for ref, touched in _touching(box, throw).items()}
        real = built_network(
            box,
            states,
            contact_resistance=request.contact_resistance,
            stray_capacitance=request.stray_capacitance,
            position=box.names[throw],
        )
        assert real is not None
        conditions = design.conditions
        frequency = log_frequencies(conditions.band_hz, points_per_decade=40)
        change = _gain_db(real, conditions, frequency) - _gain_db(
            design.network, conditions, frequency
        )
        ideal = reference_gain(design.network, loading=conditions.loading)
        level = DB_PER_NEPER * np.log(reference_gain(real, loading=conditions.loading) / ideal)
        effects.append(
            ContactEffect(
                box.names[throw],
                float(level),
                error_range(real, conditions).centred_db,
                float(np.ptp(change) / 2.0),
            )
        )
    return tuple(effects)


def _gain_db(network: Network | None, conditions: Conditions, frequency: Floats) -> Floats:
    """|H| [dB]; a network that lets nothing through is very far down."""
    if network is None:
        return np.full(len(frequency), DB_PER_NEPER * np.log(_SILENT))
    gain = np.abs(transfer(network, frequency, loading=conditions.loading))
    return np.asarray(DB_PER_NEPER * np.log(np.maximum(gain, _SILENT)))


def passing(box: Box, contacts: str, *, bleed_resistance: float | None = None) -> Passing:
    """Find the loudest moment between two throws.

    Parameters
    ----------
    box : Box
        The box.
    contacts : str
        ``break-before-make`` or ``make-before-break``.
    bleed_resistance : float, optional
        A resistor across the output that is never switched [ohm].

    Returns
    -------
    Passing
        Over the band, all neighbouring positions, and all ways in which some poles move first.
    """
    conditions = box.designs[0].conditions
    if bleed_resistance is not None:
        conditions = replace(conditions, loading=_bled(conditions.loading, bleed_resistance))
    frequency = log_frequencies(conditions.band_hz, points_per_decade=_POINTS_PER_DECADE)
    if not box.switch.switched:
        level = conditions.source_level_v * reference_gain(
            box.designs[0].network, loading=conditions.loading
        )
        return Passing(
            contacts, 0.0, REFERENCE_FREQUENCY_HZ, (box.names[0], box.names[1]), (), level
        )
    at_rest = [_gain_db(design.network, design.conditions, frequency) for design in box.designs]
    loudest: Passing | None = None
    for throw in range(len(box.designs) - 1):
        allowed = np.maximum(at_rest[throw], at_rest[throw + 1])
        for moving, states in _moments(box, throw, contacts):
            gain = _gain_db(built_network(box, states), conditions, frequency)
            worst = int(np.argmax(gain - allowed))
            rise = float(gain[worst] - allowed[worst])
            if loudest is None or rise > loudest.rise_db:
                level = conditions.source_level_v * 10.0 ** (float(gain[worst]) / 20.0)
                between = (box.names[throw], box.names[throw + 1])
                loudest = Passing(
                    contacts, rise, float(frequency[worst]), between, moving, float(level)
                )
    assert loudest is not None
    return loudest


def _moments(
    box: Box, throw: int, contacts: str
) -> Iterator[tuple[tuple[str, ...], dict[str, tuple[str, float]]]]:
    """Which poles are on their way, and what every wiper is then joined to."""
    here, there = _touching(box, throw), _touching(box, throw + 1)
    poles = box.switch.switched
    sizes = range(1, len(poles) + 1) if len(poles) <= _MOST_POLES else (1, len(poles))
    for size in sizes:
        for moving in combinations(poles, size):
            for resting in (here, there):
                states = {}
                for ref in poles:
                    if ref not in moving:
                        states[ref] = wiper_state(resting[ref])
                    elif contacts == "break-before-make":
                        states[ref] = ("open", 0.0)
                    else:
                        states[ref] = wiper_state((*here[ref], *there[ref]))
                yield moving, states


def _bled(loading: Loading, resistance: float) -> Loading:
    """The load with a resistor across it."""
    load = loading.load_resistance
    return replace(loading, load_resistance=load * resistance / (load + resistance))


def bleed_effects(box: Box, bleed_resistance: float) -> tuple[BleedEffect, ...]:
    """Compute what a bleed resistor across the output does in every position.

    Parameters
    ----------
    box : Box
        The box.
    bleed_resistance : float
        The resistor [ohm], above 0.

    Returns
    -------
    tuple of BleedEffect
        In the order of the switch.
    """
    effects = []
    for name, design in zip(box.names, box.designs, strict=True):
        plain = design.conditions
        bled = replace(plain, loading=_bled(plain.loading, bleed_resistance))
        before = reference_gain(design.network, loading=plain.loading)
        after = reference_gain(design.network, loading=bled.loading)
        effects.append(
            BleedEffect(
                name,
                float(DB_PER_NEPER * np.log(after / before)),
                error_range(design.network, bled).centred_db,
            )
        )
    return tuple(effects)
