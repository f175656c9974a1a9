"""What captures show beside their fit: harmonics, frequencies, and terms that it lacks."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.fit import Fit
from antecurve.judge.level_dependence import RelativeHarmonics
from antecurve.judge.noise import residual_parts
from antecurve.judge.observation import RiseTime

__all__ = ["changes_of_rows", "harmonics_of_each", "seen_frequencies_hz"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]


def changes_of_rows(fit: Fit, added: Callable[[Floats], Complex]) -> list[Floats]:
    """Compute how terms that a fit lacks would change the rows of each capture.

    Parameters
    ----------
    fit : Fit
        The fit.
    added : callable
        What each term adds to ln of the response at frequencies [Hz], shape (frequencies, terms).

    Returns
    -------
    list of numpy.ndarray of float, shape (rows, terms)
        Whitened rows, a capture each.
    """
    changes = []
    for index, observation in enumerate(fit.observations):
        said, hertz = fit.prediction(index), observation.evaluated_hz
        terms = added(hertz)
        rise = RiseTime(said.rise_time_s)
        moved = observation.evaluate(said.nuisance, said.log_response(hertz), terms, rise)
        changes.append(moved.jacobian[:, : terms.shape[1]])
    return changes


def harmonics_of_each(fit: Fit) -> list[RelativeHarmonics | None]:
    """Compute the odd harmonics of each capture over those of the fit.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    list of RelativeHarmonics or None
        ``None`` for a capture that is no square wave.
    """
    parts = zip(fit.observations, residual_parts(fit.solution), fit.excess, strict=True)
    return [o.relative_harmonics(residual, excess=excess) for o, residual, excess in parts]


def seen_frequencies_hz(fit: Fit, harmonics: Sequence[RelativeHarmonics | None]) -> Floats:
    """List the frequencies that captures show, of square waves the odd harmonics.

    Parameters
    ----------
    fit : Fit
        The fit.
    harmonics : sequence of RelativeHarmonics or None
        Those of each capture.

    Returns
    -------
    numpy.ndarray of float, shape (frequencies,)
        In ascending order [Hz].
    """
    each = zip(fit.observations, harmonics, strict=True)
    shown = [o.frequency_hz if h is None else h.orders * h.fundamental_hz for o, h in each]
    return np.unique(np.concatenate(shown))
