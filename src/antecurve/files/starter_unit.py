"""The commented circuit of a unit that ``antecurve job --unit`` writes."""

from __future__ import annotations

__all__ = ["starter_unit"]

_TEXT = """\
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
arrangement = "feedback"

[input]                          # what the unit loads the network with
resistance = "47k"
capacitance = "150p"             # with the cable
tolerance = "2 %"

[values]                         # what is left out is as in antecurve's own example
R1 = "453k"                      # 1 % for resistors, 2.5 % for capacitors
C1 = { value = "7.02n", tolerance = "1 %" }
R2 = "38.3k"
C2 = { value = "1.96n", tolerance = "1 %" }
R3 = "1k"
C3 = { value = "100u", tolerance = "20 %" }
C4 = { value = "1u", tolerance = "10 %" }
R4 = "220k"

[[opamp]]
name = "U1"
gain_bandwidth = "10 MHz"        # left out of a circuit of your own: ideal

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


def starter_unit() -> str:
    """Write the text of the starter circuit.

    Returns
    -------
    str
        TOML; read back it is a feedback stage for the disc curve.
    """
    return _TEXT
