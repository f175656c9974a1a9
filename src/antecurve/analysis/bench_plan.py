"""Everything that the bench needs to know of a design, in one call."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from antecurve.analysis.bench_sheet import (
    SPOT_FREQUENCIES_HZ,
    BenchSheet,
    Receiver,
    bench_sheet,
)
from antecurve.analysis.delay import DelayTable, delay_table
from antecurve.analysis.generator import NORMAL_LEVEL_V, LevelPlan, level_plan, usual_inputs
from antecurve.analysis.level import LevelReport, level_report
from antecurve.analysis.noise import TEMPERATURE_K, NoiseReport, noise_report
from antecurve.analysis.peaks import PeakReport, peak_report
from antecurve.analysis.ratings import PartStresses, largest_amplitude_v, part_stresses
from antecurve.analysis.scope import FaultSheet, fault_sheet
from antecurve.analysis.waveform import SquareWave
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve
from antecurve.errors import InputError
from antecurve.networks.topology import Loading
from antecurve.parts.position import PickedNetwork
from antecurve.quantities import format_quantity

__all__ = ["BenchPlan", "bench_plan"]


@dataclass(frozen=True, slots=True)
class BenchPlan:
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

    sheet: BenchSheet
    level: LevelReport
    plan: LevelPlan
    noise: NoiseReport
    peak: PeakReport
    stresses: PartStresses
    delay: DelayTable
    faults: FaultSheet


def bench_plan(
    picked: PickedNetwork,
    *,
    curve: Curve,
    loading: Loading,
    band_hz: tuple[float, float],
    source_level_v: float,
    frequencies_hz: Sequence[float] = SPOT_FREQUENCIES_HZ,
    receivers: Sequence[Receiver] | None = None,
    overload_v: float | None = None,
    rise_time_s: float = 0.0,
    temperature_k: float = TEMPERATURE_K,
    amplitude_v: float | None = None,
    input_level_v: float = NORMAL_LEVEL_V,
    error_limit_db: float | None = None,
) -> BenchPlan:
    """Return everything that the bench needs to know of a network.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.
    curve : Curve
        The curve it imposes.
    loading : Loading
        Source and load.
    band_hz : tuple of float
        Band in which error and noise count [Hz].
    source_level_v : float
        EMF of the generator [V rms], above 0; the square wave has the same peak.
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
        Level wanted at the job's own input [V rms], above 0.
    error_limit_db : float, optional
        Largest centred error accepted [dB], above 0; without it no error is too large.

    Returns
    -------
    BenchPlan
        The results.

    Raises
    ------
    InputError
        When a value is out of range, or the parts are to stand less than the sheet's own EMF.
    """
    if amplitude_v is None:
        amplitude_v = largest_amplitude_v(source_level_v=source_level_v)
    elif amplitude_v < math.sqrt(2.0) * source_level_v:
        peak = format_quantity(math.sqrt(2.0) * source_level_v, "V")
        raise InputError(
            "largest EMF",
            amplitude_v,
            f"the EMF of the sheet itself peaks at {peak}: the parts must stand that at least; "
            "raise the largest EMF or lower the level",
        )
    network = picked.network
    level = level_report(network, loading=loading, source_level_v=source_level_v, band_hz=band_hz)
    wave = SquareWave(REFERENCE_FREQUENCY_HZ, level.square_wave_amplitude_v, rise_time_s)
    return BenchPlan(
        sheet=bench_sheet(
            picked,
            curve=curve,
            loading=loading,
            band_hz=band_hz,
            source_level_v=source_level_v,
            frequencies_hz=frequencies_hz,
            receivers=receivers,
            overload_v=overload_v,
        ),
        level=level,
        plan=level_plan(
            network,
            curve=curve,
            loading=loading,
            band_hz=band_hz,
            source_level_v=source_level_v,
            inputs=usual_inputs(loading, level_v=input_level_v),
            error_limit_db=error_limit_db,
        ),
        noise=noise_report(
            network,
            curve=curve,
            loading=loading,
            band_hz=band_hz,
            signal_v=level.output_v,
            temperature_k=temperature_k,
        ),
        peak=peak_report(network, loading=loading, wave=wave, overload_v=overload_v),
        stresses=part_stresses(network, loading=loading, amplitude_v=amplitude_v),
        delay=delay_table(network, frequencies_hz, curve=curve, loading=loading),
        faults=fault_sheet(network, curve=curve, loading=loading, wave=wave),
    )
