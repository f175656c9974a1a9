"""Where a stimulus was recorded: what each place makes of a deviation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.judge.network_estimate import NetworkEstimate, network_log_response
from antecurve.networks.compiled import input_impedance
from antecurve.quantities import DB_PER_NEPER, format_quantity

if TYPE_CHECKING:
    from antecurve.judge.deviation import Deviation

__all__ = ["STIMULUS_AT", "source_drop", "stimulus_question"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

STIMULUS_AT = ("generator", "input", "emf")
"""Where the stimulus is taken: at the network's input under load, at the unit's input, or as
open-circuit voltage, such as the file that was played."""

_PLACES = {
    "generator": "at the generator's terminals",
    "input": "at the unit's input",
    "emf": "as the generator's EMF",
}
_CONFUSED = {"generator", "emf"}  # both are at the generator; the network loads one of them
_NOTABLE_DB = 0.02  # a twenty-fifth of the usual limit of 0.5 dB
_DOUBT = ". The constants below hold only if it is as stated"
_EXPLAINS = 0.5  # of the deviation above 1 kHz remains at most, where another place explains it


def source_drop(network: NetworkEstimate, frequency_hz: Floats) -> Complex:
    """Compute the EMF of a generator over the voltage at its terminals.

    Parameters
    ----------
    network : NetworkEstimate
        The network that loads it.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz], above 0.

    Returns
    -------
    numpy.ndarray of complex, shape (frequencies,)
        1 and more in magnitude.
    """
    impedance = input_impedance(network.network, frequency_hz, loading=network.loading)
    return np.asarray(1.0 + network.loading.source_resistance / impedance)


def stimulus_question(
    name: str,
    stimulus_at: str,
    *,
    network: NetworkEstimate,
    deviation: Deviation,
    limit_db: Floats | None = None,
) -> str:
    """Ask where a stimulus was recorded, where another place changes what is said.

    Another place may explain a deviation.  And whoever takes a generator's terminals for its EMF,
    or the EMF for them, errs by the drop at the source: asked where the limits lie between.

    Parameters
    ----------
    name : str
        The record.
    stimulus_at : str
        Where its stimulus is taken to be recorded, one of `STIMULUS_AT`.
    network : NetworkEstimate
        The network.
    deviation : Deviation
        The deviation of the unit with it.
    limit_db : numpy.ndarray of float, shape (frequencies,), optional
        Largest deviation allowed at its frequencies [dB].

    Returns
    -------
    str
        A sentence with both readings; empty where no other place changes anything.
    """
    seen = deviation.frequency_hz >= REFERENCE_FREQUENCY_HZ
    frequency, own = deviation.frequency_hz[seen], deviation.deviation_db[seen]
    limit = np.full(own.size, np.inf) if limit_db is None else limit_db[seen]
    reach = deviation.expanded_uncertainty_db[seen]
    least = max(_NOTABLE_DB, float(np.median(reach)))
    here = _level_db(stimulus_at, network, frequency)
    for other in STIMULUS_AT:
        there = own + here - _level_db(other, network, frequency)
        worst = int(np.argmax(np.abs(own - there)))
        moved = abs(own - there)[worst]
        explains = np.std(there) < _EXPLAINS * np.std(own) and moved > least
        decided = {_decided(x, reach, limit) for x in (own, there)}
        decides = {stimulus_at, other} == _CONFUSED and moved > _NOTABLE_DB and len(decided) > 1
        if explains or decides:
            return (
                f"{name}: the stimulus is taken to be recorded {_PLACES[stimulus_at]}. Recorded "
                f"{_PLACES[other]}, it would show {there[worst]:+.2f} dB at "
                f"{format_quantity(float(frequency[worst]), 'Hz')}, not {own[worst]:+.2f} dB. "
                f"Check where it was recorded{_option(other, decides=decides)}"
                f"{_DOUBT if explains else ''}"
            )
    return ""


def _decided(deviation_db: Floats, reach_db: Floats, limit_db: Floats) -> tuple[bool, bool]:
    """Whether a deviation may be, and surely is, beyond its limits."""
    size = np.abs(deviation_db)
    return bool(np.any(size + reach_db > limit_db)), bool(np.any(size - reach_db > limit_db))


def _option(other: str, *, decides: bool) -> str:
    """The option that states another place, where that decides."""
    return f"; --stimulus-at {other} judges it so, and may decide otherwise" if decides else ""


def _level_db(stimulus_at: str, network: NetworkEstimate, frequency_hz: Floats) -> Floats:
    """Level from where a stimulus is recorded to the unit's input re 1 kHz [dB]."""
    at = np.append(frequency_hz, REFERENCE_FREQUENCY_HZ)
    total = np.zeros(at.size, dtype=complex)
    if stimulus_at != "input":
        total += network_log_response(network, np.zeros(network.sources), at)
    if stimulus_at == "generator":
        total += np.log(source_drop(network, at))
    level = DB_PER_NEPER * total.real
    return np.asarray(level[:-1] - level[-1])
