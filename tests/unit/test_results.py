"""Every result shows itself: as plain data, as a table, in a few lines, as a figure."""

from __future__ import annotations

import copy
import dataclasses
import importlib
import json
import math
import pkgutil
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

import antecurve
from antecurve.analysis.as_built import as_built
from antecurve.analysis.bench_plan import bench_plan
from antecurve.analysis.correction import correction
from antecurve.analysis.delay import delay_table
from antecurve.analysis.drift import drift
from antecurve.analysis.generator import generator_setting, level_plan
from antecurve.analysis.impedance_advice import generator_advice
from antecurve.analysis.level import level_report
from antecurve.analysis.loading import loading_table
from antecurve.analysis.losses import loss_effect
from antecurve.analysis.noise import noise_report
from antecurve.analysis.peaks import peak_report
from antecurve.analysis.ratings import part_stresses
from antecurve.analysis.response import response_table
from antecurve.analysis.scope import fault_sheet, scope_trace
from antecurve.analysis.sensitivity import sensitivities
from antecurve.analysis.spread import spread
from antecurve.analysis.strays import stray_table
from antecurve.analysis.worst_case import worst_case
from antecurve.curves.catalogue import CatalogueEntry, named_curve
from antecurve.curves.identify import identify_curve
from antecurve.curves.model import response
from antecurve.curves.tabulate import curve_table
from antecurve.errors import InputError
from antecurve.judge.conformity import Decision
from antecurve.judge.sweep import SweepCapture
from antecurve.judge.verdicts import judge_unit
from antecurve.networks.centred_error import error_range
from antecurve.networks.compiled import transfer
from antecurve.networks.topology import Loading
from antecurve.pipeline import Design, with_analysis
from antecurve.results import Later, Result, column_rows, frame_rows, json_text, plain
from antecurve.synthesis.exact import exact_network
from antecurve.synthesis.formulas import form_formulas

# Results of a design by itself: nothing is repeated.
BY_DESIGN: dict[str, Any] = {
    f.__name__: f
    for f in (
        bench_plan, correction, delay_table, drift, error_range, fault_sheet, generator_setting,
        level_plan, level_report, loading_table, loss_effect, noise_report, part_stresses,
        peak_report, response_table, scope_trace, sensitivities, spread, stray_table, worst_case,
    )
}  # fmt: skip


def _classes(base: type[Result]) -> Iterator[type[Result]]:
    for cls in base.__subclasses__():
        yield cls
        yield from _classes(cls)


def _result_classes() -> list[type[Result]]:
    for module in pkgutil.walk_packages(antecurve.__path__, "antecurve."):
        if "__main__" not in module.name:
            importlib.import_module(module.name)
    # A slotted dataclass leaves its unslotted draft behind.
    return [c for c in _classes(Result) if dataclasses.is_dataclass(c) and "__slots__" in vars(c)]


@pytest.mark.parametrize("cls", _result_classes(), ids=lambda c: str(c.__name__))
def test_every_result_has_short_words_and_known_keys(cls: type[Result]) -> None:
    assert cls.__repr__ is Result.__repr__
    names = {f.name for f in dataclasses.fields(cls)} | set(dir(cls))
    for key in cls._keys:
        assert key.rpartition(":")[2].split(".")[0] in names, key
    assert not cls._rows or cls._rows in names


@pytest.mark.parametrize("name", BY_DESIGN)
def test_a_design_is_enough_and_its_results_speak(default_design: Design, name: str) -> None:
    result = BY_DESIGN[name](default_design)
    _speaks(result)


def test_results_of_more_than_a_design_speak(default_design: Design) -> None:
    results = [
        as_built(default_design, measured={}),
        *generator_advice(default_design),
        default_design,
        default_design.analysis,
        default_design.search,
        default_design.picked.network,
        exact_network(
            "cauer-1", named_curve("disc"), loading=Loading(50.0, 47e3, 0.0), gain=0.01,
            shunt_resistance=500.0,
        ),
    ]  # fmt: skip
    for result in results:
        _speaks(result)


def _speaks(result: Result) -> None:
    assert len(repr(result).splitlines()) <= 10
    assert len(repr(result)) <= 1000
    text = json.dumps(result.to_dict(), allow_nan=False)  # refuses what is not plain
    assert json.loads(text) == result.to_dict()
    frame = result.to_frame()
    assert len(frame) >= 1
    assert "<table" in result._repr_html_()


@pytest.mark.parametrize("name", ["response_table", "scope_trace", "fault_sheet", "spread"])
def test_results_that_are_pictures_plot(default_design: Design, name: str) -> None:
    figure = BY_DESIGN[name](default_design).plot()
    assert figure.axes and figure.axes[0].lines
    assert default_design.plot().axes


def test_a_verdict_speaks_and_plots(default_design: Design) -> None:
    """Of a unit without fault: what it plays is flat but for 0.01 dB of noise."""
    frequency = np.geomspace(20.0, 20e3, 61)
    loading = default_design.conditions.loading
    emphasis = np.abs(response(default_design.job.curve, frequency, published=True))
    gain = np.abs(transfer(default_design.picked.network, frequency, loading=loading)) / emphasis
    noise = 0.01 * np.random.default_rng(1).standard_normal(frequency.size)
    verdict = judge_unit(SweepCapture(frequency, 20.0 * np.log10(gain) + noise), default_design)
    assert verdict.decision is Decision.PASS
    for result in (verdict, verdict.deviation, verdict.ruling, *verdict.fitted):
        _speaks(result)
    assert verdict.plot().axes[0].lines


def test_others_say_what_can_be_plotted(default_design: Design) -> None:
    with pytest.raises(InputError, match=r"plot: received 'LevelReport'.*charts of Design"):
        level_report(default_design).plot()


def test_a_design_by_itself_gives_its_own_analysis(default_design: Design) -> None:
    again = spread(default_design)
    assert again.to_dict() == default_design.analysis.spread.to_dict()
    network, conditions = default_design.picked, default_design.conditions
    limit_db = default_design.job.target.error_limit_db
    assert spread(network, conditions, limit_db=limit_db).to_dict() == again.to_dict()
    with pytest.raises(InputError, match="needs conditions"):
        spread(network)


def test_the_analysis_is_made_once_and_not_carried_over(default_design: Design) -> None:
    fresh = dataclasses.replace(default_design)
    assert fresh == default_design
    assert fresh.analysis is fresh.analysis
    assert fresh.analysis is not default_design.analysis
    kept = with_analysis(fresh, default_design.analysis)
    assert kept.analysis is default_design.analysis


def test_what_is_not_finite_is_none_in_plain_data() -> None:
    import pandas

    assert plain({"a": (math.inf, 1.0), "b": float("nan")}) == {"a": [None, 1.0], "b": None}
    assert frame_rows(pandas.DataFrame({"x": [math.nan, 2.0]})) == [{"x": None}, {"x": 2.0}]


@dataclasses.dataclass(frozen=True, slots=True)
class _Inner:
    value: float


@dataclasses.dataclass(frozen=True, slots=True)
class _Keyed(Result):
    _keys = (
        "first:inner.value",
        "missing:other.value",
        "group.all:many.value",
        "*:inner",
        "group.*:inner",
    )

    inner: _Inner
    other: _Inner | None
    many: tuple[_Inner, ...]


def test_keys_rename_nest_splice_and_read_items() -> None:
    keyed = _Keyed(_Inner(1.0), None, (_Inner(2.0), _Inner(math.inf)))
    assert keyed.to_dict() == {
        "first": 1.0,
        "missing": None,
        "group": {"all": [2.0, None], "value": 1.0},
        "value": 1.0,
    }


def test_columns_of_one_length_become_rows() -> None:
    assert column_rows(x=(1, 2), y=[math.nan, 0.5]) == [{"x": 1, "y": None}, {"x": 2, "y": 0.5}]
    with pytest.raises(ValueError, match="shorter"):
        column_rows(x=(1, 2), y=(1,))


def test_curves_fits_and_formulas_speak() -> None:
    table = curve_table(named_curve("disc"))
    identified = identify_curve(frequency_hz=table.frequency_hz, level_db=table.emphasis_db)
    for result in (table, CatalogueEntry(named_curve("cd-emphasis")), identified):
        _speaks(result)
    formulas = form_formulas("foster-1")
    assert json.loads(json_text(formulas)) == formulas.to_dict()
    assert len(repr(formulas).splitlines()) <= 10


def test_items_for_later_are_worked_out_once_and_copied_as_a_tuple() -> None:
    calls: list[str] = []

    def work() -> list[_Inner]:
        calls.append("worked out")
        return [_Inner(1.0), _Inner(2.0)]

    later = Later(work)
    assert calls == []
    assert later[0] == _Inner(1.0)
    assert later == (_Inner(1.0), _Inner(2.0))
    assert len(later) == 2
    assert calls == ["worked out"]
    copied = copy.deepcopy(later)
    assert type(copied) is tuple
    assert later == copied
    assert json_text(later) == json_text([{"value": 1.0}, {"value": 2.0}])
    assert Later(list) == ()
