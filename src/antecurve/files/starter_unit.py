"""The commented circuit of a unit that ``antecurve job --unit`` writes."""

from __future__ import annotations

from antecurve.diagnose.arrangements import Arrangement, arrangement
from antecurve.networks.topology import ElementKind
from antecurve.quantities import format_quantity

__all__ = ["starter_unit"]

_HEAD = """\
# The circuit of a unit, for antecurve diagnose. Quantities are as in a job. The nodes "in", "out"
# and "0" are the unit's input, its output and the common return; others have names of your own.

title = "Unit under test"
curve = "disc"                   # what it is to play; or a section [curve] as in a job

# A common arrangement, which needs values only:
#   "passive"              equaliser in one section between two stages: R1, R2, C1, C2, C3, R3
#   "passive split"        in two sections between three: R1, C1, R2, R3, C2, C3, R4
#   "feedback"             non-inverting: R1 C1, R2 C2 in the feedback, R3 C3 to ground, C4, R4
#   "feedback inverting"   the same behind a buffer: R1 C1, R2 C2, R3 C3, C4, R4
#   "valve stages"         valves or transistors with output resistance and Miller's capacitance
arrangement = "ARRANGEMENT"

[input]                          # what the unit loads the network with
resistance = "47k"
capacitance = "150p"             # with the cable
tolerance = "2 %"

"""
_OWN = """\
# A circuit of your own has elements in place of arrangement and values:
# [elements]
# R1 = { nodes = ["a", "b"], value = "47k", tolerance = "1 %" }
# C1 = { nodes = ["b", "0"], value = "10n", tolerance = "2.5 %" }
# [[block]]                      # an amplifier against "0": a valve, a transistor, a whole stage
# name = "A1"
# input = "in"
# output = "a"
# gain = 30                      # without load; negative where it inverts
# output_resistance = "1k"
# input_resistance = "1M"        # these three may be left out
# input_capacitance = "100p"     # Miller's included
# corner = "500 kHz"
# tolerance = "20 %"             # of gain, output resistance and input capacitance in a good one
# [[opamp]]
# name = "U1"
# plus = "in"
# minus = "f"
# output = "out"
"""


_COUPLING_F = 50e-9  # larger capacitors couple, and are bought to 10 %


def starter_unit(name: str = "feedback") -> str:
    """Write the text of the starter circuit.

    Parameters
    ----------
    name : str, optional
        Of the arrangement that it is of.

    Returns
    -------
    str
        TOML; read back it plays the disc curve.

    Raises
    ------
    InputError
        When there is no arrangement of the name.
    """
    arranged = arrangement(name)
    lines = [
        "[values]                         # without tolerance: resistors 1 %, capacitors 2.5 %"
    ]
    lines += [_value(*part) for part in arranged.parts]
    return _HEAD.replace("ARRANGEMENT", name) + "\n".join([*lines, "", *_stages(arranged), _OWN])


def _value(ref: str, first: str, second: str, value: float) -> str:
    """A part as it stands among the values, with its nodes."""
    kind = ElementKind.CAPACITOR if ref.startswith("C") else ElementKind.RESISTOR
    text = f'"{_short(value, kind.unit)}"'
    if kind is ElementKind.CAPACITOR and value > _COUPLING_F:
        text = f'{{ value = {text}, tolerance = "10 %" }}'
    return f"{ref} = {text:<46}# {first} to {second}"


def _short(value: float, unit: str) -> str:
    """A value as in a list of parts, such as 4.7k."""
    return format_quantity(value, unit, digits=4).strip("ΩFHz").replace(" ", "").replace("µ", "u")


def _stages(arranged: Arrangement) -> list[str]:
    """Amplifiers with what may be changed of them."""
    lines = []
    for b in arranged.amplifiers:
        lines += ["[[block]]", f'name = "{b.name}"', f"gain = {b.gain:g}"]
        lines.append(f'output_resistance = "{_short(b.output_resistance, "ohm")}"')
        if b.input_capacitance is not None:
            lines.append(f'input_capacitance = "{_short(b.input_capacitance, "F")}"')
        lines += [f'tolerance = "{100 * b.tolerance:g} %"', ""]
    for s in arranged.operational_amplifiers:
        lines += ["[[opamp]]", f'name = "{s.name}"']
        if s.gain_bandwidth_hz is not None:
            lines.append(f'gain_bandwidth = "{format_quantity(s.gain_bandwidth_hz, "Hz")}"')
        lines.append("")
    return lines
