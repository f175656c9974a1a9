"""Other switches for the same curves: fewer poles with a larger error, equal or freer levels."""

from __future__ import annotations

from dataclasses import dataclass, replace

from antecurve.errors import AntecurveError
from antecurve.results import Result
from antecurve.switched.joint_pick import PickedBox, stock_of
from antecurve.switched.request import BoxJob
from antecurve.switched.sharing import SharedSet, Sharings

__all__ = ["Alternative", "alternatives_of"]

_LARGEST_DB = 12.0  # a curve that is further off is another curve
_FEWER = 2  # poles fewer: with less still every curve is much the same


@dataclass(frozen=True, slots=True)
class Alternative(Result):
    """Another set of switched positions, with its best values, not yet picked to parts.

    Attributes
    ----------
    what : str
        What it trades: ``fewer poles``, ``equal levels`` or ``free levels``.
    form : str
        Name of the form.
    switched : tuple of str
        References of the switched positions; as many poles.
    centred_db : float
        Largest centred error over the positions with the best values met [dB].
    """

    what: str
    form: str
    switched: tuple[str, ...]
    centred_db: float


def alternatives_of(job: BoxJob, picked: PickedBox) -> tuple[Alternative, ...]:
    """List other switches for the curves of a box.

    Parameters
    ----------
    job : BoxJob
        The box.
    picked : PickedBox
        Its pick.

    Returns
    -------
    tuple of Alternative
        For each smaller number of poles the set with the smallest error, then the fewest poles
        with equal levels, or with free ones where equal levels were asked for.
    """
    best = picked.best.shared
    count = len(best.switched)
    listed = []
    for fewer in range(count - 1, max(-1, count - 1 - _FEWER), -1):
        near = picked.sharings.nearest(fewer, limit_db=_LARGEST_DB, forms=(best.form,))
        if near:
            listed.append(_alternative("fewer poles", near[0]))
    other = replace(job, switch=replace(job.switch, equal_levels=not job.switch.equal_levels))
    levels = "free levels" if job.switch.equal_levels else "equal levels"
    fewest = _fewest(other)
    if fewest is not None:
        listed.append(_alternative(levels, fewest))
    return tuple(listed)


def _alternative(what: str, shared: SharedSet) -> Alternative:
    order = shared.joint.topology.refs
    switched = tuple(r for r in order if r in shared.switched)
    return Alternative(what, shared.form, switched, shared.error_db)


def _fewest(job: BoxJob) -> SharedSet | None:
    """The first of the smallest sets that make every curve exactly."""
    plain = replace(
        job.common,
        resistors=replace(
            job.common.resistors, drawer=None, series=job.common.resistors.series or "E96"
        ),
        capacitors=replace(
            job.common.capacitors, drawer=None, series=job.common.capacitors.series or "E12"
        ),
    )
    try:
        sharings = Sharings(job, stock_of(plain, None))
    except AntecurveError:
        return None
    for count in range(sharings.most + 1):
        sets = sharings.exact(count, most=1)
        if sets:
            return sets[0]
    return None
