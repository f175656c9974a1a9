"""Why curves cannot share one box: parts out of range, or no form that makes all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import FLAT
from antecurve.errors import UnattainableError
from antecurve.job import Job
from antecurve.networks.topology import Topology
from antecurve.quantities import format_quantity
from antecurve.switched.exact_tables import ExactTable, FormTables, exact_topology
from antecurve.switched.request import SwitchPosition
from antecurve.switched.throws import matching_networks
from antecurve.synthesis.sections import form_names
from antecurve.texts import counted

__all__ = ["beyond_range", "curves_apart", "out_of_range_refusal"]

Floats = NDArray[np.float64]
Ranges = Mapping[object, tuple[float, float]]

_FEW = 4  # forms: the names of more are longer than what is said of them
_NEAR_RANGE = 0.5  # ln: what the samples of impedance leave between them


def _beyond(table: ExactTable, ranges: Ranges) -> Floats:
    """By how much ln of exact values is beyond the candidates, shape (samples, elements)."""
    low, high = np.array([ranges[e.kind] for e in table.exact.elements]).T
    return np.asarray(np.maximum(table.logs - high, low - table.logs))


def beyond_range(tables: FormTables, ranges: Ranges) -> dict[str, float]:
    """Compute how far beyond the candidates the nearest exact values of each position are.

    Parameters
    ----------
    tables : FormTables
        Exact values of each position.
    ranges : mapping of ElementKind to tuple of float
        ln of the least and the largest candidate.

    Returns
    -------
    dict of str to float
        ln of the ratio by name of the position; 0 or less where they are in range.
    """
    return {t.name: float(_beyond(t, ranges).max(axis=1).min()) for t in tables.tables}


def out_of_range_refusal(form: str, tables: FormTables, ranges: Ranges) -> UnattainableError | None:
    """Say which positions need values that no candidate has, at any level and impedance.

    Parameters
    ----------
    form : str
        Name of the form.
    tables : FormTables
        Exact values of each position.
    ranges : mapping of ElementKind to tuple of float
        ln of the least and the largest candidate.

    Returns
    -------
    UnattainableError or None
        To be raised; ``None`` where every position is in range.
    """
    needed: list[str] = []
    held: dict[str, str] = {}
    for table in tables.tables:
        beyond = _beyond(table, ranges)
        least = int(np.argmin(beyond.max(axis=1)))
        worst = int(np.argmax(beyond[least]))
        if beyond[least, worst] <= _NEAR_RANGE:
            continue
        kind = table.exact.elements[worst].kind
        value = format_quantity(float(np.exp(table.logs[least, worst])), kind.unit)
        needed.append(f"position {table.name}: a {kind.value} of about {value} or further off")
        low, high = (format_quantity(float(np.exp(end)), kind.unit) for end in ranges[kind])
        held[kind.value] = f"{kind.value} positions hold {low} to {high}"
    if not needed:
        return None
    many = len(needed) > 1
    return UnattainableError(
        form,
        f"{', '.join(needed)} would be needed, and {', '.join(held.values())}",
        "widen the range of the parts, or give "
        + ("these curves boxes of their own" if many else "this curve a box of its own"),
    )


def curves_apart(
    forms: Sequence[str], positions: Sequence[tuple[SwitchPosition, Job]], lowest_pole_hz: float
) -> UnattainableError | None:
    """Say which curves have no form in common, though each of them has one.

    Parameters
    ----------
    forms : sequence of str
        Names of the forms.
    positions : sequence of tuple
        Each position with its job.
    lowest_pole_hz : float
        Lowest frequency [Hz] of an ultrasonic pole that the network may choose.

    Returns
    -------
    UnattainableError or None
        It names the fewest such curves; ``None`` where one has no form at all, or all share one.
    """
    made: dict[str, dict[str, Topology]] = {form: {} for form in forms}
    names = [p.name for p, _ in positions if p.curve.name != FLAT]
    for form in forms:
        for position, job in positions:
            if position.name not in names:
                continue
            try:
                made[form][position.name] = exact_topology(form, position, job, lowest_pole_hz)
            except UnattainableError:
                continue

    def common(chosen: Sequence[str]) -> list[str]:
        return [form for form in forms if _in_one_network(made[form], chosen)]

    if not all(common((name,)) for name in names):
        return None
    for count in range(2, len(names) + 1):
        for chosen in combinations(names, count):
            if not common(chosen):
                return _apart(forms, chosen, [common((name,)) for name in chosen])
    return None


def _in_one_network(topologies: Mapping[str, Topology], chosen: Sequence[str]) -> bool:
    """Whether the networks of some positions are what throws leave of the largest of them."""
    if not set(chosen) <= set(topologies):
        return False
    whole = max((topologies[name] for name in chosen), key=lambda t: len(t.elements))
    return all(matching_networks(whole, topologies[name]) for name in chosen)


def _apart(
    forms: Sequence[str], chosen: Sequence[str], alone: Sequence[Sequence[str]]
) -> UnattainableError:
    """The refusal of two curves, or of more of which any fewer could share a box."""
    listed = f"{', '.join(chosen[:-1])} and {chosen[-1]}"
    each = ", ".join(
        f"{name} is made by {_some(of, ' or ')}" for name, of in zip(chosen, alone, strict=True)
    )
    together = "no form makes both in one network"
    if len(chosen) > 2:
        fewer = "each two" if len(chosen) == 3 else f"any {len(chosen) - 1} of them"
        together = f"{fewer} share a form, but none makes all {len(chosen)} in one network"
    each_by_itself = [form for form in forms if all(form in of for of in alone)]
    if each_by_itself:
        apart = f"{_some(each_by_itself, ' and ')} {'make' if len(each_by_itself) > 1 else 'makes'}"
        together += f"; {apart} each of them, in networks that no throws turn into one another"
    others = ", or allow other forms" if set(form_names()) - set(forms) else ""
    return UnattainableError(
        _some(forms, ", "),
        f"{listed} cannot share a box: {together}; {each}",
        f"give one of them a box of its own{others}",
    )


def _some(forms: Sequence[str], between: str) -> str:
    """Name forms, or count them where they are many."""
    return between.join(forms) if len(forms) <= _FEW else counted(len(forms), "form")
