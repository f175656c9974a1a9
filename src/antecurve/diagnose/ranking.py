"""Evidence of each hypothesis: likelihood of the captures, marginal over what is uncertain.

Good parts scatter within their tolerances, a free value by its prior, and the circuit leaves out
strays.  To first order about each faulty circuit all of these are normal and their integral is
exact (Laplace's approximation): with residuals y + T x, x of variance 1 about -m,
ln p = -(|y|^2 + |m|^2 - b' A^-1 b)/2 - ln det(A)/2, A = 1 + T T', b = T y + m.
Two integrals have ends (`normal_mass.py`): a good part stays within its tolerance, and a free value
within a step of where the circuit was linearised.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from antecurve.diagnose.hypotheses import FreeValue, Hypothesis
from antecurve.diagnose.information import ResponseInformation, real_columns
from antecurve.diagnose.nodal import Drive, NodalModel, PortResponse
from antecurve.diagnose.normal_mass import REACH, log_bounded, log_mass
from antecurve.diagnose.ports import complex_frequency

__all__ = ["FittedHypothesis", "Ranker", "shape_columns"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_STARTS = (-7.0, -4.6, -3.0, -2.0, -1.2, -0.6, -0.2, 0.2, 0.6, 1.2, 2.0, 3.0, 4.6, 7.0)
# ln of a value over its usual one: close enough for the steps below to reach any value between.
_KEPT = 3  # starts of each that go on
_STEPS = 8  # at most: half a gap between starts is two of the longest, then each halves its error
_LONGEST = 1.0  # of ln of a value: the response is far from linear beyond
_CHUNK = 256  # candidates at a time, to bound memory
_POLISHES = 4  # at most: tolerances of a fifth leave their square, the next round its square
_POLISHED = 0.05  # standard deviations of a part
_FARTHEST = 8.0  # standard deviations of a good part: nothing farther is one
_LITTLE = 1e-6  # of ln of the evidence
_SETTLED = 1e-4  # of a value
_STRAY = 0.003  # nepers: strays and leads do some 0.03 dB, by judgement
_FREE_SHAPE = 0.7  # nepers for each corner of a free shape: some 6 dB
_SHAPES_PER_DECADE = 2  # a corner bends a decade to either side: between two it is a mix of them
_SHAPES_HZ = (3.0, 300e3)  # a decade about the audio band: corners there still bend it
_DEAD = 1e-3  # of the nominal level at the middle node: a unit that plays is not 60 dB down


def shape_columns(frequency_hz: Floats) -> Complex:
    """Compute changes of ln U that any smooth response of minimum phase is made of.

    Parameters
    ----------
    frequency_hz : numpy.ndarray of float, shape (nodes,)
        Frequencies [Hz].

    Returns
    -------
    numpy.ndarray of complex, shape (shapes, nodes)
        s T/(1 + s T): what a corner at 1/(2 pi T) does as it moves.
    """
    count = 1 + round(_SHAPES_PER_DECADE * math.log10(_SHAPES_HZ[1] / _SHAPES_HZ[0]))
    corners = np.geomspace(*_SHAPES_HZ, count)
    at = complex_frequency(frequency_hz) / (2.0 * math.pi * corners[:, None])
    return np.asarray(at / (1.0 + at))


@dataclass(frozen=True, slots=True, eq=False)
class FittedHypothesis:
    """A hypothesis with the captures taken into account.

    Attributes
    ----------
    hypothesis : Hypothesis or None
        The hypothesis; ``None`` for a good unit.
    at : tuple of float
        Free values about which the circuit was linearised, in their units.
    values : tuple of float
        Free values as fitted, in their units.
    log_deviations : tuple of float
        Standard deviation of ln of each.
    log_evidence : float
        ln of the likelihood of the captures, marginal over all that is uncertain.
    chi_square : float
        The least sum of squares, priors included.
    log_response : numpy.ndarray of complex, shape (nodes,)
        ln U under it, good parts where the captures put them.
    parts : numpy.ndarray of float, shape (tolerances,)
        Good values in standard deviations from nominal.
    """

    hypothesis: Hypothesis | None
    at: tuple[float, ...]
    values: tuple[float, ...]
    log_deviations: tuple[float, ...]
    log_evidence: float
    chi_square: float
    log_response: Complex
    parts: Floats


@lru_cache(maxsize=8)
def _scattered(model: NodalModel) -> tuple[NDArray[np.intp], Floats]:
    """Which values of a circuit scatter within tolerances, and the standard deviation of each."""
    quantities = model.quantities
    which = np.array(
        [k for k, q in enumerate(quantities) if q.tolerance > 0 and 0 < abs(q.nominal) < np.inf]
    )
    deviations = np.array([quantities[k].tolerance / REACH for k in which])
    for shared in (which, deviations):
        shared.setflags(write=False)
    return which, deviations


@dataclass(frozen=True, slots=True, eq=False)
class Ranker:
    """A circuit solved, and what captures say of its response.

    Attributes
    ----------
    solved : PortResponse
        The nominal circuit at the nodes of the information.
    information : ResponseInformation
        What captures say.
    drive : Drive
        What drives the unit at the nodes.
    parts : numpy.ndarray of float, shape (tolerances,), or None
        Good values about which the circuit was solved, in standard deviations from nominal;
        ``None`` for nominal ones.
    """

    solved: PortResponse
    information: ResponseInformation
    drive: Drive
    parts: Floats | None = None

    @property
    def scattered(self) -> NDArray[np.intp]:
        """Which values scatter within tolerances."""
        return _scattered(self.solved.model)[0]

    @property
    def deviations(self) -> Floats:
        """Standard deviation of ln of each, anywhere within its tolerance (JCGM 100, 4.3.7)."""
        return _scattered(self.solved.model)[1]

    def values_at(self, parts: Floats) -> Floats:
        """Compute the values of a circuit whose good parts are off.

        Parameters
        ----------
        parts : numpy.ndarray of float, shape (tolerances,)
            Good values in standard deviations from nominal; beyond eight they count as eight.

        Returns
        -------
        numpy.ndarray of float, shape (ports,)
            Values in their units.
        """
        values = self.solved.model.nominal
        values[self.scattered] *= np.exp(np.clip(parts, -_FARTHEST, _FARTHEST) * self.deviations)
        return values

    def good(self) -> FittedHypothesis:
        """Fit the unit without a fault.

        Returns
        -------
        FittedHypothesis
            Its evidence.
        """
        return self._evaluated([None], [()])[0]

    def free_shape(self) -> tuple[float, Complex]:
        """Fit any smooth response.

        Returns
        -------
        tuple of float and numpy.ndarray of complex, shape (nodes,)
            ln of its evidence, and ln U as the captures show it.
        """
        shapes = shape_columns(self.information.frequency_hz)
        nominal = np.log(self.solved.response)[None]
        columns = _FREE_SHAPE * real_columns(shapes)[None]
        change = self.information.change(nominal)
        fits = self._marginal(change, columns, np.zeros((1, len(shapes))))
        moved = change[0] + fits.best[0] @ columns[0]
        half = moved.size // 2
        response = self.information.centre + moved[:half] + 1j * moved[half:]
        return float(fits.log_evidence[0]), response

    def free_response(self) -> float:
        """Weigh any response at all, each node by itself.

        Returns
        -------
        float
            ln of its evidence: what no smooth response comes near, nor any fault, is not one.
        """
        size = 2 * self.information.frequency_hz.size
        change = self.information.change(np.log(self.solved.response)[None])
        columns = _FREE_SHAPE * np.eye(size)[None]
        return float(self._marginal(change, columns, np.zeros((1, size))).log_evidence[0])

    def fitted(self, hypotheses: Sequence[Hypothesis]) -> list[FittedHypothesis]:
        """Fit hypotheses, each with its free values.

        Parameters
        ----------
        hypotheses : sequence of Hypothesis
            The hypotheses, with at most two changes each.

        Returns
        -------
        list of FittedHypothesis
            In the same order; without evidence where the unit would play nothing.
        """
        fixed = [k for k, h in enumerate(hypotheses) if not h.free]
        free = [k for k, h in enumerate(hypotheses) if h.free]
        result: dict[int, FittedHypothesis] = {}
        plain = self._evaluated([hypotheses[k] for k in fixed], [()] * len(fixed))
        result |= dict(zip(fixed, plain, strict=True))
        tried = [(k, start) for k in free for start in _starts(hypotheses[k])]
        best: dict[int, list[FittedHypothesis]] = {k: [] for k in free}
        steps = self._evaluated([hypotheses[k] for k, _ in tried], [s for _, s in tried])
        for (k, _), step in zip(tried, steps, strict=True):
            best[k].append(step)
        going = [
            (k, step)
            for k in free
            for step in sorted(best[k], key=lambda f: -f.log_evidence)[:_KEPT]
        ]
        for k, step in self.refined(going):
            known = result.get(k)
            if known is None or step.log_evidence > known.log_evidence:
                result[k] = step
        return [result[k] for k in range(len(hypotheses))]

    def again(self, fits: Sequence[FittedHypothesis]) -> list[FittedHypothesis]:
        """Fit hypotheses from the values that other captures gave them.

        Parameters
        ----------
        fits : sequence of FittedHypothesis
            The fits.

        Returns
        -------
        list of FittedHypothesis
            At the same values.
        """
        return self._evaluated([f.hypothesis for f in fits], [f.values for f in fits])

    def refined(
        self, going: list[tuple[int, FittedHypothesis]]
    ) -> list[tuple[int, FittedHypothesis]]:
        """Move free values to where the captures put them.

        Parameters
        ----------
        going : list of tuple
            Numbers of one's own, and fits to go on from.

        Returns
        -------
        list of tuple
            The same, as good or better.
        """
        best = list(going)
        trial = {i: fit.values for i, (_, fit) in enumerate(best)}
        for _ in range(_STEPS):
            order = list(trial)
            moved = self._evaluated(
                [best[i][1].hypothesis for i in order], [trial[i] for i in order]
            )
            for i, step in zip(order, moved, strict=True):
                number, known = best[i]
                if step.log_evidence >= known.log_evidence - _LITTLE:
                    best[i] = (number, step)
                    trial[i] = step.values
                else:
                    trial[i] = tuple(
                        math.copysign(math.sqrt(v * w), v)
                        for v, w in zip(trial[i], known.at, strict=True)
                    )
                if _near(trial[i], best[i][1].at):
                    del trial[i]
            if not trial:
                break
        return best

    def _evaluated(
        self, hypotheses: Sequence[Hypothesis | None], values: Sequence[tuple[float, ...]]
    ) -> list[FittedHypothesis]:
        """Fits at given free values, with the values that a step from there leads to."""
        fits: list[FittedHypothesis] = []
        for first in range(0, len(hypotheses), _CHUNK):
            part = slice(first, first + _CHUNK)
            fits += self._chunk(hypotheses[part], values[part])
        return fits

    def _chunk(
        self, hypotheses: Sequence[Hypothesis | None], values: Sequence[tuple[float, ...]]
    ) -> list[FittedHypothesis]:
        changes = [self._changes(h, v) for h, v in zip(hypotheses, values, strict=True)]
        # Circuits with fewer changes than others "change" a value that nothing hangs on: to itself.
        ports, to = _padded(changes, self.solved.values)
        response, slopes = self.solved.changed(ports, to)
        middle = response.shape[-1] // 2
        nominal = np.abs(self.solved.response[middle])
        alive = np.abs(response[:, middle]) > _DEAD * nominal
        alive &= np.isfinite(slopes).all(axis=(1, 2))
        response = np.where(alive[:, None], response, 1.0)
        slopes = np.where(alive[:, None, None], slopes, 0.0)
        columns = self._columns(slopes, hypotheses)
        about = np.zeros(self.scattered.size) if self.parts is None else self.parts
        offsets = np.zeros(columns.shape[:2])
        offsets[:, _FREE : _FREE + about.size] = about
        frees = [h.free if h else () for h in hypotheses]
        for row, (free, at) in enumerate(zip(frees, values, strict=True)):
            for k, (unknown, value) in enumerate(zip(free, at, strict=True)):
                offsets[row, k] = math.log(value / unknown.usual) / unknown.spread
        log_response = np.log(response)
        marginal = self._marginal(self.information.change(log_response), columns, offsets)
        marginal = marginal.within(_reach(frees)).bounded(about)
        fits = []
        scattered = self.scattered.size
        for row, hypothesis in enumerate(hypotheses):
            step, spread = marginal.best[row], marginal.deviation[row]
            free = frees[row]
            moved = tuple(
                value * math.exp(float(u.spread * step[k]))
                for k, (u, value) in enumerate(zip(free, values[row], strict=True))
            )
            parts = step[_FREE : _FREE + scattered]
            at_parts = log_response[row] + np.einsum(
                "p,pf->f", parts * self.deviations, slopes[row, self.scattered]
            )
            fits.append(
                FittedHypothesis(
                    hypothesis,
                    tuple(values[row]),
                    moved,
                    tuple(u.spread * float(spread[k]) for k, u in enumerate(free)),
                    float(marginal.log_evidence[row]) if alive[row] else -math.inf,
                    float(marginal.chi_square[row]) if alive[row] else math.inf,
                    at_parts,
                    about + parts,
                )
            )
        return fits

    def _changes(
        self, hypothesis: Hypothesis | None, values: tuple[float, ...]
    ) -> list[tuple[int, float]]:
        """Ports with the values that they have; a wrong part scatters as a good one."""
        if hypothesis is None:
            return []
        column = {} if self.parts is None else {p: k for k, p in enumerate(self.scattered.tolist())}

        def scattered(port: int, value: float) -> float:
            if self.parts is None or port not in column:
                return value
            return value * math.exp(self.parts[column[port]] * self.deviations[column[port]])

        fixed = [(port, scattered(port, value)) for port, value in hypothesis.fixed]
        return [*fixed, *((f.port, v) for f, v in zip(hypothesis.free, values, strict=True))]

    def polished(self, fit: FittedHypothesis) -> FittedHypothesis:
        """Fit a hypothesis again about where the captures put its good parts.

        Parameters
        ----------
        fit : FittedHypothesis
            The fit about nominal parts.

        Returns
        -------
        FittedHypothesis
            Without the error of a response that is linear in tolerances of a fifth.
        """
        model, scattered = self.solved.model, self.scattered
        free = [f.port for f in fit.hypothesis.free] if fit.hypothesis else []
        for _ in range(_POLISHES):
            parts = np.where(np.isin(scattered, free), 0.0, fit.parts)
            parts = np.clip(parts, -_FARTHEST, _FARTHEST)
            solved = model.solved(self.drive, self.values_at(parts))
            about = replace(self, solved=solved, parts=parts)
            ((_, moved),) = about.refined([(0, about.again([fit])[0])])
            settled = np.abs(moved.parts - fit.parts).max(initial=0.0) < _POLISHED
            if not math.isfinite(moved.log_evidence):
                break
            fit = moved
            if settled:
                break
        return fit

    def _columns(self, slopes: Complex, hypotheses: Sequence[Hypothesis | None]) -> Floats:
        """What one standard deviation of each unknown does: free values, good parts, strays."""
        count, _, nodes = slopes.shape
        scattered = self.scattered
        strays = _STRAY * real_columns(shape_columns(self.information.frequency_hz))
        columns = np.zeros((count, _FREE + scattered.size + len(strays), 2 * nodes))
        parts = real_columns(slopes[:, scattered])
        columns[:, _FREE : _FREE + scattered.size] = self.deviations[:, None] * parts
        columns[:, _FREE + scattered.size :] = strays
        column = {int(port): k for k, port in enumerate(scattered)}
        for row, hypothesis in enumerate(hypotheses):
            for k, free in enumerate(hypothesis.free if hypothesis else ()):
                columns[row, k] = free.spread * real_columns(slopes[row, free.port])
                if free.port in column:
                    columns[row, _FREE + column[free.port]] = 0.0  # its scatter is in its own value
        return columns

    def _marginal(self, change: Floats, columns: Floats, offsets: Floats) -> _Marginal:
        information = self.information
        y = information.vector + change @ information.matrix.T
        t = columns @ information.matrix.T
        a = t @ np.swapaxes(t, 1, 2) + np.eye(t.shape[1])
        b = np.einsum("nkr,nr->nk", t, y) + offsets
        inverse = np.linalg.inv(a)
        best = -np.einsum("nkl,nl->nk", inverse, b)
        chi_square = (y**2).sum(axis=1) + (offsets**2).sum(axis=1) + (b * best).sum(axis=1)
        chi_square = chi_square + information.constant
        log_evidence = -0.5 * chi_square - 0.5 * np.linalg.slogdet(a)[1]
        deviation = np.sqrt(np.maximum(0.0, np.diagonal(inverse, axis1=1, axis2=2)))
        return _Marginal(log_evidence, chi_square, best, deviation)


_FREE = 2  # most free values of a hypothesis


@dataclass(frozen=True, slots=True, eq=False)
class _Marginal:
    log_evidence: Floats
    chi_square: Floats
    best: Floats
    deviation: Floats

    def within(self, reach: Floats) -> _Marginal:
        """The same with free values as near as the circuit is linear, the rest not counted."""
        centre = self.best[:, :_FREE]
        deviation = np.maximum(self.deviation[:, :_FREE], 1e-12)
        step = np.clip(centre, -reach, reach)
        rise = (((centre - step) / deviation) ** 2).sum(axis=1)
        near = log_mass((-reach - centre) / deviation, (reach - centre) / deviation).sum(axis=1)
        best = self.best.copy()
        best[:, :_FREE] = step
        return _Marginal(self.log_evidence + near, self.chi_square + rise, best, self.deviation)

    def bounded(self, about: Floats) -> _Marginal:
        """The same with good parts anywhere within their tolerances, and none beyond."""
        parts = slice(_FREE, _FREE + about.size)
        centre, deviation = self.best[:, parts] + about, self.deviation[:, parts]
        gain = log_bounded(centre, deviation)
        beyond = (log_bounded(np.zeros_like(centre), deviation) - gain).sum(axis=1)
        return replace(
            self,
            log_evidence=self.log_evidence + gain.sum(axis=1),
            chi_square=self.chi_square + 2.0 * beyond,
        )


def _reach(frees: Sequence[tuple[FreeValue, ...]]) -> Floats:
    """How far each free value may step, in its standard deviations."""
    reach = np.full((len(frees), _FREE), math.inf)
    for row, free in enumerate(frees):
        for k, unknown in enumerate(free):
            reach[row, k] = _LONGEST / unknown.spread
    return reach


def _near(values: tuple[float, ...], others: tuple[float, ...]) -> bool:
    return all(abs(v / w - 1.0) < _SETTLED for v, w in zip(values, others, strict=True))


def _starts(hypothesis: Hypothesis) -> list[tuple[float, ...]]:
    """Values to start from: a first free value anywhere, a second one where it is given."""
    first, *others = hypothesis.free
    return [(first.usual * math.exp(t), *(o.usual for o in others)) for t in _STARTS]


def _padded(changes: list[list[tuple[int, float]]], own: Floats) -> tuple[NDArray[np.intp], Floats]:
    width = max(1, *(len(c) for c in changes))
    rows = []
    for change in changes:
        used = {port for port, _ in change}
        idle = [p for p in range(own.size) if p not in used][: width - len(change)]
        rows.append([*change, *((p, float(own[p])) for p in idle)])
    ports = np.array([[port for port, _ in row] for row in rows], dtype=np.intp)
    return ports, np.array([[value for _, value in row] for row in rows])
