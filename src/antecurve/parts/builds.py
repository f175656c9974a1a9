"""Builds drawn and measured block by block, by any number of workers, in constant memory."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.algebra.transfer_function import TransferFunction
from antecurve.curves.model import Curve
from antecurve.job import Job
from antecurve.networks.build_errors import BUILD_STRIP, BuildErrors
from antecurve.networks.topology import Loading
from antecurve.parts.compiled_builds import WORTH_COMPILING, CompiledBuilds, compiled_builds
from antecurve.parts.distributions import BLOCK, PartSource, draw_block, part_source
from antecurve.parts.log_histogram import LogHistogram
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table, position_values

__all__ = [
    "BAND_POINTS",
    "Builds",
    "ChannelMismatch",
    "MeasuredBuilds",
    "builds_of",
    "error_histogram",
    "error_percentile_db",
]

Floats = NDArray[np.float64]
Block = TypeVar("Block")

BAND_POINTS = 121
"""Frequencies over the band: 40 a decade from 20 Hz to 20 kHz."""


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
class ChannelMismatch:
    """How two channels differ, pair by pair.

    Attributes
    ----------
    level_db : numpy.ndarray of float, shape (pairs,)
        Difference of the levels at 1 kHz [dB], 0 or greater.
    largest_db : numpy.ndarray of float, shape (pairs,)
        Largest difference of the levels anywhere in the band [dB].
    """

    level_db: Floats
    largest_db: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Builds:
    """Builds of one network.

    Attributes
    ----------
    source : PartSource
        Where the parts come from.
    evaluator : BuildErrors
        What is measured of a build.
    seed : int
        Seed, 0 or greater.
    """

    source: PartSource
    evaluator: BuildErrors
    seed: int

    def block(self, number: int, *, channel: int = 0, most: int = BLOCK) -> TransferFunction:
        """Draw one block of builds and compute their abs(H)**2.

        Parameters
        ----------
        number : int
            Number of the block, 0 or greater.
        channel : int, optional
            0, or 1 for the second channel built beside it.
        most : int, optional
            Builds that are wanted of the block, 1 or more: its first ones, in whole strips of
            `BUILD_STRIP`, so that each comes out alike however many are wanted.

        Returns
        -------
        TransferFunction
            As `BuildErrors.power_coefficients` returns them.
        """
        whole = -(-most // BUILD_STRIP) * BUILD_STRIP
        parts = self._parts(number, channel)[:, :whole]
        return self.evaluator.power_coefficients(position_values(self.source.table, parts))

    def _parts(self, number: int, channel: int = 0) -> Floats:
        return draw_block(self.source, seed=self.seed, block=number, channel=channel)

    def _loops(self, count: int) -> CompiledBuilds | None:
        """Compiled loops where so many builds are worth it, and they are there."""
        if count < WORTH_COMPILING:
            return None
        return compiled_builds(self.source.table, self.evaluator, self._parts(0))

    def _measure(self, number: int, most: int) -> MeasuredBuilds:
        power = self.block(number, most=most)
        return MeasuredBuilds(self.evaluator.centred_db(power), self.evaluator.level_db(power))

    def mismatch(self, number: int, *, most: int = BLOCK) -> ChannelMismatch:
        """Compare one block of builds with a second channel built beside each.

        Parameters
        ----------
        number : int
            Number of the block, 0 or greater.
        most : int, optional
            Pairs that are wanted of the block, 1 or more; see `block`.

        Returns
        -------
        ChannelMismatch
            Of each pair; parts off one reel are alike in both.
        """
        one, other = (self.block(number, channel=channel, most=most) for channel in (0, 1))
        at_reference = self.evaluator.level_db(one) - self.evaluator.level_db(other)
        return ChannelMismatch(np.abs(at_reference), self.evaluator.largest_apart_db(one, other))

    def mismatches(self, pairs: int, *, workers: int = 1) -> Iterator[ChannelMismatch]:
        """Yield how the first builds differ from the second channel, block by block, in order.

        Parameters
        ----------
        pairs : int
            Number of pairs, 1 or more.
        workers : int, optional
            Threads, 1 or more; what is yielded does not depend on it.

        Yields
        ------
        ChannelMismatch
            Of the next pairs.
        """
        loops = self._loops(pairs)

        def compare(number: int) -> ChannelMismatch:
            if loops is None:
                return self.mismatch(number, most=pairs - number * BLOCK)
            return ChannelMismatch(*loops.mismatch(self._parts(number), self._parts(number, 1)))

        for remaining, block in _in_order(compare, pairs, workers):
            yield ChannelMismatch(block.level_db[:remaining], block.largest_db[:remaining])

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
        loops = self._loops(count)

        def measure(number: int) -> MeasuredBuilds:
            if loops is None:
                return self._measure(number, count - number * BLOCK)
            return MeasuredBuilds(*loops.measured(self._parts(number)))

        for remaining, block in _in_order(measure, count, workers):
            yield MeasuredBuilds(block.centred_db[:remaining], block.level_db[:remaining])

    def centred_histogram(self, count: int) -> LogHistogram:
        """Count the centred errors of the first builds.

        Parameters
        ----------
        count : int
            Number of builds, 1 or more.

        Returns
        -------
        LogHistogram
            Of the centred error [dB].
        """
        histogram = LogHistogram()
        for block in self.measured(count, workers=os.cpu_count() or 1):
            histogram.add(block.centred_db)
        return histogram


def _in_order(
    work: Callable[[int], Block], builds: int, workers: int
) -> Iterator[tuple[int, Block]]:
    """Do the work of each block; with it, how many builds remain of those that are wanted."""
    blocks = -(-builds // BLOCK)
    if workers == 1 or blocks == 1:
        yield from ((builds - number * BLOCK, work(number)) for number in range(blocks))
        return
    ahead = 2 * workers
    waiting: deque[Future[Block]] = deque()
    with ThreadPoolExecutor(workers) as pool:
        try:
            for number in range(blocks + ahead):
                if number >= ahead:
                    yield builds - (number - ahead) * BLOCK, waiting.popleft().result()
                if number < blocks:
                    waiting.append(pool.submit(work, number))
        finally:
            pool.shutdown(cancel_futures=True)


def builds_of(
    picked: PickedNetwork,
    *,
    curve: Curve,
    loading: Loading,
    band_hz: tuple[float, float],
    seed: int,
    distribution: str = "uniform",
    measured: Mapping[str, ArrayLike] | None = None,
    reel_correlation: float = 0.0,
    points: int = BAND_POINTS,
) -> Builds:
    """Make ready to build a picked network many times.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts; each part scatters by itself.
    curve : Curve
        The curve to impose.
    loading : Loading
        Source and load.
    band_hz : tuple of float
        Band in which the error counts [Hz].
    seed : int
        Seed, 0 or greater.
    distribution, measured, reel_correlation : optional
        See `antecurve.parts.distributions.part_source`.
    points : int, optional
        Frequencies over the band, 2 or more.

    Returns
    -------
    Builds
        The builds.

    Raises
    ------
    InputError
        When the distribution does not fit the parts.
    """
    source = part_source(
        part_table(picked),
        distribution=distribution,
        measured=measured,
        reel_correlation=reel_correlation,
    )
    evaluator = BuildErrors(
        picked.topology,
        curve,
        loading=loading,
        band_hz=band_hz,
        nominal=picked.network.values,
        points=points,
    )
    return Builds(source, evaluator, seed)


def error_histogram(
    picked: PickedNetwork, job: Job, *, builds: int | None = None, seed: int | None = None
) -> LogHistogram:
    """Simulate the builds of a job and count their centred errors.

    Parameters
    ----------
    picked : PickedNetwork
        A network with its parts.
    job : Job
        Curve, loading and band; seed, number and distribution of its builds.
    builds : int or None, optional
        Fewer builds than the job's: the first ones of the same.
    seed : int or None, optional
        Another seed than the job's.

    Returns
    -------
    LogHistogram
        Of the centred error [dB].  `antecurve.analysis.spread.spread` of the same job has the same.
    """
    ready = builds_of(
        picked,
        curve=job.curve,
        loading=job.loading,
        band_hz=job.target.band_hz,
        seed=job.spread.seed if seed is None else seed,
        distribution=job.spread.distribution,
    )
    wanted = job.spread.builds if builds is None else min(builds, job.spread.builds)
    return ready.centred_histogram(wanted)


def error_percentile_db(
    picked: PickedNetwork, job: Job, *, fraction: float = 0.95, builds: int | None = None
) -> float:
    """Simulate the builds of a job and return a percentile of their centred error.

    Parameters
    ----------
    picked : PickedNetwork
        A network with its parts.
    job : Job
        Curve, loading and band; seed, number and distribution of its builds.
    fraction : float, optional
        Fraction of the builds that the percentile is not below, above 0, at most 1.
    builds : int or None, optional
        Fewer builds than the job's: the first ones of the same.

    Returns
    -------
    float
        The percentile [dB].  `antecurve.analysis.spread.spread` of the same job gives the same.
    """
    return error_histogram(picked, job, builds=builds).quantile(fraction)
