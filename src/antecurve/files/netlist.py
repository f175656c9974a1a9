"""``network.cir``: the network between source and load, as a circuit simulator runs it."""

from __future__ import annotations

from antecurve.networks.conditions import AUDIO_BAND_HZ
from antecurve.networks.topology import ElementKind, Loading, Network
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_references

__all__ = ["netlist"]

_POINTS_PER_DECADE = 40  # as many as response.csv has at least


def netlist(
    network: Network,
    *,
    loading: Loading,
    band_hz: tuple[float, float] = AUDIO_BAND_HZ,
    title: str = "",
    picked: PickedNetwork | None = None,
) -> str:
    """Write a network as a netlist that a general circuit simulator runs as it is.

    Parameters
    ----------
    network : Network
        The network; one card a position, joined parts as one value.
    loading : Loading
        Source and load, as cards RSOURCE, RLOAD and CLOAD, present even when zero.
    band_hz : tuple of float, optional
        Low and high end [Hz] of the analysis.
    title : str, optional
        Title for the first comment line.
    picked : PickedNetwork, optional
        The parts of the network: comments then name those that are joined, and how.

    Returns
    -------
    str
        Lines: comments, which begin with ``*``; the source; one element a line, ``REF NODE NODE
        VALUE``; the small-signal analysis and what it prints.  Numbers with full precision.

    Notes
    -----
    The EMF is 1 V, so that the printed levels are those of the response [dB].  Simulators replace
    0 ohm by some small resistance.  A source of 0 ohm is therefore bridged by VSHORT, 0 V, which
    is exact.  The voltage across the output is printed, also where neither node is ground.
    """
    topology = network.topology
    plain = " ".join(title.split())
    bridged = [] if loading.source_resistance else ["VSHORT drive in 0.0"]
    lines = [
        f"* {plain}",
        f"* form {topology.form}; ohm and farad; EMF between drive and 0",
        "VSOURCE drive 0 AC 1",
        f"RSOURCE drive in {loading.source_resistance!r}",
        *bridged,
    ]
    lines += [] if picked is None else _joined_parts(picked)
    for kind in (ElementKind.RESISTOR, ElementKind.CAPACITOR):
        lines += [
            f"{element.ref} {element.nodes[0]} {element.nodes[1]} {float(value)!r}"
            for element, value in zip(topology.elements, network.values, strict=True)
            if element.kind is kind
        ]
    plus, minus = topology.output
    across = plus if minus == "0" else f"{plus},{minus}"
    low_hz, high_hz = band_hz
    lines += [
        f"RLOAD {plus} {minus} {loading.load_resistance!r}",
        f"CLOAD {plus} {minus} {loading.load_capacitance!r}",
        "* small-signal analysis over the band; level [dB] and phase [rad] of the output",
        f".ac dec {_POINTS_PER_DECADE} {low_hz!r} {high_hz!r}",
        f".print ac vdb({across}) vp({across})",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def _joined_parts(picked: PickedNetwork) -> list[str]:
    """A comment for each position of several parts."""
    return [
        f"* {position.element.ref}: "
        + ", ".join(
            f"{ref} {part.value!r}"
            for ref, part in zip(part_references(position), position.parts, strict=True)
        )
        + f" in {position.joined}"
        for position in picked.positions
        if len(position.parts) > 1
    ]
