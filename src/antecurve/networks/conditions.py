"""The conditions a network works under: curve, generator, unit and band."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol, TypeAlias, runtime_checkable

from antecurve.checked import checked
from antecurve.curves.catalogue import curve_label
from antecurve.curves.model import Curve
from antecurve.errors import InputError
from antecurve.networks.topology import Loading, Network
from antecurve.quantities import LEVELS, check_error_band, check_tolerance

__all__ = [
    "AUDIO_BAND_HZ",
    "AnyNetwork",
    "Conditions",
    "Designed",
    "HasNetwork",
    "LoadingTolerance",
    "conditions_of",
    "network_of",
]

AUDIO_BAND_HZ = (20.0, 20e3)
"""The audio band [Hz] (IEC 60098 gives its tables over it)."""


@checked
@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What a network has to do, and between what.

    Attributes
    ----------
    curve : Curve
        The curve to impose, limits included.
    loading : Loading
        Generator and unit.
    band_hz : tuple of float
        Low and high end [Hz] of the band in which errors count, within `BANDS`.
    source_level_v : float
        Level of the generator's EMF, open circuit, at 1 kHz [V rms], above 0.
    unit_curve : Curve or None
        The curve that the unit is set to; ``None`` for the one that the network imposes.

    Raises
    ------
    InputError
        When a value is of the wrong kind or out of range.
    """

    curve: Curve
    loading: Loading
    band_hz: tuple[float, float] = AUDIO_BAND_HZ
    source_level_v: float = 0.5
    unit_curve: Curve | None = None

    def __post_init__(self) -> None:
        check_error_band(self.band_hz, field="Conditions.band_hz")
        LEVELS.widened.check(self.source_level_v, field="Conditions.source_level_v")

    @property
    def set_to(self) -> str:
        """The curve that the unit is set to, in words; empty for that of the network."""
        return "" if self.unit_curve is None else curve_label(self.unit_curve.name)

    @property
    def playback_curve(self) -> Curve:
        """The curve whose inverse is ideal playback of the unit.

        Ultrasonic poles are those of what goes into the unit, whatever its setting.
        """
        if self.unit_curve is None:
            return self.curve
        return replace(self.unit_curve, ultrasonic_poles_s=self.curve.ultrasonic_poles_s)


@checked
@dataclass(frozen=True, slots=True)
class LoadingTolerance:
    """Tolerance of source and load, as fractions, each 0 or greater.

    Attributes
    ----------
    source_resistance, load_resistance, load_capacitance : float
        Equally likely anywhere within; relative [ohm/ohm, F/F].
    """

    source_resistance: float = 0.0
    load_resistance: float = 0.0
    load_capacitance: float = 0.0

    def __post_init__(self) -> None:
        for name in self.__slots__:
            check_tolerance(getattr(self, name), field=f"loading tolerance, {name}")


@runtime_checkable
class HasNetwork(Protocol):
    """What holds a network, such as a `PickedNetwork`."""

    @property
    def network(self) -> Network:
        """The network with its values."""


@runtime_checkable
class Designed(HasNetwork, Protocol):
    """A network together with the conditions it was made for, such as a `Design`."""

    @property
    def conditions(self) -> Conditions:
        """What it was made for."""


AnyNetwork: TypeAlias = HasNetwork | Network
"""A design, or a network with or without parts."""


def conditions_of(subject: object, conditions: Conditions | None) -> Conditions:
    """Choose the conditions to analyse under: those given, or those of a design.

    Parameters
    ----------
    subject : object
        What is analysed: a design, or a network by itself.
    conditions : Conditions or None
        The conditions; ``None`` for those of the design.

    Returns
    -------
    Conditions
        The conditions.

    Raises
    ------
    InputError
        When a network by itself comes without conditions.
    """
    if conditions is not None:
        return conditions
    if isinstance(subject, Designed):
        return subject.conditions
    raise InputError(
        "conditions",
        None,
        f"a {type(subject).__name__} by itself needs conditions; give Conditions(curve=..., "
        "loading=...), or a design in its place",
    )


def network_of(subject: AnyNetwork) -> Network:
    """Take the network of a design, or the network itself.

    Parameters
    ----------
    subject : HasNetwork or Network
        A design, a picked network or a network.

    Returns
    -------
    Network
        The network with its values.

    Raises
    ------
    InputError
        When it is none of these.
    """
    if isinstance(subject, Network):
        return subject
    network = getattr(subject, "network", None)
    if isinstance(network, Network):
        return network
    raise InputError("design", subject, "it must be a Design, a PickedNetwork or a Network")
