"""What makes a command end with exit code 1: said on stderr, in one sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING

from antecurve.cli.terminal import say_aside

if TYPE_CHECKING:
    from antecurve.analysis.spread import SpreadResult

__all__ = ["misses_limit", "was_interrupted"]


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
        f"interrupted after {result.builds:,} of {result.wanted_builds:,} builds; the results are "
        "of those"
    )
    return True
