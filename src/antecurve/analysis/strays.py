"""Stray capacitance: what a few picofarads across any two nodes do to the error."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.centred_error import error_range, reference_gain
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.topology import Element, ElementKind, Network, Topology
from antecurve.quantities import check_number
from antecurve.results import Result

if TYPE_CHECKING:
    import pandas

__all__ = ["STRAYS_F", "Stray", "StrayTable", "stray_table", "with_stray"]

STRAYS_F = (2e-12, 5e-12, 10e-12)
"""Stray capacitances met on a hand-wired board [F] (common practice, no source)."""

_STRAY_REF = "CSTRAY"


@dataclass(frozen=True, slots=True)
class Stray(Result):
    """One stray capacitance and what it does.

    Attributes
    ----------
    nodes : tuple of str
        The two nodes it lies across.
    across : tuple of str
        References of the elements between these nodes; empty where there is none.
    capacitance_f : float
        Its value [F].
    level_shift_db : float
        Change of level at 1 kHz [dB].
    error_centred_db : float
        Centred error with it, against the job's curve [dB].
    growth_db : float
        Growth of the centred error [dB]; negative where the stray helps.
    """

    nodes: tuple[str, str]
    across: tuple[str, ...]
    capacitance_f: float
    level_shift_db: float
    error_centred_db: float
    growth_db: float


@dataclass(frozen=True, slots=True)
class StrayTable(Result):
    """Strays across every pair of nodes.

    Attributes
    ----------
    rows : tuple of Stray
        Largest growth first.
    """

    rows: tuple[Stray, ...]

    def to_frame(self) -> pandas.DataFrame:
        """Tabulate the strays.

        Returns
        -------
        pandas.DataFrame
            One row a stray.
        """
        import pandas

        return pandas.DataFrame(
            [
                {
                    "nodes": " ".join(row.nodes),
                    "across": " ".join(row.across),
                    "capacitance_f": row.capacitance_f,
                    "level_shift_db": row.level_shift_db,
                    "error_centred_db": row.error_centred_db,
                    "growth_db": row.growth_db,
                }
                for row in self.rows
            ]
        )


def with_stray(network: Network, *, nodes: tuple[str, str], capacitance_f: float) -> Network:
    """Add a stray capacitance between two nodes of a network.

    Parameters
    ----------
    network : Network
        The network.
    nodes : tuple of str
        Two different nodes of the network.
    capacitance_f : float
        Stray [F], above 0.

    Returns
    -------
    Network
        One element more, at the end.

    Raises
    ------
    InputError
        When a node is not in the network or the capacitance is not above 0.
    """
    known = _nodes(network.topology)
    if nodes[0] == nodes[1] or not set(nodes) <= set(known):
        raise InputError("stray", nodes, f"name two different nodes of {', '.join(known)}")
    check_number(capacitance_f, field="stray", unit="F")
    topology = Topology(
        network.topology.form,
        (*network.topology.elements, Element(_STRAY_REF, ElementKind.CAPACITOR, nodes)),
        network.topology.output,
    )
    return Network(topology, np.append(network.values, capacitance_f))


def _nodes(topology: Topology) -> tuple[str, ...]:
    nodes = dict.fromkeys(node for element in topology.elements for node in element.nodes)
    return (*(node for node in nodes if node != "0"), "0")


@checked
def stray_table(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    strays_f: Sequence[float] = STRAYS_F,
) -> StrayTable:
    """Work out what strays across every element and from every node to every other do.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    strays_f : sequence of float, optional
        Stray capacitances [F], above 0.

    Returns
    -------
    StrayTable
        One row for each pair of nodes and each stray, one stray at a time.

    Raises
    ------
    InputError
        When a stray is not above 0, or the band is out of range.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    loading = conditions.loading
    nominal = error_range(network, conditions).centred_db
    gain = reference_gain(network, loading=loading)
    rows = []
    for nodes in itertools.combinations(_nodes(network.topology), 2):
        across = tuple(e.ref for e in network.topology.elements if set(e.nodes) == set(nodes))
        for capacitance in strays_f:
            there = with_stray(network, nodes=nodes, capacitance_f=capacitance)
            centred = error_range(there, conditions).centred_db
            shift = 20.0 * math.log10(reference_gain(there, loading=loading) / gain)
            rows.append(Stray(nodes, across, capacitance, shift, centred, centred - nominal))
    # Those of a balanced network's two halves differ by rounding alone: they keep their order.
    return StrayTable(tuple(sorted(rows, key=lambda row: -round(row.growth_db, 9))))
