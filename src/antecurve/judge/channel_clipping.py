"""Clipped channels of a record: tops that are flat where the other channel goes on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.judge.ceiling import ceiling
from antecurve.judge.flat_tops import FlatTops, flat_tops
from antecurve.judge.lost_tops import is_lacking, lost_tops

__all__ = ["refuse_clipped_output", "refuse_clipped_stimulus"]

Floats = NDArray[np.float64]

_NEAR_LIMIT = 0.005  # of a limit: a sine is as near its crest for 3.2 % of its time
_STAYS = 0.06  # of the time; clipped at 0.98 of its crest it is there for 8 %
_LOUD = 0.1  # of a limit: no silence, and likewise less than the limit
_BETWEEN = 0.1  # of the loud samples: of a sine clipped at 0.2 of its crest 12 %, of a square none
_AT_LIMIT = 1.03  # of a level at which a stimulus is clipped: its noise is less


def refuse_clipped_output(
    output: Floats, explained: Floats, *, square: bool, step: float, rate_hz: float, name: str
) -> None:
    """Refuse an output with tops that the stimulus does not have.

    Parameters
    ----------
    output : numpy.ndarray of float, shape (samples,)
        The output as sampled.
    explained : numpy.ndarray of float, shape (samples,)
        What of it the stimulus explains.
    square : bool
        Whether the stimulus is a square wave.
    step : float
        Step of the converter, in the output's unit; 0 for none.
    rate_hz : float
        Sampling rate [Hz].
    name : str
        How messages call the record.

    Raises
    ------
    InputError
        When it is clipped.
    """
    flat = flat_tops(output, explained)
    if flat is None and not square:
        flat = lost_tops(output, explained, rate_hz=rate_hz)
    if flat is None:
        flat = ceiling(output, explained, square=square, step=step)
        # Noise crowds by chance where a signal has one high crest, which it follows to its end.
        if flat is not None and not square:
            lacks = is_lacking(flat.level, output, explained, rate_hz=rate_hz)
            flat = flat if lacks else None
    if flat is not None:
        raise InputError(
            f"{name}: output",
            _clipped_text(flat),
            "the unit or the interface is overdriven; reduce the level and record again",
        )


def refuse_clipped_stimulus(stimulus: Floats, told: Floats, *, sweep: bool, name: str) -> None:
    """Refuse a stimulus with tops that the output does not have.

    Parameters
    ----------
    stimulus : numpy.ndarray of float, shape (samples,)
        The stimulus.
    told : numpy.ndarray of float, shape (samples,)
        What the output tells of it.
    sweep : bool
        Whether each frequency sounds once.
    name : str
        How messages call the record.

    Raises
    ------
    InputError
        When it is clipped.
    """
    flat = flat_tops(stimulus, told)
    if flat is not None and _stays_at(flat.level, stimulus, sweep=sweep):
        raise InputError(
            f"{name}: stimulus",
            f"{_clipped_text(flat)}, where the output goes on",
            "its input is overdriven; reduce the level there and record again",
        )


def _stays_at(level: float, stimulus: Floats, *, sweep: bool) -> bool:
    """Whether a stimulus stays at a level as no sine or square wave does at its crests."""
    beyond = np.sign(level) * stimulus / abs(level)
    # Nothing but its noise stands beyond a limit; crests that the output lacks do.
    if np.max(beyond) >= _AT_LIMIT:
        return False
    # A sine and a square wave are as large at each crest, and what tells them errs.
    if sweep:
        return float(np.mean(np.abs(beyond - 1.0) < _NEAR_LIMIT)) > _STAYS
    loud = np.abs(beyond)[np.abs(beyond) > _LOUD]
    return float(np.mean(loud < 1.0 - _LOUD)) > _BETWEEN


def _clipped_text(flat: FlatTops) -> str:
    return f"a clipped record, flat at {abs(flat.level):.3g} for {100.0 * flat.share:.2g} % of it"
