"""The main job: job, curve, exact networks, pick, design, analyses; each public by itself."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.analysis.error_summary import ErrorSummary, error_summary
from antecurve.analysis.level import LevelReport, level_report
from antecurve.analysis.loading import LoadingResult, loading_table
from antecurve.analysis.response import ResponseTable, response_frequencies, response_table
from antecurve.analysis.spread import SpreadResult, spread
from antecurve.checked import checked
from antecurve.curves.model import FLAT, Curve, zero_pole_gain
from antecurve.errors import InputError
from antecurve.job import Job
from antecurve.networks.centred_error import reference_gain
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Network, Topology
from antecurve.networks.wiring import check_wiring
from antecurve.parts.position import PickedNetwork
from antecurve.pick.result import FormOutcome, PickProgress, SearchReport, ShortlistEntry
from antecurve.results import Result
from antecurve.threads import single_threaded_linear_algebra

if TYPE_CHECKING:
    from concurrent.futures import Executor

    import pandas

    from antecurve.analysis.parts_list import PartsList
    from antecurve.analysis.prices import Prices
    from antecurve.analysis.ratings import PartStresses
    from antecurve.analysis.scope import FaultSheet, ScopeTrace
    from antecurve.parts.drawer import Drawer
    from antecurve.synthesis.formula_model import FormFormulas

__all__ = [
    "Analysis",
    "Design",
    "analyse",
    "design",
    "design_formulas",
    "design_parts_list",
    "design_stresses",
    "pair_level_db",
    "square_waves",
    "with_analysis",
]


@dataclass(frozen=True, slots=True)
class Analysis(Result):
    """What a design will do.

    Attributes
    ----------
    response : ResponseTable
        Levels, error, phases and impedances from 20 Hz to 100 kHz.
    error : ErrorSummary
        Nominal error.
    level : LevelReport
        Level, impedances, noise and peak.
    spread : SpreadResult
        Over builds.
    loading : LoadingResult
        With other generators and units.
    """

    response: ResponseTable
    error: ErrorSummary
    level: LevelReport
    spread: SpreadResult
    loading: LoadingResult


@dataclass(frozen=True, slots=True)
class Design(Result):
    """A network with parts, for a job.

    Attributes
    ----------
    job : Job
        What was asked for.
    picked : PickedNetwork
        Parts in every position.
    search : SearchReport
        What the search examined and proved.
    shortlist : sequence of ShortlistEntry
        Alternatives to consider; of a pick they are worked out when first looked at.
    forms : sequence of FormOutcome
        The forms of the job side by side, likewise.
    second : PickedNetwork or None
        The other network of a stereo pair.
    match_db : float or None
        Largest difference of the pair over the band, each re 1 kHz [dB].
    position : str
        Name of the switch position that it is of; empty for a network of one curve.
    """

    FORMAT: ClassVar = "antecurve-design-1"
    _keys: ClassVar = (
        "format:FORMAT",
        "job",
        "curve.name:curve.name",
        "curve.*:time_constants",
        "curve.ultrasonic_poles_s:curve.ultrasonic_poles_s",
        "network:picked",
        "*:job.loading",
        "source.level_v:job.source_level_v",
        "error:analysis.error",
        "level:analysis.level",
        "search",
        "search.forms:searched_forms",
        "shortlist",
        "forms",
        "second",
        "match_db",
        "spread:analysis.spread",
        "loading:analysis.loading",
    )

    job: Job
    picked: PickedNetwork
    search: SearchReport
    shortlist: Sequence[ShortlistEntry] = ()
    forms: Sequence[FormOutcome] = ()
    second: PickedNetwork | None = None
    match_db: float | None = None
    position: str = ""
    _kept: dict[str, Any] = field(default_factory=dict, init=False, compare=False, repr=False)

    def to_frame(self) -> pandas.DataFrame:
        """Tabulate the parts as a data frame.

        Returns
        -------
        pandas.DataFrame
            One row a distinct part, as in ``parts.csv``.
        """
        return design_parts_list(self).to_frame()

    @property
    def analysis(self) -> Analysis:
        """What it will do: worked out when first asked for, then kept."""
        analysis: Analysis = self._kept["analysis"] if "analysis" in self._kept else analyse(self)
        return analysis

    @property
    def response(self) -> ResponseTable:
        """The response of `analysis`, also before all of that is worked out; kept, too."""
        if "response" not in self._kept:
            frequency_hz = _frequencies(self.conditions.band_hz)
            self._kept["response"] = response_table(self, frequency_hz=frequency_hz)
        response: ResponseTable = self._kept["response"]
        return response

    @property
    def curve(self) -> Curve:
        """The curve to impose, limits included."""
        return self.job.curve

    @property
    def time_constants(self) -> ZeroPoleGain[float]:
        """The curve to impose as a rational function of s, without a gain constant."""
        return zero_pole_gain(self.curve)

    @property
    def searched_forms(self) -> list[dict[str, Any]]:
        """What the search proved of each form that has a network."""
        keys = ("form", "objective_db", "lower_bound_db", "proved")
        return [
            {key: getattr(form, key) for key in keys}
            for form in self.forms
            if form.objective_db is not None
        ]

    @property
    def conditions(self) -> Conditions:
        """Curve, generator, unit and band."""
        return self.job.conditions

    @property
    def network(self) -> Network:
        """The network with the values of the parts."""
        return self.picked.network

    @property
    def exact_network(self) -> Network | None:
        """The network with exact values, where every position knows its own."""
        return self.picked.exact_network


@checked
def analyse(design: Design, *, progress: Callable[[int, int], None] | None = None) -> Analysis:
    """Work out what a design will do: error, level, spread, loading.

    Parameters
    ----------
    design : Design
        The design; from then on its `analysis` is this one.
    progress : callable, optional
        Called with builds done and builds in all.

    Returns
    -------
    Analysis
        The results.
    """
    analysis = Analysis(
        response=design.response,
        error=error_summary(design),
        level=level_report(design),
        spread=spread(design, progress=progress),
        loading=loading_table(design),
    )
    design._kept["analysis"] = analysis
    return analysis


def with_analysis(design: Design, analysis: Analysis) -> Design:
    """Attach an analysis to a design.

    Parameters
    ----------
    design : Design
        The design.
    analysis : Analysis
        What it will do.

    Returns
    -------
    Design
        An equal design.
    """
    copy = replace(design)
    copy._kept["analysis"] = analysis
    return copy


def _frequencies(band_hz: tuple[float, float]) -> NDArray[np.float64]:
    """Frequencies of the response, the ends of the band among them where they lie within."""
    grid = response_frequencies()
    ends = [f for f in band_hz if grid[0] <= f <= grid[-1]]
    return np.unique(np.concatenate([grid, ends]))


def square_waves(design: Design) -> tuple[ScopeTrace | None, FaultSheet | None]:
    """Compute the traces of a 1 kHz square wave at the peak of the job's sine wave.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    trace : ScopeTrace or None
        With ideal playback; ``None`` where playback rises so steeply that an edge would become
        an impulse.
    faults : FaultSheet or None
        The same after playback with common faults.
    """
    from antecurve.analysis.scope import fault_sheet, scope_trace

    try:
        return scope_trace(design), fault_sheet(design)
    except InputError as error:
        if error.field != "chain":
            raise
        return None, None


def design_formulas(design: Design) -> FormFormulas | None:
    """Derive the formulas of a design's form.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    FormFormulas or None
        ``None`` for a network of the user's own, and for a flat position of a box.  Where a throw
        opens or shorts positions, the formulas number those that are left.
    """
    from antecurve.synthesis.exact import form_names
    from antecurve.synthesis.formulas import form_formulas

    form = design.picked.topology.form.partition(",")[0]  # what a throw opens or shorts follows
    known = form in form_names() and design.curve.name != FLAT
    return form_formulas(form, design.curve) if known else None


@checked
def design(
    job: Job,
    *,
    drawer: Drawer | None = None,
    progress: Callable[[PickProgress], None] | None = None,
    builds_progress: Callable[[int, int], None] | None = None,
    executor: Executor | None = None,
    budget_seconds: float | None = None,
) -> Design:
    """Do the main job: pick parts for a network that imposes the job's curve, and analyse it.

    Parameters
    ----------
    job : Job
        What is to be built.
    drawer : Drawer, optional
        Parts on hand.
    progress : callable, optional
        Called with the progress of the search.
    builds_progress : callable, optional
        Called with builds done and builds in all, once the search is over.
    executor : concurrent.futures.Executor, optional
        Runs parts of a very large search.
    budget_seconds : float, optional
        Time for the search [s], in place of the job's.

    Returns
    -------
    Design
        The network with parts, the search's report, the shortlist and the analyses.

    Raises
    ------
    UnattainableError
        When no passive network of the forms makes the curve.
    NoCombinationError
        When no combination of parts meets the limits.
    InputError
        When a form or a series does not exist.
    WiringError
        When the elements of the user's own don't make a network.

    Examples
    --------
    >>> from antecurve.job import default_job
    >>> designed = design(default_job())
    >>> designed.analysis.error.job.centred_db < 0.03
    True
    """
    from antecurve.pick.search import pick

    if job.network.elements is not None:
        check_wiring(Topology("own", job.network.elements))
    with single_threaded_linear_algebra(of_scipy=False):
        result = pick(
            job, drawer=drawer, progress=progress, executor=executor,
            budget_seconds=budget_seconds,
        )  # fmt: skip
        made = Design(
            job,
            result.best,
            result.search,
            result.shortlist,
            result.forms,
            result.second,
            result.match_db,
        )
        analyse(made, progress=builds_progress)
        return made


def pair_level_db(design: Design) -> float | None:
    """Compute how much the level of a pair's second network is above the first's, at 1 kHz.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    float or None
        Difference [dB] with the same EMF; ``None`` for a single network.
    """
    if design.second is None:
        return None
    first, second = (
        reference_gain(network, loading=design.job.loading)
        for network in (design.network, design.second.network)
    )
    return 20.0 * math.log10(second / first)


def design_stresses(design: Design) -> PartStresses:
    """Work out voltage, dissipation and rating of every part of a design, once.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    PartStresses
        See `antecurve.analysis.ratings.part_stresses`.
    """
    from antecurve.analysis.ratings import part_stresses

    if "stresses" not in design._kept:
        design._kept["stresses"] = part_stresses(design)
    stresses: PartStresses = design._kept["stresses"]
    return stresses


@checked
def design_parts_list(
    design: Design, *, sets: int = 1, spares: float = 0.0, prices: Prices | None = None
) -> PartsList:
    """List the parts of a design, with the rating each part needs.

    Parameters
    ----------
    design : Design
        The design.
    sets, spares, prices : optional
        See `antecurve.analysis.parts_list.parts_list`.

    Returns
    -------
    PartsList
        One line per distinct part.

    Raises
    ------
    InputError
        When `sets` is not 1 or more, or `spares` out of range.
    """
    from antecurve.analysis.parts_list import parts_list
    from antecurve.analysis.ratings import part_stresses

    second = design.second
    return parts_list(
        design.picked, second=second, sets=sets, spares=spares, prices=prices,
        stresses=design_stresses(design),
        second_stresses=None if second is None else part_stresses(second, design.conditions),
    )  # fmt: skip
