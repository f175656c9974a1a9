"""What makes a command end with exit code 1: said on stderr, in one sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING

from antecurve.cli.terminal import say_aside

if TYPE_CHECKING:
    from antecurve.analysis.spread import SpreadResult
    from antecurve.pipeline import Design

__all__ = ["is_far_from_the_curve", "misses_limit", "was_interrupted"]

_FAR_DB = 1.0  # a network of the user's own that misses a curve by more is hardly meant


def misses_limit(error_db: float, *, limit_db: float | None) -> bool:
    """Say on stderr when an error misses the job's limit.

    Parameters
    ----------
    error_db : float
        Centred error [dB].
    limit_db : float or None
        Largest one accepted [dB]; ``None`` for no limit.

    Returns
    -------
    bool
        Whether it is missed.
    """
    if limit_db is None or error_db <= limit_db:
        return False
    say_aside(f"error {error_db:.3f} dB misses the limit of {limit_db:g} dB")
    return True


def is_far_from_the_curve(design: Design) -> bool:
    """Say on stderr when a network of the user's own is far from the curve, without a limit.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    bool
        Whether its error is above 1 dB where the job states no limit.
    """
    target, error_db = design.job.target, design.analysis.error.job.centred_db
    stated = target.error_limit_db is not None or design.job.network.elements is None
    if stated or error_db <= _FAR_DB:
        return False
    say_aside(
        f"error {error_db:.3f} dB: the network misses the curve by more than {_FAR_DB:g} dB, and "
        "the job states no target.error_limit_db"
    )
    return True


def was_interrupted(result: SpreadResult) -> bool:
    """Say on stderr when builds were interrupted.

    Parameters
    ----------
    result : SpreadResult
        Of the builds.

    Returns
    -------
    bool
        Whether there are fewer builds than were asked for.
    """
    if result.builds >= result.wanted_builds:
        return False
    say_aside(
        f"interrupted after {result.builds:,} of {result.wanted_builds:,} builds; the results "
        "cover those"
    )
    return True
