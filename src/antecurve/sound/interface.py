"""What a sound interface has to do: play one channel and record others at once."""

from __future__ import annotations

from collections.abc import Callable, Generator
from contextlib import closing
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import DropoutError
from antecurve.results import Result

__all__ = ["Device", "SoundInterface", "recorded_whole"]

Floats = NDArray[np.float64]

_TRIES = 3  # a busy machine loses samples now and then; one that always does is said to


@dataclass(frozen=True, slots=True)
class Device(Result):
    """A device of the sound system.

    Attributes
    ----------
    number : int
        Number by which it is chosen.
    name : str
        Its name, by which it can be chosen as well.
    inputs, outputs : int
        Channels that it records and plays.
    rate_hz : float
        Its usual sampling rate [Hz].
    usual : str
        What it is the system's default for: ``input``, ``output``, both, or nothing.
    """

    number: int
    name: str
    inputs: int
    outputs: int
    rate_hz: float
    usual: str


class SoundInterface(Protocol):
    """A sound interface with its channels chosen."""

    @property
    def rate_hz(self) -> int:
        """Sampling rate [Hz]."""

    def exchange(self, played: Floats) -> Generator[Floats, None, None]:
        """Play samples and record until they have come back.

        Parameters
        ----------
        played : numpy.ndarray of float, shape (samples,)
            Samples re full scale.

        Yields
        ------
        numpy.ndarray of float, shape (samples of a block, inputs)
            What was recorded, re full scale, as it comes; all blocks together are longer than
            what was played by the delay of the interface and more.

        Raises
        ------
        InputError
            When the interface can't play or record; as a `DropoutError` when it lost samples.
        """
        ...


def recorded_whole(
    interface: SoundInterface,
    played: Floats,
    *,
    hear: Callable[[Floats], None] = lambda block: None,
    again: Callable[[], None] = lambda: None,
) -> Floats:
    """Play samples and record to the end, up to three times where the interface loses some.

    Parameters
    ----------
    interface : SoundInterface
        The interface.
    played : numpy.ndarray of float, shape (samples,)
        Samples re full scale.
    hear : callable, optional
        Takes each block as it comes.
    again : callable, optional
        Called before the samples are played once more.

    Returns
    -------
    numpy.ndarray of float, shape (samples, inputs)
        The record.

    Raises
    ------
    InputError
        As in `SoundInterface.exchange`.
    """
    for _ in range(_TRIES - 1):
        try:
            return _exchanged(interface, played, hear)
        except DropoutError:
            again()
    return _exchanged(interface, played, hear)


def _exchanged(interface: SoundInterface, played: Floats, hear: Callable[[Floats], None]) -> Floats:
    """Play once."""
    blocks = []
    with closing(interface.exchange(played)) as exchanged:
        for block in exchanged:
            blocks.append(block)
            hear(block)
    return np.concatenate(blocks)
