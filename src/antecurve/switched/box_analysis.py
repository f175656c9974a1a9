"""What a box will do beyond its single positions: contacts, passing between throws, spread."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from antecurve.quantities import format_quantity
from antecurve.results import Result
from antecurve.switched.box import Box
from antecurve.switched.common_spread import CommonSpread, common_spread
from antecurve.switched.contacts import (
    BleedEffect,
    ContactEffect,
    Passing,
    bleed_effects,
    contact_effects,
    passing,
)
from antecurve.switched.request import CONTACTS

__all__ = ["BoxAnalysis", "analyse_box", "with_builds"]

_LOUD_DB = 6.0  # twice the level while switching: startling, and beyond the plan of levels
_LEAST_BLEED_RATIO = 0.5  # a smaller one would be the shunt arm itself
_HALVINGS = 7  # of the logarithm of a ratio of 200: to 4 %
_BLEED_RATIO = 100.0
"""Bleed resistance over the largest output resistance: it then costs less than 0.1 dB of level."""


@dataclass(frozen=True, slots=True)
class BoxAnalysis(Result):
    """What a box will do.

    Attributes
    ----------
    contacts : tuple of ContactEffect
        What contact resistance and stray capacitance do in every position.
    passing : tuple of Passing
        The loudest moment between throws, for either kind of contacts.
    bleed_ohm : float
        Bleed resistor looked at [ohm]: the job's, or a hundred times the output resistance.
    bled : tuple of Passing
        The loudest moment with that resistor across the output.
    bleed : tuple of BleedEffect
        What the resistor does to every position.
    advice : str
        Which contacts to take, in a sentence.
    spread : CommonSpread
        The spread of whole boxes.
    """

    contacts: tuple[ContactEffect, ...]
    passing: tuple[Passing, ...]
    bleed_ohm: float
    bled: tuple[Passing, ...]
    bleed: tuple[BleedEffect, ...]
    advice: str
    spread: CommonSpread


def analyse_box(box: Box) -> BoxAnalysis:
    """Work out what a box will do.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    BoxAnalysis
        Contacts, passing between throws, spread.
    """
    with ThreadPoolExecutor() as pool:  # the arithmetic of the builds runs side by side
        analyses = list(pool.map(lambda design: design.analysis, box.designs))
    moments = tuple(passing(box, kind) for kind in CONTACTS)
    output = max(analysis.level.output_resistance_ohm_at_1khz for analysis in analyses)
    bleed = box.job.switch.bleed_resistance or _bleed(box, output, loud=moments[0].rise_db)
    bled = tuple(passing(box, kind, bleed_resistance=bleed) for kind in CONTACTS)
    return BoxAnalysis(
        contact_effects(box),
        moments,
        bleed,
        bled,
        bleed_effects(box, bleed),
        _advice(moments, bled, bleed),
        common_spread(box),
    )


def with_builds(box: Box, builds: int) -> Box:
    """Take another number of builds for the spread.

    Parameters
    ----------
    box : Box
        The box.
    builds : int
        Number of builds of each position and of the box, 100 or greater.

    Returns
    -------
    Box
        The same box, analysed by so many builds.
    """
    job = replace(box.job.common, spread=replace(box.job.common.spread, builds=builds))
    designs = tuple(
        replace(design, job=replace(design.job, spread=job.spread)) for design in box.designs
    )
    return replace(box, job=replace(box.job, common=job), designs=designs)


def _bleed(box: Box, output_ohm: float, *, loud: float) -> float:
    """The largest bleed resistor that keeps break-before-make contacts from being loud [ohm].

    A hundred times the output resistance where they are not; the smallest looked at where even
    that does not help.
    """
    high = _BLEED_RATIO * output_ohm
    if loud <= _LOUD_DB:
        return high
    low = _LEAST_BLEED_RATIO * output_ohm
    for _ in range(_HALVINGS):
        middle = float(np.sqrt(low * high))
        quiet = passing(box, CONTACTS[0], bleed_resistance=middle).rise_db <= _LOUD_DB
        low, high = (middle, high) if quiet else (low, middle)
    return low


def _advice(moments: tuple[Passing, ...], bled: tuple[Passing, ...], bleed_ohm: float) -> str:
    """Which contacts to take."""
    quiet = min(moments, key=lambda p: p.rise_db)
    breaking = moments[0]
    if breaking.rise_db <= _LOUD_DB:
        return (
            "break-before-make contacts will do: between throws the unit never sees an open input "
            "at full level"
        )
    if quiet.rise_db <= _LOUD_DB:
        return f"take {quiet.contacts} contacts: break-before-make ones leave the unit's input open"
    if bled[0].rise_db <= _LOUD_DB:
        return (
            f"fit a bleed resistor of {format_quantity(bleed_ohm, 'ohm', digits=2)} across the "
            "output where no throw opens it, or take make-before-break contacts"
        )
    return f"turn the unit down before switching; {quiet.contacts} contacts are the quieter ones"
