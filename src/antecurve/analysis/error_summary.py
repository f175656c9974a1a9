"""The nominal error of a design against both views of its curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from antecurve.analysis.subject import WithParts, picked_of
from antecurve.checked import checked
from antecurve.networks.centred_error import ErrorRange, error_range
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.networks.poles_and_zeros import extra_poles
from antecurve.results import Result

__all__ = ["ErrorSummary", "error_summary"]


@dataclass(frozen=True, slots=True)
class ErrorSummary(Result):
    """The nominal error of a design, against both views of its curve.

    Attributes
    ----------
    job : ErrorRange
        Against the job's curve, ultrasonic poles included.
    published : ErrorRange
        Against the published time constants alone.
    exact : ErrorRange or None
        With the exact values in place of the parts, against the job's curve.
    implied_poles_s : tuple of float
        Poles [s] the exact network has beyond the curve, longest first: the one that a curve
        without ultrasonic pole can't be without, and the one of the load's capacitance.
    """

    _keys: ClassVar = (
        "band_hz:job.band_hz",
        "centred_db:job.centred_db",
        "at_1khz_db:job.at_1khz_db",
        "rms_db:job.rms_db",
        "exact_centred_db:exact.centred_db",
        "published_centred_db:published.centred_db",
        "published_at_1khz_db:published.at_1khz_db",
        "implied_poles_s",
    )

    job: ErrorRange
    published: ErrorRange
    exact: ErrorRange | None
    implied_poles_s: tuple[float, ...]


@checked
def error_summary(design: WithParts, conditions: Conditions | None = None) -> ErrorSummary:
    """Compute the nominal error of a design against both views of its curve.

    Parameters
    ----------
    design : Design or PickedNetwork
        The design.
    conditions : Conditions, optional
        Curve, loading and band; those of the design by default.

    Returns
    -------
    ErrorSummary
        Against the job's curve, against the published time constants, and with exact values.
    """
    given = conditions_of(design, conditions)
    picked = picked_of(design)
    network, exact = picked.network, picked.exact_network
    return ErrorSummary(
        job=error_range(network, given),
        published=error_range(network, given, published=True),
        exact=None if exact is None else error_range(exact, given),
        implied_poles_s=(
            () if exact is None else extra_poles(exact, given.curve, loading=given.loading)
        ),
    )
