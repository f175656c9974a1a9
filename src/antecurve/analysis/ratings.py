"""Voltage and dissipation of every part at the largest input, and the ratings they ask for."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.partial_fractions import partial_fractions
from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.checked import checked
from antecurve.networks.compiled import transfer
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.poles_and_zeros import network_zero_pole_gain
from antecurve.networks.topology import Element, ElementKind, Loading, Network, Topology
from antecurve.quantities import LEVELS, check_number, format_quantity
from antecurve.results import Result

if TYPE_CHECKING:
    import pandas

__all__ = [
    "LARGEST_AMPLITUDE_V",
    "PartStress",
    "PartStresses",
    "largest_amplitude_v",
    "part_stresses",
]

LARGEST_AMPLITUDE_V = 10.0
"""Largest peak EMF of bench generators [V] (common practice, no source)."""

_POWERS_W = (0.25, 0.5, 1.0, 2.0, 5.0, 10.0)
_VOLTAGES_V = (50.0, 63.0, 100.0, 160.0, 250.0, 400.0, 630.0, 1000.0)
_MARGIN = 2.0  # parts are run at half their rating at most: the trade's rule of thumb
_VOLTMETER_OHM = 1e18  # draws no current beside any part that can be bought
# Hz: from DC to far beyond every corner of a network, 40 points a decade.
_WIDE = np.concatenate([[0.0], np.geomspace(1e-3, 1e10, 13 * 40 + 1)])


@dataclass(frozen=True, slots=True)
class PartStress(Result):
    """What one position has to stand.

    Attributes
    ----------
    ref : str
        Its reference.
    kind : ElementKind
        Resistor or capacitor.
    voltage_v : float
        Largest voltage across it for any EMF that stays within the amplitude [V].
    dissipation_w : float or None
        Largest dissipation for any periodic EMF within the amplitude [W]; ``None`` for a
        capacitor.
    rating : str
        The rating to buy: twice the stress or more (common practice, no source); where that is
        beyond the usual ratings, twice the stress and the words "or more".
    """

    ref: str
    kind: ElementKind
    voltage_v: float
    dissipation_w: float | None
    rating: str


@dataclass(frozen=True, slots=True)
class PartStresses(Result):
    """The positions of a network and what they have to stand.

    Attributes
    ----------
    amplitude_v : float
        Largest magnitude of the EMF [V].
    parts : tuple of PartStress
        In the order of the elements.
    """

    _keys: ClassVar = (
        "amplitude_v",
        "positions:records",
    )

    amplitude_v: float
    parts: tuple[PartStress, ...]

    @property
    def ratings(self) -> dict[str, str]:
        """Rating by reference, as `antecurve.analysis.parts_list.parts_list` takes it."""
        return {part.ref: part.rating for part in self.parts}

    def to_frame(self) -> pandas.DataFrame:
        """Return the stresses as a data frame.

        Returns
        -------
        pandas.DataFrame
            One row a position.
        """
        import pandas

        return pandas.DataFrame(
            [
                {
                    "ref": part.ref,
                    "kind": part.kind.value,
                    "voltage_v": part.voltage_v,
                    "dissipation_w": part.dissipation_w,
                    "rating": part.rating,
                }
                for part in self.parts
            ]
        )


def largest_amplitude_v(*, source_level_v: float) -> float:
    """Work out the EMF that the parts of a network have to stand.

    Parameters
    ----------
    source_level_v : float
        EMF of the job's sine wave [V rms], above 0.

    Returns
    -------
    float
        Its peak [V], or `LARGEST_AMPLITUDE_V` where that is more: a bench generator may be
        turned up to it.

    Raises
    ------
    InputError
        When the level is not above 0.

    Examples
    --------
    >>> largest_amplitude_v(source_level_v=0.5)
    10.0
    """
    check_number(source_level_v, field="source.level", unit="V")
    return max(LARGEST_AMPLITUDE_V, math.sqrt(2.0) * source_level_v)


@checked
def part_stresses(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    amplitude_v: float | None = None,
) -> PartStresses:
    """Work out voltage, dissipation and rating of every position.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    amplitude_v : float, optional
        Largest magnitude of the EMF [V], above 0; that of `largest_amplitude_v` by default.

    Returns
    -------
    PartStresses
        Bounds that hold for every waveform.

    Raises
    ------
    InputError
        When the amplitude is not above 0.

    Notes
    -----
    The largest voltage that a drive within +-A makes across an element is A times the integral
    of the magnitude of its impulse response, which is the total variation of its step response.
    The power of a periodic drive of rms V is at most V**2 max(abs(H))**2/R, and V is at most A:
    a slow square wave comes close to both bounds.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    loading = conditions.loading
    if amplitude_v is None:
        amplitude_v = largest_amplitude_v(source_level_v=conditions.source_level_v)
    LEVELS.widened.check(amplitude_v, field="amplitude")
    parts = []
    for element, value in zip(network.topology.elements, network.values, strict=True):
        seen = _seen_from(network, element, loading)
        lone = Loading(loading.source_resistance, _VOLTMETER_OHM, 0.0)
        voltage = amplitude_v * _variation(network_zero_pole_gain(seen, loading=lone))
        if element.kind is ElementKind.RESISTOR:
            gain = float(np.abs(transfer(seen, _WIDE, loading=lone)).max())
            power = (amplitude_v * gain) ** 2 / float(value)
            rating = _rating(power, _POWERS_W, "W")
            parts.append(PartStress(element.ref, element.kind, voltage, power, rating))
        else:
            rating = _rating(voltage, _VOLTAGES_V, "V")
            parts.append(PartStress(element.ref, element.kind, voltage, None, rating))
    return PartStresses(amplitude_v, tuple(parts))


def _rating(stress: float, ladder: tuple[float, ...], unit: str) -> str:
    for step in ladder:
        if step >= _MARGIN * stress:
            return f"{step:g} {unit}"
    return f"{format_quantity(_MARGIN * stress, unit)} or more"


def _seen_from(network: Network, element: Element, loading: Loading) -> Network:
    """The network with its load as elements, and the output across one of its elements."""
    topology = network.topology
    load = [Element("RLOAD", ElementKind.RESISTOR, topology.output)]
    values = [loading.load_resistance]
    if loading.load_capacitance:
        load.append(Element("CLOAD", ElementKind.CAPACITOR, topology.output))
        values.append(loading.load_capacitance)
    across = Topology(topology.form, (*topology.elements, *load), element.nodes)
    return Network(across, np.append(network.values, values))


def _variation(chain: ZeroPoleGain[complex]) -> float:
    """Total variation of the step response from rest."""
    fractions = partial_fractions(chain)
    if not len(fractions.poles):
        return abs(fractions.direct)
    sizes = np.abs(fractions.poles)
    times = np.geomspace(1e-3 / sizes.max(), 40.0 / sizes.min(), 4000)
    steps: NDArray[np.float64] = np.full(len(times) + 1, fractions.direct)
    for pole, residue in zip(fractions.poles, fractions.residues, strict=True):
        steps[1:] += (residue * np.expm1(pole * times) / pole).real
    return abs(fractions.direct) + float(np.abs(np.diff(steps)).sum())
