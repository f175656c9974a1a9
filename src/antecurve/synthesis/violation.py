"""A condition that does not hold, and the words that such conditions share."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["Violation", "at_level"]


@dataclass(frozen=True, slots=True)
class Violation:
    """A condition that a curve, a level or a loading does not meet.

    Attributes
    ----------
    statement : str or callable
        The inequality with its numbers, and that it does not hold; or what words it when asked:
        a search passes over thousands without a word.
    structural : bool
        Whether no level and no pole can help.
    """

    statement: str | Callable[[], str]
    structural: bool = False

    @property
    def condition(self) -> str:
        """The statement in words."""
        return self.statement if isinstance(self.statement, str) else self.statement()


def at_level(gain: float) -> str:
    """Write the level at 1 kHz in words.

    Parameters
    ----------
    gain : float
        Magnitude of H at 1 kHz.

    Returns
    -------
    str
        Such as ``at -40.00 dB at 1 kHz``.
    """
    return f"at {20.0 * math.log10(gain):.2f} dB at 1 kHz"
