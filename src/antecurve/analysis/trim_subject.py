"""A network that the parts of a build make, for a trim: the only one, or one of several."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.job import Job
from antecurve.parts.joined import joined_value, joined_weights, values_add
from antecurve.parts.position import PickedNetwork
from antecurve.pick.limits import LimitValues, limit_values
from antecurve.pick.model import NEPER_DB

__all__ = ["TrimSubject", "excess_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class TrimSubject:
    """A network that parts of a build make: the only one, or that of one switch position.

    Attributes
    ----------
    picked : PickedNetwork
        As designed.
    job : Job
        Curve, loading, band and limits.
    places : tuple of tuple of int
        For each position of the network the places in the build whose parts make it: one, or two
        joined as its parts are.
    """

    picked: PickedNetwork
    job: Job
    places: tuple[tuple[int, ...], ...]

    @classmethod
    def whole(cls, picked: PickedNetwork, job: Job) -> TrimSubject:
        """Take a build that is one network.

        Parameters
        ----------
        picked : PickedNetwork
            The network.
        job : Job
            Its job.

        Returns
        -------
        TrimSubject
            Each position in its own place.
        """
        return cls(picked, job, tuple((i,) for i in range(len(picked.positions))))

    def joined(self, values: Floats) -> tuple[Floats, Floats]:
        """Join what is in the places of a build to the positions of this network.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (places, ...)
            Values in the places [ohm or F].

        Returns
        -------
        values : numpy.ndarray of float, shape (positions, ...)
            Values of the positions.
        weights : numpy.ndarray of float, shape (positions, 2, ...)
            By how much the logarithm of each follows those of its places; 0 for a second that
            there is not.
        """
        made, weights = [], []
        for position, places in zip(self.picked.positions, self.places, strict=True):
            if len(places) == 1:
                made.append(values[places[0]])
                weights.append(np.stack([np.ones_like(made[-1]), np.zeros_like(made[-1])]))
                continue
            adds = values_add(position.element.kind, position.joined)
            both = values[list(places)]
            made.append(joined_value(list(both), adds=adds))
            weights.append(joined_weights(both, adds=adds))
        return np.stack(made), np.stack(weights)


def excess_of(subject: TrimSubject, values: Floats) -> Floats:
    """Compute how far one network misses the limits of its job.

    Parameters
    ----------
    subject : TrimSubject
        The network.
    values : numpy.ndarray of float, shape (builds, places)
        Values in the places of the build [ohm and F].

    Returns
    -------
    numpy.ndarray of float, shape (builds,)
        As `Trimmer.excess` of all.
    """
    made = np.ascontiguousarray(subject.joined(values.T)[0].T)
    return _excess(limit_values(subject.picked.topology, subject.job, made), subject.job)


def _excess(limits: LimitValues, job: Job) -> Floats:
    misses = [(np.abs(limits.level_db) - job.target.level_tolerance_db) / NEPER_DB]
    if job.network.output_resistance_max is not None:
        misses.append(np.log(limits.output_ohm / job.network.output_resistance_max))
    if job.network.input_impedance_min is not None:
        misses.append(np.log(job.network.input_impedance_min / limits.input_ohm))
    return np.asarray(np.max(misses, axis=0))
