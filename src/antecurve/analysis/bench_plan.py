"""Everything that the bench needs to know of a design, in one call."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from antecurve.analysis.bench_sheet import (
    SPOT_FREQUENCIES_HZ,
    BenchSheet,
    Receiver,
    SheetTolerance,
    bench_sheet,
)
from antecurve.analysis.delay import DelayTable, delay_table
from antecurve.analysis.generator import NORMAL_LEVEL_V, LevelPlan, level_plan, usual_inputs
from antecurve.analysis.level import LevelReport, level_report
from antecurve.analysis.noise import TEMPERATURE_K, NoiseReport, noise_report
from antecurve.analysis.peaks import PeakReport, peak_report
from antecurve.analysis.ratings import PartStresses, largest_amplitude_v, part_stresses
from antecurve.analysis.scope import FaultSheet, fault_sheet
from antecurve.analysis.subject import WithParts, error_limit_of, job_of, job_wave, picked_of
from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.quantities import format_quantity
from antecurve.results import Result

__all__ = ["BenchPlan", "bench_plan"]


@dataclass(frozen=True, slots=True)
class BenchPlan(Result):
    """A design on the bench.

    Attributes
    ----------
    sheet : BenchSheet
        Generator settings and levels to be found, with limits.
    level : LevelReport
        Level, attenuation, impedances.
    plan : LevelPlan
        The generator's settings for normal and low-output inputs.
    noise : NoiseReport
        Thermal noise over the band.
    peak : PeakReport
        The square wave at the unit's input.
    stresses : PartStresses
        Voltage, dissipation and rating of every position.
    delay : DelayTable
        Phase and group delay at the spot frequencies.
    faults : FaultSheet
        What faults of playback look like.
    """

    _keys: ClassVar = (
        "sheet",
        "level",
        "inputs:plan.inputs",
        "noise",
        "square_wave:peak",
        "parts:stresses",
        "delay:delay.records",
        "faults:faults.traces",
    )

    sheet: BenchSheet
    level: LevelReport
    plan: LevelPlan
    noise: NoiseReport
    peak: PeakReport
    stresses: PartStresses
    delay: DelayTable
    faults: FaultSheet


@checked
def bench_plan(
    design: WithParts,
    conditions: Conditions | None = None,
    *,
    frequencies_hz: Sequence[float] = SPOT_FREQUENCIES_HZ,
    receivers: Sequence[Receiver] | None = None,
    overload_v: float | None = None,
    rise_time_s: float = 0.0,
    temperature_k: float = TEMPERATURE_K,
    amplitude_v: float | None = None,
    input_level_v: float | None = None,
    error_limit_db: float | None = None,
    tolerance: SheetTolerance | None = None,
    noisy_load: bool = False,
    unit_density: float = 0.0,
) -> BenchPlan:
    """Plan the bench: everything that it needs to know of a network.

    Parameters
    ----------
    design : Design or PickedNetwork
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    frequencies_hz : sequence of float, optional
        Spot frequencies [Hz], above 0.
    receivers : sequence of Receiver, optional
        What to prove the network with.
    overload_v : float, optional
        Peak voltage that overloads the unit's input [V], above 0.
    rise_time_s : float, optional
        Edge of the square wave from end to end [s], 0 or greater.
    temperature_k : float, optional
        Temperature for the noise [K], above 0.
    amplitude_v : float, optional
        Largest EMF that the parts have to stand [V], at least the peak of `source_level_v`; by
        default as `antecurve.analysis.ratings.largest_amplitude_v` has it.
    input_level_v : float, optional
        Level wanted at the job's own input [V rms], above 0; the job's own by default.
    error_limit_db : float, optional
        Largest centred error accepted [dB], above 0; that of the job by default.
    tolerance : SheetTolerance, optional
        What the limits of the sheet allow for besides the parts.
    noisy_load : bool, optional
        Whether the noise of the load resistor counts.
    unit_density : float, optional
        The unit's own noise voltage, referred to its input [V/sqrt(Hz)].

    Returns
    -------
    BenchPlan
        The results.

    Raises
    ------
    InputError
        When a value is out of range, or the parts are to stand less than the sheet's own EMF.
    """
    picked = picked_of(design)
    conditions = conditions_of(design, conditions)
    job = job_of(design)
    if input_level_v is None:
        input_level_v = NORMAL_LEVEL_V if job is None else job.target.level_v
    amplitude_v = _amplitude_to_stand(amplitude_v, conditions.source_level_v)
    network = picked.network
    level = level_report(network, conditions)
    wave = job_wave(conditions, rise_time_s=rise_time_s)
    return BenchPlan(
        sheet=bench_sheet(
            picked,
            conditions,
            frequencies_hz=frequencies_hz,
            receivers=receivers,
            overload_v=overload_v,
            tolerance=tolerance,
        ),
        level=level,
        plan=level_plan(
            network,
            conditions,
            inputs=usual_inputs(conditions.loading, level_v=input_level_v),
            error_limit_db=error_limit_of(design, error_limit_db),
        ),
        noise=noise_report(
            network,
            conditions,
            signal_v=level.output_v,
            temperature_k=temperature_k,
            noisy_load=noisy_load,
            unit_density=unit_density,
        ),
        peak=peak_report(network, conditions, wave=wave, overload_v=overload_v),
        stresses=part_stresses(picked, conditions, amplitude_v=amplitude_v),
        delay=delay_table(network, conditions, frequency_hz=frequencies_hz),
        faults=fault_sheet(network, conditions, wave=wave),
    )


def _amplitude_to_stand(amplitude_v: float | None, source_level_v: float) -> float:
    """The largest EMF that the parts have to stand, at least the peak of the sheet's own."""
    if amplitude_v is None:
        return largest_amplitude_v(source_level_v=source_level_v)
    peak_v = math.sqrt(2.0) * source_level_v
    if amplitude_v < peak_v:
        raise InputError(
            "largest EMF",
            amplitude_v,
            f"the sheet's own EMF peaks at {format_quantity(peak_v, 'V')}, and the parts must "
            "stand that; raise the largest EMF or lower the level",
        )
    return amplitude_v
