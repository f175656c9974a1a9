__version__: str

# Design a network
from .analysis.bench_sheet import bench_sheet as bench_sheet
from .analysis.loading import loading_table as loading_table
from .analysis.scope import scope_trace as scope_trace
from .analysis.spread import spread as spread
from .curves.catalogue import named_curve as named_curve
from .curves.construct import curve_from_turnover as curve_from_turnover
from .curves.model import Curve as Curve
from .job import Job as Job
from .job import default_job as default_job
from .networks.conditions import Conditions as Conditions
from .networks.topology import Network as Network
from .pipeline import Design as Design
from .pipeline import analyse as analyse
from .pipeline import design as design
from .synthesis.exact import exact_network as exact_network

# Judge a unit
from .judge.calibration import calibrate_network as calibrate_network
from .judge.square_wave import SquareWaveCapture as SquareWaveCapture
from .judge.sweep import SweepCapture as SweepCapture
from .judge.verdict import Verdict as Verdict
from .judge.verdicts import JudgeRequest as JudgeRequest
from .judge.verdicts import judge_unit as judge_unit

# Find the part that is wrong
from .diagnose.diagnosis import diagnose_unit as diagnose_unit
from .diagnose.repair import Repair as Repair
from .diagnose.unit_circuit import UnitCircuit as UnitCircuit

# Read and write
from .files.captures import read_capture as read_capture
from .files.design_file import read_design as read_design
from .files.design_folder import write_design as write_design
from .files.drawer import read_drawer as read_drawer
from .files.job_file import read_job as read_job
from .files.measured import read_measured as read_measured
from .files.unit_file import read_unit as read_unit

# Quantities
from .quantities import format_quantity as format_quantity
from .quantities import parse_quantity as parse_quantity

# Errors
from .errors import AntecurveError as AntecurveError
from .errors import InputError as InputError
from .errors import NoCombinationError as NoCombinationError
from .errors import UnattainableError as UnattainableError
