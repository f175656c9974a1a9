"""The usual cautions, as printed with every report (common practice, no source)."""

from __future__ import annotations

__all__ = ["CAUTIONS", "INSIDE_CAUTIONS", "MEASURING_CAUTIONS", "SOUND_CAUTIONS"]

CAUTIONS = (
    "A unit under test may carry mains voltage. The capacitors of a valve unit hold several "
    "hundred volts after switching off. Work inside only if you are qualified to, and follow "
    "your local codes.",
    "The network passes treble at full level by design. Take loudspeakers and headphones off, or "
    "turn the volume down, before a sweep or a square wave. It can destroy tweeters and hurt ears.",
    "Use film or C0G capacitors and metal film resistors, and keep the leads short. Put the "
    "network into a screened box and ground it at one point, at the unit's input.",
)
"""Cautions for the bench."""

SOUND_CAUTIONS = (
    "Before you play it: take loudspeakers and headphones off the unit, or turn the volume down. "
    "Square waves and treble behind the network can destroy tweeters and hurt ears.",
    "Begin with the output at its lowest and raise it while you watch the unit's output.",
)
"""Cautions before a signal is played."""

INSIDE_CAUTIONS = (
    CAUTIONS[0],
    "Before you measure or unsolder: switch the unit off, pull its mains plug and wait. Discharge "
    "its capacitors through a resistor, and check with a voltmeter that they are discharged.",
    "A capture at a node inside is taken with the unit on. Clip the probe on while the unit is "
    "off and discharged. It must stand the supply voltage. Then keep your hands out of the unit.",
)
"""Cautions wherever a measurement inside a unit is advised."""

MEASURING_CAUTIONS = (
    "Take headphones off, and loudspeakers off the unit and the interface. Square waves and "
    "treble at full level can destroy tweeters and hurt ears.",
    CAUTIONS[0],
    "Local codes, and people qualified for such work, overrule what is said here.",
    "Connect the unit's output last: what its coupling capacitor carries can destroy the "
    "interface's input.",
)
"""Cautions before the first sound of a measurement."""
