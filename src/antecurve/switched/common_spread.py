"""The spread of a box: builds with all their parts, so that a shared part moves every position."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.build_errors import BuildErrors
from antecurve.parts.builds import BAND_POINTS
from antecurve.parts.distributions import BLOCK, draw_block, part_source
from antecurve.parts.joined import joined_value, values_add
from antecurve.parts.scatter import part_table, position_values
from antecurve.results import Result
from antecurve.switched.box import Box, box_positions

__all__ = ["CommonSpread", "PositionSpread", "common_spread"]

Floats = NDArray[np.float64]

_BUILDS = 20_000
"""Builds at most: the 95th percentile is then known to half a per cent of the builds."""


@dataclass(frozen=True, slots=True)
class PositionSpread(Result):
    """The spread of one position of the switch.

    Attributes
    ----------
    position : str
        Its name.
    p95_db : float
        95th percentile of the centred error over builds [dB].
    shared_p95_db : float
        The same where only the shared parts scatter [dB].
    level_p95_db : float
        95th percentile of the magnitude of the change of level at 1 kHz [dB].
    """

    position: str
    p95_db: float
    shared_p95_db: float
    level_p95_db: float


@dataclass(frozen=True, slots=True)
class CommonSpread(Result):
    """The spread of whole boxes.

    Attributes
    ----------
    builds, seed : int
        Number of boxes, and the seed of the random numbers.
    distribution : str
        How parts scatter.
    worst_p95_db : float
        95th percentile of the largest centred error over the positions [dB].
    limit_db : float or None
        The job's limit [dB].
    yield_fraction : float or None
        Share of the boxes that keep it in every position; ``None`` without a limit.
    level_common_p95_db : float
        95th percentile of the change of level at 1 kHz that all positions have in common [dB]:
        the mean over the positions.
    level_between_p95_db : float
        95th percentile of the largest change of level of any position against that mean [dB].
    positions : tuple of PositionSpread
        In the order of the switch.
    """

    _rows: ClassVar = "positions"

    builds: int
    seed: int
    distribution: str
    worst_p95_db: float
    limit_db: float | None
    yield_fraction: float | None
    level_common_p95_db: float
    level_between_p95_db: float
    positions: tuple[PositionSpread, ...]


def common_spread(box: Box) -> CommonSpread:
    """Simulate whole boxes within tolerance.

    Parameters
    ----------
    box : Box
        The box; its job says how builds are drawn, 20,000 at most.

    Returns
    -------
    CommonSpread
        Of every position, and of what they have in common.
    """
    job = box.job.common
    picked = box_positions(box)
    table = part_table(picked)
    source = part_source(table, distribution=job.spread.distribution)
    builds = min(job.spread.builds, _BUILDS)
    refs = picked.topology.refs
    own = np.zeros(len(table.refs), dtype=bool)
    for ref, parts in zip(refs, table.positions, strict=True):
        own[list(parts)] = "_" in ref
    errors, levels, shared_errors = [], [], []
    for block in range(-(-builds // BLOCK)):
        drawn = draw_block(source, seed=job.spread.seed, block=block)
        fixed = drawn.copy()
        fixed[own] = table.nominal[own, None]
        whole = _measured(box, refs, position_values(table, drawn))
        errors.append(whole[0])
        levels.append(whole[1])
        shared_errors.append(_measured(box, refs, position_values(table, fixed))[0])
    error, level, shared = (
        np.concatenate(pieces, axis=1)[:, :builds] for pieces in (errors, levels, shared_errors)
    )
    worst = error.max(axis=0)
    limit = job.target.error_limit_db
    mean = level.mean(axis=0)
    return CommonSpread(
        builds,
        job.spread.seed,
        job.spread.distribution,
        _p95(worst),
        limit,
        None if limit is None else float(np.mean(worst <= limit)),
        _p95(np.abs(mean)),
        _p95(np.abs(level - mean).max(axis=0)),
        tuple(
            PositionSpread(name, _p95(error[k]), _p95(shared[k]), _p95(np.abs(level[k])))
            for k, name in enumerate(box.names)
        ),
    )


def _p95(values: Floats) -> float:
    return float(np.quantile(values, 0.95))


def _measured(box: Box, refs: tuple[str, ...], values: Floats) -> tuple[Floats, Floats]:
    """Centred errors and changes of level [dB] of every position, shape (positions, builds)."""
    errors, levels = [], []
    for throw, design in enumerate(box.designs, start=1):
        of_throw = np.array(
            [
                joined_value(
                    [values[refs.index(ref)] for ref, _ in box.pieces(p, throw)],
                    adds=values_add(p.element.kind, p.joined),
                )
                for p in design.picked.positions
            ]
        )
        conditions = design.conditions
        evaluator = BuildErrors(
            design.picked.topology,
            conditions.curve,
            loading=conditions.loading,
            band_hz=conditions.band_hz,
            nominal=design.network.values,
            points=BAND_POINTS,
        )
        power = evaluator.power_coefficients(of_throw)
        nominal = evaluator.power_coefficients(design.network.values[:, None])
        errors.append(evaluator.centred_db(power))
        levels.append(evaluator.level_db(power) - evaluator.level_db(nominal))
    return np.array(errors), np.array(levels)
