"""How far source and load may go before the error grows by a stated amount: solved."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from antecurve.algebra.bracketed_root import bracketed_root
from antecurve.checked import checked
from antecurve.networks.centred_error import CentredError, error_range
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.quantities import check_number
from antecurve.results import Result

__all__ = ["LoadingWindow", "Span", "loading_window"]

_STEPS = np.geomspace(1e-6, 1e6, 97)
"""Outward steps of the search for a bracket, relative to the scale of the value."""


@dataclass(frozen=True, slots=True)
class Span(Result):
    """The values one quantity may take.

    Attributes
    ----------
    low, high : float or None
        Ends [SI unit of the quantity]; ``None`` where it has no end.
    """

    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class LoadingWindow(Result):
    """The values that source and load may take, one at a time, the others nominal.

    Attributes
    ----------
    growth_db : float
        By how much the centred error may grow [dB].
    limit_db : float
        The centred error that is then reached [dB].
    source_ohm : Span
        Source resistance [ohm].
    load_ohm : Span
        Load resistance [ohm].
    load_f : Span
        Load capacitance [F].
    """

    growth_db: float
    limit_db: float
    source_ohm: Span
    load_ohm: Span
    load_f: Span


@checked
def loading_window(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    growth_db: float = 0.1,
) -> LoadingWindow:
    """Solve for the source and load at which the centred error has grown by a stated amount.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    growth_db : float, optional
        Growth of the centred error [dB], above 0.

    Returns
    -------
    LoadingWindow
        For each quantity the first crossing outwards from nominal, on either side.

    Raises
    ------
    InputError
        When the growth is not finite and above 0.

    Notes
    -----
    Outward steps (eight a decade, from a millionth of the quantity's scale) bracket the first
    crossing, Brent's method solves it to a relative 1e-12.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    loading = conditions.loading
    check_number(growth_db, field="growth", unit="dB")
    limit = error_range(network, conditions).centred_db + growth_db
    centred = CentredError(conditions.curve, band_hz=conditions.band_hz)
    scale_ohm = float(np.median([v for v in network.values if v > 1e-3] or [1e3]))
    scales = {
        "source_resistance": max(loading.source_resistance, scale_ohm),
        "load_resistance": loading.load_resistance,
        "load_capacitance": max(loading.load_capacitance, 1e-10),
    }

    def span(field: str) -> Span:
        def excess(value: float) -> float:
            there = replace(loading, **{field: value})
            error = error_range(network, replace(conditions, loading=there))
            return error.centred_db - limit

        def excesses(values: np.ndarray[Any, np.dtype[np.float64]]) -> Any:
            names = ("source_resistance", "load_resistance", "load_capacitance")
            there = {n: values if n == field else getattr(loading, n) for n in names}
            loaded = transfer_coefficients(network.topology, network.values, **there)
            return centred(loaded) - limit

        start, scale = float(getattr(loading, field)), scales[field]
        up = start + scale * _STEPS
        if field == "load_resistance":
            down = start / (1.0 + _STEPS)
            bottom = None
        else:
            down = np.append((start - scale * _STEPS)[start - scale * _STEPS > 0], 0.0)
            bottom = 0.0
        return Span(
            _crossing(excess, start, down, excesses(down), bottom),
            _crossing(excess, start, up, excesses(up), None),
        )

    return LoadingWindow(
        growth_db,
        limit,
        source_ohm=span("source_resistance"),
        load_ohm=span("load_resistance"),
        load_f=span("load_capacitance"),
    )


def _crossing(
    excess: Callable[[float], float],
    start: float,
    steps: np.ndarray[Any, np.dtype[np.float64]],
    values: np.ndarray[Any, np.dtype[np.float64]],
    otherwise: float | None,
) -> float | None:
    """First value outwards from `start` at which the excess is 0; `otherwise` without one."""
    beyond = np.flatnonzero(values > 0)
    if not len(beyond):
        return otherwise
    first = int(beyond[0])
    inner = start if first == 0 else float(steps[first - 1])
    return bracketed_root(excess, first=inner, second=float(steps[first]))
