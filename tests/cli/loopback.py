"""A sound interface whose input hears its output."""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
RATE_HZ = 48_000


def straight(samples: Floats) -> Floats:
    """Nothing in the path."""
    return samples


@dataclass
class Loopback:
    """An interface whose input hears its output through a path that a test changes."""

    path: Callable[[Floats], Floats] = straight
    noise: float = 1e-6
    inputs: int = 1
    interrupted_at: int | None = None
    rate_hz: int = RATE_HZ
    peaks: list[float] = field(default_factory=list)

    def exchange(self, played: Floats) -> Generator[Floats, None, None]:
        """Late by 1,000 samples, clipped at full scale, in blocks."""
        self.peaks.append(float(np.abs(played).max()))
        heard = self.path(np.concatenate([np.zeros(1000), played, np.zeros(10_000)]))
        rng = np.random.default_rng(len(self.peaks))
        heard = np.clip(heard + self.noise * rng.standard_normal(heard.shape), -1.0, 1.0)
        if heard.ndim == 1:  # a path may tell the inputs apart
            heard = np.repeat(heard[:, None], self.inputs, axis=1)
        for first in range(0, len(heard), 4800):
            if self.interrupted_at is not None and first >= self.interrupted_at:
                raise KeyboardInterrupt
            yield heard[first : first + 4800]
