"""antecurve: passive RC networks that put a recording curve before a playback preamplifier.

The public names are loaded when they are used, so that importing the package is quick.
``antecurve.design(antecurve.default_job())`` is the whole main job; each step is public by itself.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from antecurve.analysis.level import LevelReport as LevelReport
    from antecurve.analysis.level import level_report as level_report
    from antecurve.analysis.loading import LoadingResult as LoadingResult
    from antecurve.analysis.loading import loading_table as loading_table
    from antecurve.analysis.parts_list import PartsList as PartsList
    from antecurve.analysis.parts_list import parts_list as parts_list
    from antecurve.analysis.response import ResponseTable as ResponseTable
    from antecurve.analysis.response import response_table as response_table
    from antecurve.analysis.spread import SpreadResult as SpreadResult
    from antecurve.analysis.spread import spread as spread
    from antecurve.curves.catalogue import catalogue as catalogue
    from antecurve.curves.catalogue import named_curve as named_curve
    from antecurve.curves.construct import curve_from_turnover as curve_from_turnover
    from antecurve.curves.construct import with_limits as with_limits
    from antecurve.curves.model import Curve as Curve
    from antecurve.curves.model import inverse_response as inverse_response
    from antecurve.curves.model import level_db as level_db
    from antecurve.curves.model import response as response
    from antecurve.errors import AntecurveError as AntecurveError
    from antecurve.errors import FileFormatError as FileFormatError
    from antecurve.errors import InputError as InputError
    from antecurve.errors import NoCombinationError as NoCombinationError
    from antecurve.errors import OutputExistsError as OutputExistsError
    from antecurve.errors import UnattainableError as UnattainableError
    from antecurve.errors import WiringError as WiringError
    from antecurve.files.design_file import read_design as read_design
    from antecurve.files.design_folder import write_design as write_design
    from antecurve.files.job_file import parse_job as parse_job
    from antecurve.files.job_file import read_job as read_job
    from antecurve.job import Job as Job
    from antecurve.job import default_job as default_job
    from antecurve.networks.compiled import input_impedance as input_impedance
    from antecurve.networks.compiled import output_impedance as output_impedance
    from antecurve.networks.compiled import transfer as transfer
    from antecurve.networks.deviation import error_db as error_db
    from antecurve.networks.deviation import error_range as error_range
    from antecurve.networks.symbolic import solve as solve
    from antecurve.networks.topology import Element as Element
    from antecurve.networks.topology import ElementKind as ElementKind
    from antecurve.networks.topology import Loading as Loading
    from antecurve.networks.topology import Network as Network
    from antecurve.networks.topology import Topology as Topology
    from antecurve.pick.parts import Part as Part
    from antecurve.pick.parts import PickedNetwork as PickedNetwork
    from antecurve.pick.parts import Position as Position
    from antecurve.pick.search import pick as pick
    from antecurve.pick.series import series_values as series_values
    from antecurve.pipeline import Design as Design
    from antecurve.pipeline import analyse as analyse
    from antecurve.pipeline import design as design
    from antecurve.pipeline import design_parts_list as design_parts_list
    from antecurve.quantities import format_quantity as format_quantity
    from antecurve.quantities import parse_quantity as parse_quantity
    from antecurve.quantities import rkm_code as rkm_code
    from antecurve.synthesis.exact import exact_network as exact_network
    from antecurve.synthesis.exact import form_names as form_names

_PUBLIC: dict[str, str] = {
    "analysis.loading": "LoadingResult loading_table",
    "analysis.level": "LevelReport level_report",
    "analysis.parts_list": "PartsList parts_list",
    "analysis.response": "ResponseTable response_table",
    "analysis.spread": "SpreadResult spread",
    "curves.catalogue": "catalogue named_curve",
    "curves.construct": "curve_from_turnover with_limits",
    "curves.model": "Curve inverse_response level_db response",
    "errors": "AntecurveError FileFormatError InputError NoCombinationError OutputExistsError "
    "UnattainableError WiringError",
    "files.design_file": "read_design",
    "files.design_folder": "write_design",
    "files.job_file": "parse_job read_job",
    "job": "Job default_job",
    "networks.compiled": "input_impedance output_impedance transfer",
    "networks.deviation": "error_db error_range",
    "networks.symbolic": "solve",
    "networks.topology": "Element ElementKind Loading Network Topology",
    "pick.parts": "Part PickedNetwork Position",
    "pick.search": "pick",
    "pick.series": "series_values",
    "pipeline": "Design analyse design design_parts_list",
    "quantities": "format_quantity parse_quantity rkm_code",
    "synthesis.exact": "exact_network form_names",
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
