"""Voltage and dissipation of every part at the largest input, and the ratings they ask for.

The output of a network on the bench is loaded, left open or shorted by a slip: the ratings are for
the worst of the three.  A sine within the audio band asks for less than any waveform can; both are
given.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.partial_fractions import partial_fractions
from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.analysis.subject import picked_of
from antecurve.checked import checked
from antecurve.networks.compiled import input_impedance_coefficients, transfer
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.poles_and_zeros import network_zero_pole_gain
from antecurve.networks.topology import Element, ElementKind, Loading, Network, Topology
from antecurve.parts.scatter import part_references
from antecurve.quantities import LEVELS, check_number, format_quantity
from antecurve.results import Result

__all__ = [
    "LARGEST_AMPLITUDE_V",
    "LARGEST_CURRENT_A",
    "PartStress",
    "PartStresses",
    "largest_amplitude_v",
    "part_stresses",
]

LARGEST_AMPLITUDE_V = 10.0
"""Largest peak EMF of bench generators [V] (common practice, no source)."""

LARGEST_CURRENT_A = 0.2
"""Largest peak current of bench generators [A]: 10 V behind 50 ohm, shorted (common practice, no
source)."""

# Ratings that resistors and film capacitors are sold with, the smallest that suits is named.
_POWERS_W = (0.25, 0.5, 1.0, 2.0, 5.0, 10.0)
_VOLTAGES_V = (50.0, 63.0, 100.0, 160.0, 250.0, 400.0, 630.0, 1000.0)  # from 63 V: R5 of ISO 3
_MARGIN = 2.0  # parts are run at half their rating at most: the trade's rule of thumb
_SHORT_OHM = 0.01  # a short lead
_VOLTMETER_OHM = 1e18  # draws no current beside any part that can be bought
# Hz: from DC to far beyond every corner of a network, 40 points a decade.
_BAND_POINTS = 121  # over the band: 40 a decade from 20 Hz to 20 kHz
_WIDE = np.concatenate([[0.0], np.geomspace(1e-3, 1e10, 13 * 40 + 1)])


@dataclass(frozen=True, slots=True)
class PartStress(Result):
    """What one part has to stand.

    Attributes
    ----------
    ref : str
        Its reference: that of the position, with a letter where parts are joined, as in ``C1a``.
    kind : ElementKind
        Resistor or capacitor.
    voltage_v : float
        Largest voltage across it for any EMF that stays within the amplitude [V], whatever the
        output is connected to.
    dissipation_w : float or None
        Largest dissipation for any periodic EMF within the amplitude [W]; ``None`` for a
        capacitor.
    rating : str
        The rating to buy: twice the stress or more (common practice, no source); where that is
        beyond the usual ratings, twice the stress and the words "or more".
    worst_output : str
        Where the larger of the stresses comes from: ``loaded``, ``open`` or ``shorted``.
    band_voltage_v : float
        Largest peak voltage for sines within the band, of that amplitude [V].
    band_dissipation_w : float or None
        Largest dissipation for such sines [W]; ``None`` for a capacitor.
    """

    ref: str
    kind: ElementKind
    voltage_v: float
    dissipation_w: float | None
    rating: str
    worst_output: str = "loaded"
    band_voltage_v: float = math.nan
    band_dissipation_w: float | None = None

    @property
    def wanted_rating(self) -> float:
        """Twice the stress that the rating is for [W or V]."""
        stress = self.voltage_v if self.dissipation_w is None else self.dissipation_w
        return _MARGIN * stress


@dataclass(frozen=True, slots=True)
class PartStresses(Result):
    """The parts of a network and what they have to stand.

    Attributes
    ----------
    amplitude_v : float
        Largest magnitude of the EMF [V].
    parts : tuple of PartStress
        In the order of the elements; of a network without parts one an element.
    source_current_a : float
        Largest peak current that a sine of the amplitude draws, whatever its frequency and what
        the output is connected to [A].
    """

    _keys: ClassVar = (
        "amplitude_v",
        "source_current_a",
        "drivable",
        "positions:parts",
    )
    _rows: ClassVar = "parts"

    amplitude_v: float
    parts: tuple[PartStress, ...]
    source_current_a: float = 0.0

    @property
    def drivable(self) -> bool:
        """Whether a bench generator delivers the current."""
        return self.source_current_a <= LARGEST_CURRENT_A * (1.0 + 1e-9)

    @property
    def ratings(self) -> dict[str, str]:
        """Rating by reference, as `antecurve.analysis.parts_list.parts_list` takes it."""
        return {part.ref: part.rating for part in self.parts}


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
    """Work out voltage, dissipation and rating of every part.

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
    outputs = _outputs(network, loading)
    band = np.geomspace(*conditions.band_hz, _BAND_POINTS)
    source = loading.source_resistance
    parts = tuple(
        _stress(share, _across(share.element, outputs, source, band, amplitude_v))
        for share in _shares(design, network)
    )
    current = max(
        _largest_current(seen, loading.source_resistance, amplitude_v) for seen in outputs.values()
    )
    return PartStresses(amplitude_v, parts, current)


def _outputs(network: Network, loading: Loading) -> dict[str, Network]:
    """The network with its load, an open and a shorted output as elements of it."""
    topology = network.topology
    loads = {
        "loaded": [(ElementKind.RESISTOR, loading.load_resistance)]
        + [(ElementKind.CAPACITOR, loading.load_capacitance)] * (loading.load_capacitance > 0.0),
        "open": [],
        "shorted": [(ElementKind.RESISTOR, _SHORT_OHM)],
    }
    return {
        name: Network(
            Topology(
                topology.form,
                (
                    *topology.elements,
                    *(Element(f"{k.value[0].upper()}LOAD", k, topology.output) for k, _ in load),
                ),
                topology.output,
            ),
            np.append(network.values, [value for _, value in load]),
        )
        for name, load in loads.items()
    }


@dataclass(frozen=True, slots=True)
class _Share:
    """A part, its value [ohm or F], and its share of the voltage across its element."""

    ref: str
    element: Element
    value: float
    voltage: float


def _shares(design: AnyNetwork, network: Network) -> list[_Share]:
    """The parts of every element; in series the larger impedance takes the larger voltage."""
    elements = network.topology.elements
    if isinstance(design, Network):
        return [
            _Share(element.ref, element, float(value), 1.0)
            for element, value in zip(elements, network.values, strict=True)
        ]
    shares = []
    for position in picked_of(design).positions:
        resistor = position.element.kind is ElementKind.RESISTOR
        for ref, part in zip(part_references(position), position.parts, strict=True):
            of_series = part.value / position.value if resistor else position.value / part.value
            voltage = of_series if position.joined == "series" else 1.0
            shares.append(_Share(ref, position.element, part.value, voltage))
    return shares


@dataclass(frozen=True, slots=True)
class _Across:
    """Voltages across an element [V]: peak and rms by output, and peak of sines in the band."""

    peak_v: dict[str, float]
    rms_v: dict[str, float]
    band_v: float


def _across(
    element: Element,
    outputs: dict[str, Network],
    source_resistance: float,
    band_hz: NDArray[np.float64],
    amplitude_v: float,
) -> _Across:
    lone = Loading(source_resistance, _VOLTMETER_OHM, 0.0)
    peak, rms, in_band = {}, {}, 0.0
    for name, loaded in outputs.items():
        topology = loaded.topology
        across = Topology(topology.form, topology.elements, element.nodes)
        seen = Network(across, loaded.values)
        peak[name] = amplitude_v * _variation(network_zero_pole_gain(seen, loading=lone))
        rms[name] = amplitude_v * float(np.abs(transfer(seen, _WIDE, loading=lone)).max())
        in_band = max(in_band, float(np.abs(transfer(seen, band_hz, loading=lone)).max()))
    return _Across(peak, rms, amplitude_v * in_band)


def _stress(share: _Share, across: _Across) -> PartStress:
    resistor = share.element.kind is ElementKind.RESISTOR
    voltage = {name: share.voltage * peak for name, peak in across.peak_v.items()}
    power = {name: (share.voltage * rms) ** 2 / share.value for name, rms in across.rms_v.items()}
    stress = power if resistor else voltage
    # Loaded unless another is worse by more than rounding.
    worst = max(stress, key=lambda name: stress[name] * (1.0 + 1e-6 * (name == "loaded")))
    band_v = share.voltage * across.band_v
    return PartStress(
        share.ref,
        share.element.kind,
        max(voltage.values()),
        max(power.values()) if resistor else None,
        _rating(stress[worst], _POWERS_W, "W")
        if resistor
        else _rating(stress[worst], _VOLTAGES_V, "V"),
        worst,
        band_v,
        0.5 * band_v**2 / share.value if resistor else None,
    )


def _largest_current(loaded: Network, source_resistance: float, amplitude_v: float) -> float:
    """Largest peak current of a sine out of the source [A]."""
    coefficients = input_impedance_coefficients(
        loaded.topology, loaded.values, load_resistance=_VOLTMETER_OHM, load_capacitance=0.0
    )
    impedance = coefficients.response(_WIDE[1:])
    return amplitude_v / float(np.abs(source_resistance + impedance).min())


def _rating(stress: float, ladder: tuple[float, ...], unit: str) -> str:
    for step in ladder:
        if step >= _MARGIN * stress:
            return f"{step:g} {unit}"
    return f"{format_quantity(_MARGIN * stress, unit)} or more"


def _variation(chain: ZeroPoleGain[complex]) -> float:
    """Total variation of the step response from rest."""
    fractions = partial_fractions(chain)
    if not len(fractions.poles):
        return abs(fractions.direct)
    sizes = np.abs(fractions.poles)
    times = np.geomspace(1e-3 / sizes.max(), 40.0 / sizes.min(), 4000)
    steps: NDArray[np.float64] = np.full(len(times) + 1, fractions.direct)
    poles: NDArray[Any] = fractions.poles
    residues: NDArray[Any] = fractions.residues
    if not poles.imag.any() and not residues.imag.any():  # as a rule; real numbers are faster
        poles, residues = poles.real, residues.real
    for pole, residue in zip(poles, residues, strict=True):
        steps[1:] += (residue * np.expm1(pole * times) / pole).real
    return abs(fractions.direct) + float(np.abs(np.diff(steps)).sum())
