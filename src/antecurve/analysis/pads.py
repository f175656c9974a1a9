"""Resistive pads: at the generator, where they leave the shape alone, or at the unit.

The pad at the generator keeps the source resistance that the network was made for, so only the
level changes::

    generator Rg --[series]--+-- network        EMF ratio a = shunt/(Rg + series + shunt)
                             |                  resistance (Rg + series) || shunt = Rs
                          [shunt]               =>  series = Rs/a - Rg,  shunt = Rs/(1 - a)
                             |
    ground ------------------+--

The pad at the unit keeps the load resistance that the network was made for::

    network --[series]--+-- unit RL             voltage ratio a = shunt||RL/(series + shunt||RL)
                        |                       series + shunt||RL = nominal load
                     [shunt]                    =>  series = (1 - a) RN,  shunt||RL = a RN
                        |
    ground -------------+--
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.quantities import check_number, format_quantity
from antecurve.results import Result

__all__ = ["Pad", "generator_pad", "unit_pad"]

_MOST_DB = 200.0  # 1 V down to 0.1 nV, below the noise of any resistor over the audio band


@dataclass(frozen=True, slots=True)
class Pad(Result):
    """A series and a shunt resistor.

    Attributes
    ----------
    side : str
        End of the network that it stands at: ``generator`` or ``unit``.
    attenuation_db : float
        Attenuation [dB], above 0.
    series_ohm, shunt_ohm : float
        Exact values [ohm].
    """

    side: str
    attenuation_db: float
    series_ohm: float
    shunt_ohm: float


def _ratio(attenuation_db: float) -> float:
    check_number(attenuation_db, field="pad attenuation", unit="dB")
    if attenuation_db > _MOST_DB:
        rule = f"it must be at most {_MOST_DB:g} dB"
        raise InputError("pad attenuation", attenuation_db, rule)
    return float(10.0 ** (-attenuation_db / 20.0))


@checked
def generator_pad(
    *, attenuation_db: float, generator_resistance: float, source_resistance: float
) -> Pad:
    """Calculate the pad between generator and network that keeps the source resistance.

    Parameters
    ----------
    attenuation_db : float
        Attenuation of the EMF [dB], above 0.
    generator_resistance : float
        Resistance of the generator [ohm], 0 or greater.
    source_resistance : float
        Source resistance that the network was made for [ohm], above 0.

    Returns
    -------
    Pad
        The two resistors.

    Raises
    ------
    InputError
        When a value is out of range or the attenuation is too small for the generator.

    Examples
    --------
    >>> pad = generator_pad(attenuation_db=20, generator_resistance=50, source_resistance=50)
    >>> round(pad.series_ohm, 1), round(pad.shunt_ohm, 2)
    (450.0, 55.56)
    """
    ratio = _ratio(attenuation_db)
    if not (math.isfinite(source_resistance) and source_resistance > 0):
        raise InputError(
            "source resistance",
            source_resistance,
            "a pad has a source resistance above 0 ohm; make the network for 50 ohm, say",
        )
    check_number(generator_resistance, field="generator", zero=True)
    series = source_resistance / ratio - generator_resistance
    if series < 0:
        least = 20.0 * math.log10(generator_resistance / source_resistance)
        raise InputError(
            "pad attenuation",
            attenuation_db,
            f"between a generator of {format_quantity(generator_resistance, 'ohm')} and a network "
            f"made for {format_quantity(source_resistance, 'ohm')} it must be at least "
            f"{least:.2f} dB",
        )
    return Pad("generator", attenuation_db, series, source_resistance / (1.0 - ratio))


@checked
def unit_pad(*, attenuation_db: float, unit_resistance: float, load_resistance: float) -> Pad:
    """Calculate the pad between network and unit that keeps the load resistance.

    Parameters
    ----------
    attenuation_db : float
        Attenuation of the voltage [dB], above 0.
    unit_resistance : float
        Input resistance of the unit [ohm], above 0.
    load_resistance : float
        Load resistance that the network was made for [ohm], above 0.

    Returns
    -------
    Pad
        The two resistors.

    Raises
    ------
    InputError
        When a value is out of range or the unit's input is too low for the attenuation.

    Notes
    -----
    Capacitance of cable and input behind the pad lies across its low resistance and no longer
    loads the network: analyse the network with no load capacitance then.
    """
    ratio = _ratio(attenuation_db)
    for name, value in (("unit", unit_resistance), ("load resistance", load_resistance)):
        if not (math.isfinite(value) and value > 0):
            raise InputError(name, value, "it must be finite and above 0 ohm")
    parallel = ratio * load_resistance
    if parallel >= unit_resistance:
        least = 20.0 * math.log10(load_resistance / unit_resistance)
        raise InputError(
            "pad attenuation",
            attenuation_db,
            f"a pad of {format_quantity(load_resistance, 'ohm')} before an input of "
            f"{format_quantity(unit_resistance, 'ohm')} takes more than {least:.2f} dB; put the "
            "pad at the generator",
        )
    shunt = 1.0 / (1.0 / parallel - 1.0 / unit_resistance)
    return Pad("unit", attenuation_db, (1.0 - ratio) * load_resistance, shunt)
