"""Builds drawn and measured block by block, by any number of workers, in constant memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.compiled import Coefficients
from antecurve.parts.band_error import BandError
from antecurve.parts.distributions import BLOCK, PartSource, draw_block
from antecurve.parts.scatter import position_values

__all__ = ["Builds", "MeasuredBuilds"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredBuilds:
    """What some builds do.

    Attributes
    ----------
    centred_db : numpy.ndarray of float, shape (builds,)
        Centred error [dB].
    level_db : numpy.ndarray of float, shape (builds,)
        20 log10(abs(H(1 kHz))) [dB].
    """

    centred_db: Floats
    level_db: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Builds:
    """Builds of one network.

    Attributes
    ----------
    source : PartSource
        Where the parts come from.
    evaluator : BandError
        What is measured of a build.
    seed : int
        Seed, 0 or greater.
    """

    source: PartSource
    evaluator: BandError
    seed: int

    def block(self, number: int, *, channel: int = 0) -> Coefficients:
        """Return abs(H)**2 of one block of builds.

        Parameters
        ----------
        number : int
            Number of the block, 0 or greater.
        channel : int, optional
            0, or 1 for the second channel built beside it.

        Returns
        -------
        Coefficients
            As `BandError.power_coefficients` returns them.
        """
        parts = draw_block(self.source, seed=self.seed, block=number, channel=channel)
        return self.evaluator.power_coefficients(position_values(self.source.table, parts))

    def _measure(self, number: int) -> MeasuredBuilds:
        found = self.block(number)
        return MeasuredBuilds(self.evaluator.centred_db(found), self.evaluator.level_db(found))

    def measured(self, count: int, *, workers: int = 1) -> Iterator[MeasuredBuilds]:
        """Yield what the first builds do, block by block, in order.

        Parameters
        ----------
        count : int
            Number of builds, 1 or more.
        workers : int, optional
            Threads, 1 or more; what is yielded does not depend on it.

        Yields
        ------
        MeasuredBuilds
            Of the next builds.
        """
        blocks = -(-count // BLOCK)
        for number, found in enumerate(self._in_order(blocks, workers)):
            left = count - number * BLOCK
            yield MeasuredBuilds(found.centred_db[:left], found.level_db[:left])

    def _in_order(self, blocks: int, workers: int) -> Iterator[MeasuredBuilds]:
        if workers == 1:
            yield from map(self._measure, range(blocks))
            return
        waiting: deque[Future[MeasuredBuilds]] = deque()
        with ThreadPoolExecutor(workers) as pool:
            try:
                for number in range(blocks):
                    waiting.append(pool.submit(self._measure, number))
                    if len(waiting) >= 2 * workers:
                        yield waiting.popleft().result()
                while waiting:
                    yield waiting.popleft().result()
            finally:
                pool.shutdown(cancel_futures=True)
