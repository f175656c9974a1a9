"""The ``job`` and ``network`` objects of ``design.json``, read back from plain data."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from antecurve.curves.model import Curve
from antecurve.errors import InputError
from antecurve.job import Grade, Job, NetworkRequest, PickRequest, SpreadRequest, Stock, Target
from antecurve.networks.topology import Element, ElementKind, Loading, Topology, check_names
from antecurve.parts.position import Part, PickedNetwork, Position
from antecurve.quantities import check_tolerance

__all__ = ["job_from", "network_from"]


def job_from(content: Mapping[str, Any]) -> Job:
    """Read a job from the plain data of a `Job`.

    Parameters
    ----------
    content : mapping
        The ``job`` object.

    Returns
    -------
    Job
        The job.

    Raises
    ------
    InputError
        When a value can't be used.
    KeyError, TypeError, ValueError
        When the data has another shape.
    """
    network = dict(content["network"])
    network["forms"] = tuple(network["forms"])
    if network.get("elements") is not None:
        network["elements"] = tuple(_element(e) for e in network["elements"])
    return Job(
        title=str(content["title"]),
        curve=_curve(content["curve"]),
        loading=Loading(
            content["source"]["resistance_ohm"],
            content["load"]["resistance_ohm"],
            content["load"]["capacitance_f"],
        ),
        source_level_v=content["source"]["level_v"],
        target=_plain(Target, content["target"]),
        network=_plain(NetworkRequest, network),
        resistors=_stock(content["resistors"]),
        capacitors=_stock(content["capacitors"]),
        spread=_plain(SpreadRequest, content["spread"]),
        pick=_plain(PickRequest, content.get("pick", {})),
    )


def _plain(cls: Any, content: Mapping[str, Any]) -> Any:
    return cls(**{k: tuple(v) if isinstance(v, list) else v for k, v in content.items()})


def _stock(content: Mapping[str, Any]) -> Stock:
    grades = tuple(Grade(**g) for g in content.get("grades", ()))
    stock: Stock = _plain(Stock, {**content, "grades": grades})
    return stock


def _curve(content: Mapping[str, Any]) -> Curve:
    curve: Curve = _plain(Curve, content)
    return curve


def _element(content: Mapping[str, Any]) -> Element:
    first, second = content["nodes"]
    return Element(str(content["ref"]), ElementKind(content["kind"]), (str(first), str(second)))


def network_from(content: Mapping[str, Any]) -> PickedNetwork:
    """Read a picked network from the plain data of a `PickedNetwork`.

    Parameters
    ----------
    content : mapping
        The ``network`` object; ``output`` and ``part_details`` may be left out.

    Returns
    -------
    PickedNetwork
        The network.

    Raises
    ------
    InputError
        When a value can't be used.
    KeyError, TypeError, ValueError
        When the data has another shape.
    """
    positions = []
    for item in content["elements"]:
        tolerance = float(item["tolerance"])
        details = item.get("part_details") or [
            {"value": float(v), "tolerance": tolerance} for v in item["parts"]
        ]
        parts = tuple(Part(**d) for d in details)
        for part in parts:
            ElementKind(item["kind"]).values.check(part.value, field=f"network.{item['ref']}")
        if [p.value for p in parts] != [float(v) for v in item["parts"]]:
            raise InputError(
                f"network.{item['ref']}", item["parts"], "parts and part_details must agree"
            )
        for part in parts:
            check_tolerance(part.tolerance, field=f"network.{item['ref']}, tolerance")
        if max(part.tolerance for part in parts) != tolerance:
            raise InputError(
                f"network.{item['ref']}", tolerance, "it must be the largest of part_details"
            )
        exact = item.get("exact")
        if exact is not None:
            ElementKind(item["kind"]).values.check(
                float(exact), field=f"network.{item['ref']}, exact"
            )
        positions.append(
            Position(
                _element(item), parts, str(item["joined"]), None if exact is None else float(exact)
            )
        )
        value = float(item["value"])
        if abs(positions[-1].value - value) > 1e-9 * abs(value):
            raise InputError(
                f"network.{item['ref']}", value, "the value must be that of the joined parts"
            )
    plus, minus = content.get("output", ("out", "0"))
    topology = Topology(
        str(content["form"]), tuple(p.element for p in positions), (str(plus), str(minus))
    )
    check_names(topology.elements)
    return PickedNetwork(topology, tuple(positions))
