"""Notes for whoever builds the network: common practice, no source."""

from __future__ import annotations

__all__ = ["PRACTICAL_NOTES"]

PRACTICAL_NOTES = (
    "Film (polypropylene, polystyrene) or class 1 ceramic (C0G) capacitors only: class 2 ceramic "
    "changes its value with voltage and temperature.",
    "House the network in a metal box. Join that to ground at one point only, at the connector "
    "of the unit.",
    "Keep input and output wiring apart: stray capacitance across the whole network lifts the "
    "treble.",
    "Use the shortest cable that reaches: its capacitance is part of the load.",
    "With both channels on one generator each network sees twice the generator's resistance.",
)
"""Practical notes."""
