"""How fast loading grids and traces are, as ratios within one run.

Run by hand: ``pytest tests/benchmarks/test_bench_speed.py -s``.  The yardsticks are what a user
would otherwise write: a loop over the combinations with numpy's complex polynomials, and a
simulation with scipy.signal.lsim until the transient has died away.  Yardsticks are timed over
fewer combinations and scaled.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable

import numpy as np
import pytest
from scipy import signal

from antecurve.analysis.loading import loading_table
from antecurve.analysis.scope import scope_trace
from antecurve.analysis.waveform import SquareWave
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.curves.model import response
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Loading, Network
from antecurve.synthesis.exact import exact_network

CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,))
LOADING = Loading(50.0, 47e3, 150e-12)
BAND = (20.0, 20e3)


@pytest.fixture(scope="module")
def network() -> Network:
    return exact_network(
        "foster-1", CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0
    ).network


def _best(function: Callable[[], object], rounds: int = 5) -> float:
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        function()
        times.append(time.perf_counter() - start)
    return min(times)


def test_loading_grid_of_ten_thousand(network: Network) -> None:
    sources, loads, farads = (
        np.linspace(1, 600, 25),
        np.geomspace(100, 1e6, 20),
        np.arange(20) * 2e-11,
    )

    def ours() -> object:
        return loading_table(
            network,
            Conditions(curve=CURVE, loading=LOADING, band_hz=BAND),
            source_ohm=sources.tolist(),
            load_ohm=loads.tolist(),
            load_f=farads.tolist(),
        )

    frequency = np.geomspace(*BAND, 721)
    ideal = np.abs(response(CURVE, frequency))

    def yardstick() -> object:
        errors = []
        for source in sources[:10]:
            for load in loads[:10]:
                c = transfer_coefficients(
                    network.topology,
                    network.values,
                    source_resistance=source,
                    load_resistance=load,
                    load_capacitance=1e-10,
                )
                s = 2j * math.pi * frequency
                h = np.polyval(c.numerator[::-1], s) / np.polyval(c.denominator[::-1], s)
                error = 20 * np.log10(np.abs(h) / ideal)
                errors.append(np.ptp(error) / 2)
        return errors

    took, loop = _best(ours), _best(yardstick) * 100
    print(f"\n10,000 loadings: {took:.3f} s; loop {loop:.2f} s; {loop / took:.0f} times faster")
    assert took < 1.0
    assert loop > 5 * took


def test_trace_of_a_hundred_thousand_samples(network: Network) -> None:
    wave = SquareWave(1000.0)

    def ours() -> object:
        return scope_trace(
            network, Conditions(curve=CURVE, loading=LOADING), wave=wave, samples=100_000
        )

    c = transfer_coefficients(
        network.topology,
        network.values,
        source_resistance=50.0,
        load_resistance=47e3,
        load_capacitance=150e-12,
    )
    system = signal.TransferFunction(c.numerator[::-1], c.denominator[::-1]).to_ss()
    count = 100_000  # one period; a steady state to 1e-11 takes 80 of them
    instants = np.arange(count) * 1e-8
    drive = np.where(instants < 0.5e-3, 1.0, -1.0)

    def yardstick() -> object:
        return signal.lsim(system, drive, instants, interp=False)

    took, simulation = _best(ours), _best(yardstick, 1) * 80
    print(f"\n100,000 samples: {took * 1e3:.1f} ms; simulation {simulation:.1f} s")
    assert took < 0.2
    assert simulation > 20 * took
