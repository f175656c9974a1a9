"""Foster's first form: R_inf and parallel RC pairs in series, with a shunt resistor.

::

    in --[R1 || C1]--[R2 || C2]--[R3]--+-- out
                                       |
                                      [R4]
                                       |
    0  --------------------------------+-- 0

One pair per zero of the curve; a zero at the origin is a series capacitor.  R3 = R_inf is left
out when it is 0.
"""

from __future__ import annotations

from antecurve.networks.topology import Element, ElementKind, Network, Topology, network_with_values
from antecurve.synthesis.impedance import RcImpedance

__all__ = ["build"]


def build(impedance: RcImpedance, *, shunt_resistance: float, form: str = "foster-1") -> Network:
    """Return the network of Foster's first form for a series arm and a shunt resistor.

    Parameters
    ----------
    impedance : RcImpedance
        The series arm.
    shunt_resistance : float
        The resistor across the output [ohm].
    form : str, optional
        Name to give to the form.

    Returns
    -------
    Network
        Elements R1, C1, R2, C2, ... in series order, then R_inf and the shunt resistor.
    """
    elements: list[Element] = []
    values: list[float] = []
    node, pair = "in", 0
    blocks = [(None, 1.0 / impedance.elastance_at_origin)] if impedance.elastance_at_origin else []
    blocks += [(r, t / r) for r, t in impedance.branches]  # type: ignore[misc]
    last = len(blocks) if impedance.resistance_at_infinity else len(blocks) - 1
    resistors = 0
    for index, (resistance, capacitance) in enumerate(blocks):
        pair += 1
        onward = "out" if index == last else f"n{pair}"
        if resistance is not None:
            resistors += 1
            elements.append(Element(f"R{resistors}", ElementKind.RESISTOR, (node, onward)))
            values.append(resistance)
        elements.append(Element(f"C{pair}", ElementKind.CAPACITOR, (node, onward)))
        values.append(capacitance)
        node = onward
    if impedance.resistance_at_infinity:
        resistors += 1
        elements.append(Element(f"R{resistors}", ElementKind.RESISTOR, (node, "out")))
        values.append(impedance.resistance_at_infinity)
    elements.append(Element(f"R{resistors + 1}", ElementKind.RESISTOR, ("out", "0")))
    values.append(shunt_resistance)
    return network_with_values(Topology(form, tuple(elements)), values)
