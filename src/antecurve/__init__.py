"""antecurve: passive RC networks that put a recording curve before a playback preamplifier.

The public names are loaded when they are used, so that importing the package is quick.
``antecurve.design(antecurve.default_job())`` is the whole main job; each step is public by itself.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from antecurve.analysis.as_built import AsBuilt as AsBuilt
    from antecurve.analysis.as_built import MeterAccuracy as MeterAccuracy
    from antecurve.analysis.as_built import as_built as as_built
    from antecurve.analysis.as_built import measured_network as measured_network
    from antecurve.analysis.bench_plan import BenchPlan as BenchPlan
    from antecurve.analysis.bench_plan import bench_plan as bench_plan
    from antecurve.analysis.bench_sheet import BenchSheet as BenchSheet
    from antecurve.analysis.bench_sheet import Receiver as Receiver
    from antecurve.analysis.bench_sheet import bench_sheet as bench_sheet
    from antecurve.analysis.correction import Correction as Correction
    from antecurve.analysis.correction import ValueUncertainty as ValueUncertainty
    from antecurve.analysis.correction import correction as correction
    from antecurve.analysis.delay import DelayTable as DelayTable
    from antecurve.analysis.delay import delay_table as delay_table
    from antecurve.analysis.drift import DriftResult as DriftResult
    from antecurve.analysis.drift import drift as drift
    from antecurve.analysis.drift import own_technologies as own_technologies
    from antecurve.analysis.generator import GeneratorSetting as GeneratorSetting
    from antecurve.analysis.generator import InputKind as InputKind
    from antecurve.analysis.generator import LevelPlan as LevelPlan
    from antecurve.analysis.generator import generator_setting as generator_setting
    from antecurve.analysis.generator import level_plan as level_plan
    from antecurve.analysis.impedance_advice import GeneratorAdvice as GeneratorAdvice
    from antecurve.analysis.impedance_advice import ImpedanceWindow as ImpedanceWindow
    from antecurve.analysis.impedance_advice import generator_advice as generator_advice
    from antecurve.analysis.impedance_advice import impedance_window as impedance_window
    from antecurve.analysis.level import LevelReport as LevelReport
    from antecurve.analysis.level import level_report as level_report
    from antecurve.analysis.loading import LoadingResult as LoadingResult
    from antecurve.analysis.loading import cable_capacitance as cable_capacitance
    from antecurve.analysis.loading import loading_table as loading_table
    from antecurve.analysis.loading import shared_generator as shared_generator
    from antecurve.analysis.loading_window import LoadingWindow as LoadingWindow
    from antecurve.analysis.loading_window import loading_window as loading_window
    from antecurve.analysis.losses import LossEffect as LossEffect
    from antecurve.analysis.losses import loss_effect as loss_effect
    from antecurve.analysis.noise import NoiseReport as NoiseReport
    from antecurve.analysis.noise import noise_density as noise_density
    from antecurve.analysis.noise import noise_report as noise_report
    from antecurve.analysis.pads import Pad as Pad
    from antecurve.analysis.pads import generator_pad as generator_pad
    from antecurve.analysis.pads import unit_pad as unit_pad
    from antecurve.analysis.parts_list import PartsList as PartsList
    from antecurve.analysis.parts_list import parts_list as parts_list
    from antecurve.analysis.peaks import PeakReport as PeakReport
    from antecurve.analysis.peaks import peak_report as peak_report
    from antecurve.analysis.planning import TolerancePlan as TolerancePlan
    from antecurve.analysis.planning import plan_tolerances as plan_tolerances
    from antecurve.analysis.playback import Playback as Playback
    from antecurve.analysis.playback import common_faults as common_faults
    from antecurve.analysis.ratings import PartStresses as PartStresses
    from antecurve.analysis.ratings import part_stresses as part_stresses
    from antecurve.analysis.response import ResponseTable as ResponseTable
    from antecurve.analysis.response import response_table as response_table
    from antecurve.analysis.scope import FaultSheet as FaultSheet
    from antecurve.analysis.scope import ScopeTrace as ScopeTrace
    from antecurve.analysis.scope import fault_sheet as fault_sheet
    from antecurve.analysis.scope import scope_trace as scope_trace
    from antecurve.analysis.sensitivity import Sensitivities as Sensitivities
    from antecurve.analysis.sensitivity import sensitivities as sensitivities
    from antecurve.analysis.spread import SpreadResult as SpreadResult
    from antecurve.analysis.spread import spread as spread
    from antecurve.analysis.strays import StrayTable as StrayTable
    from antecurve.analysis.strays import stray_table as stray_table
    from antecurve.analysis.technologies import Technology as Technology
    from antecurve.analysis.technologies import technology as technology
    from antecurve.analysis.trim import TrimResult as TrimResult
    from antecurve.analysis.trim import trim as trim
    from antecurve.analysis.waveform import SquareWave as SquareWave
    from antecurve.analysis.worst_case import WorstCase as WorstCase
    from antecurve.analysis.worst_case import worst_case as worst_case
    from antecurve.curves.catalogue import catalogue as catalogue
    from antecurve.curves.catalogue import named_curve as named_curve
    from antecurve.curves.construct import curve_from_turnover as curve_from_turnover
    from antecurve.curves.construct import with_limits as with_limits
    from antecurve.curves.fit import CurveFit as CurveFit
    from antecurve.curves.fit import fit_curve as fit_curve
    from antecurve.curves.model import Curve as Curve
    from antecurve.curves.model import inverse_response as inverse_response
    from antecurve.curves.model import level_db as level_db
    from antecurve.curves.model import response as response
    from antecurve.curves.tabulate import CurveTable as CurveTable
    from antecurve.curves.tabulate import curve_table as curve_table
    from antecurve.errors import AntecurveError as AntecurveError
    from antecurve.errors import FileFormatError as FileFormatError
    from antecurve.errors import InputError as InputError
    from antecurve.errors import NoCombinationError as NoCombinationError
    from antecurve.errors import OutputExistsError as OutputExistsError
    from antecurve.errors import UnattainableError as UnattainableError
    from antecurve.errors import WiringError as WiringError
    from antecurve.files.captures import read_capture as read_capture
    from antecurve.files.design_file import read_design as read_design
    from antecurve.files.design_folder import write_design as write_design
    from antecurve.files.drawer import read_drawer as read_drawer
    from antecurve.files.job_file import parse_job as parse_job
    from antecurve.files.job_file import read_job as read_job
    from antecurve.files.measured import read_measured as read_measured
    from antecurve.job import Grade as Grade
    from antecurve.job import Job as Job
    from antecurve.job import NetworkRequest as NetworkRequest
    from antecurve.job import PickRequest as PickRequest
    from antecurve.job import SpreadRequest as SpreadRequest
    from antecurve.job import Stock as Stock
    from antecurve.job import Target as Target
    from antecurve.job import default_job as default_job
    from antecurve.judge.batch import Batch as Batch
    from antecurve.judge.batch import judge_batch as judge_batch
    from antecurve.judge.calibration import Calibration as Calibration
    from antecurve.judge.calibration import calibrate_network as calibrate_network
    from antecurve.judge.captures import SquareWaveCapture as SquareWaveCapture
    from antecurve.judge.captures import SweepCapture as SweepCapture
    from antecurve.judge.conformity import LimitBand as LimitBand
    from antecurve.judge.match import ChannelMatch as ChannelMatch
    from antecurve.judge.match import channel_match as channel_match
    from antecurve.judge.network_estimate import LoadingTolerance as LoadingTolerance
    from antecurve.judge.network_estimate import NetworkKnowledge as NetworkKnowledge
    from antecurve.judge.network_estimate import exactly_known as exactly_known
    from antecurve.judge.network_estimate import known_by_tolerance as known_by_tolerance
    from antecurve.judge.signal_path import CaptureChain as CaptureChain
    from antecurve.judge.signal_path import Generator as Generator
    from antecurve.judge.verdict import Verdict as Verdict
    from antecurve.judge.verdicts import JudgeRequest as JudgeRequest
    from antecurve.judge.verdicts import judge_unit as judge_unit
    from antecurve.networks.balanced import balanced_network as balanced_network
    from antecurve.networks.compiled import input_impedance as input_impedance
    from antecurve.networks.compiled import output_impedance as output_impedance
    from antecurve.networks.compiled import transfer as transfer
    from antecurve.networks.deviation import ErrorRange as ErrorRange
    from antecurve.networks.deviation import error_db as error_db
    from antecurve.networks.deviation import error_range as error_range
    from antecurve.networks.deviation import reference_gain as reference_gain
    from antecurve.networks.symbolic import solve as solve
    from antecurve.networks.topology import Element as Element
    from antecurve.networks.topology import ElementKind as ElementKind
    from antecurve.networks.topology import Loading as Loading
    from antecurve.networks.topology import Network as Network
    from antecurve.networks.topology import Topology as Topology
    from antecurve.networks.wiring import check_wiring as check_wiring
    from antecurve.parts.drawer import Drawer as Drawer
    from antecurve.parts.drawer import DrawerEntry as DrawerEntry
    from antecurve.parts.position import Part as Part
    from antecurve.parts.position import PickedNetwork as PickedNetwork
    from antecurve.parts.position import Position as Position
    from antecurve.parts.series import series_values as series_values
    from antecurve.pick.result import PickResult as PickResult
    from antecurve.pipeline import Analysis as Analysis
    from antecurve.pipeline import Design as Design
    from antecurve.pipeline import analyse as analyse
    from antecurve.pipeline import design as design
    from antecurve.pipeline import design_parts_list as design_parts_list
    from antecurve.quantities import format_quantity as format_quantity
    from antecurve.quantities import parse_quantity as parse_quantity
    from antecurve.quantities import rkm_code as rkm_code
    from antecurve.report.page import report_page as report_page
    from antecurve.synthesis.exact import exact_network as exact_network
    from antecurve.synthesis.exact import form_names as form_names
    from antecurve.synthesis.formulas import form_formulas as form_formulas
    from antecurve.synthesis.own_network import OwnSolution as OwnSolution
    from antecurve.synthesis.own_network import solve_own_network as solve_own_network

_PUBLIC: dict[str, str] = {
    "analysis.as_built": "AsBuilt MeterAccuracy as_built measured_network",
    "analysis.bench_plan": "BenchPlan bench_plan",
    "analysis.bench_sheet": "BenchSheet Receiver bench_sheet",
    "analysis.correction": "Correction ValueUncertainty correction",
    "analysis.delay": "DelayTable delay_table",
    "analysis.drift": "DriftResult drift own_technologies",
    "analysis.generator": "GeneratorSetting InputKind LevelPlan generator_setting level_plan",
    "analysis.impedance_advice": "GeneratorAdvice ImpedanceWindow generator_advice "
    "impedance_window",
    "analysis.level": "LevelReport level_report",
    "analysis.loading": "LoadingResult cable_capacitance loading_table shared_generator",
    "analysis.loading_window": "LoadingWindow loading_window",
    "analysis.losses": "LossEffect loss_effect",
    "analysis.noise": "NoiseReport noise_density noise_report",
    "analysis.pads": "Pad generator_pad unit_pad",
    "analysis.parts_list": "PartsList parts_list",
    "analysis.peaks": "PeakReport peak_report",
    "analysis.planning": "TolerancePlan plan_tolerances",
    "analysis.playback": "Playback common_faults",
    "analysis.ratings": "PartStresses part_stresses",
    "analysis.response": "ResponseTable response_table",
    "analysis.scope": "FaultSheet ScopeTrace fault_sheet scope_trace",
    "analysis.sensitivity": "Sensitivities sensitivities",
    "analysis.spread": "SpreadResult spread",
    "analysis.strays": "StrayTable stray_table",
    "analysis.technologies": "Technology technology",
    "analysis.trim": "TrimResult trim",
    "analysis.waveform": "SquareWave",
    "analysis.worst_case": "WorstCase worst_case",
    "judge.batch": "Batch judge_batch",
    "judge.calibration": "Calibration calibrate_network",
    "judge.captures": "SquareWaveCapture SweepCapture",
    "judge.conformity": "LimitBand",
    "judge.signal_path": "CaptureChain Generator",
    "judge.verdicts": "JudgeRequest judge_unit",
    "judge.network_estimate": "LoadingTolerance NetworkKnowledge exactly_known known_by_tolerance",
    "judge.match": "ChannelMatch channel_match",
    "judge.verdict": "Verdict",
    "curves.catalogue": "catalogue named_curve",
    "curves.construct": "curve_from_turnover with_limits",
    "curves.fit": "CurveFit fit_curve",
    "curves.model": "Curve inverse_response level_db response",
    "curves.tabulate": "CurveTable curve_table",
    "errors": "AntecurveError FileFormatError InputError NoCombinationError "
    "OutputExistsError UnattainableError WiringError",
    "files.captures": "read_capture",
    "files.design_file": "read_design",
    "files.design_folder": "write_design",
    "files.drawer": "read_drawer",
    "files.job_file": "parse_job read_job",
    "files.measured": "read_measured",
    "job": "Grade Job NetworkRequest PickRequest SpreadRequest Stock Target default_job",
    "networks.balanced": "balanced_network",
    "networks.compiled": "input_impedance output_impedance transfer",
    "networks.deviation": "ErrorRange error_db error_range reference_gain",
    "networks.symbolic": "solve",
    "networks.topology": "Element ElementKind Loading Network Topology",
    "networks.wiring": "check_wiring",
    "parts.drawer": "Drawer DrawerEntry",
    "parts.position": "Part PickedNetwork Position",
    "pick.result": "PickResult",
    "parts.series": "series_values",
    "pipeline": "Analysis Design analyse design design_parts_list",
    "quantities": "format_quantity parse_quantity rkm_code",
    "report.page": "report_page",
    "synthesis.exact": "exact_network form_names",
    "synthesis.formulas": "form_formulas",
    "synthesis.own_network": "OwnSolution solve_own_network",
}
_MODULES = {name: module for module, names in _PUBLIC.items() for name in names.split()}

__version__ = "0.1.0"
__all__ = sorted(_MODULES)


def __getattr__(name: str) -> Any:
    if name not in _MODULES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_MODULES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_MODULES})
