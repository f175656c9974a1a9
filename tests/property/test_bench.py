"""What must hold for any network: scaling, superposition, half-wave symmetry, monotony."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from antecurve.algebra.partial_fractions import partial_fractions
from antecurve.analysis.loading import loading_table
from antecurve.analysis.noise import noise_voltage
from antecurve.analysis.peaks import peak_voltage
from antecurve.analysis.waveform import SquareWave, response_to_square_wave
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.networks.conditions import Conditions
from antecurve.networks.poles_and_zeros import network_zero_pole_gain
from antecurve.networks.topology import ElementKind, Loading, Network
from antecurve.synthesis.exact import exact_network

CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,))
LOADING = Loading(50.0, 47e3, 150e-12)
BAND = (20.0, 20e3)
EXACT = exact_network("foster-1", CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0).network
networks = st.lists(st.floats(0.8, 1.25), min_size=6, max_size=6).map(
    lambda factors: Network(EXACT.topology, EXACT.values * np.array(factors))
)
waves = st.builds(
    lambda f, share: SquareWave(f, 1.0, share / f),
    st.floats(10.0, 50e3),
    st.one_of(st.just(0.0), st.floats(1e-4, 0.5)),
)
few = settings(max_examples=40, deadline=None)


def _scaled(network: Network, loading: Loading, factor: float) -> tuple[Network, Loading]:
    resistors = np.array([e.kind is ElementKind.RESISTOR for e in network.topology.elements])
    values = np.where(resistors, network.values * factor, network.values / factor)
    return Network(network.topology, values), Loading(
        loading.source_resistance * factor,
        loading.load_resistance * factor,
        loading.load_capacitance / factor,
    )


@few
@given(networks, waves, st.floats(0.1, 100.0))
def test_impedance_scaling_leaves_traces_alone_and_scales_noise(
    network: Network, wave: SquareWave, factor: float
) -> None:
    other, loading = _scaled(network, LOADING, factor)
    time = np.linspace(0.0, 0.9 / wave.frequency_hz, 19)
    one, two = (
        response_to_square_wave(
            partial_fractions(network_zero_pole_gain(n, loading=at)), wave, time
        )
        for n, at in ((network, LOADING), (other, loading))
    )
    np.testing.assert_allclose(two, one, rtol=0, atol=1e-11 * np.abs(one).max())
    noise, scaled = (
        noise_voltage(n, loading=at, band_hz=BAND)
        for n, at in ((network, LOADING), (other, loading))
    )
    assert math.isclose(scaled, noise * math.sqrt(factor), rel_tol=1e-10)


@few
@given(networks, waves, st.floats(-3.0, 3.0))
def test_the_second_half_is_the_first_upside_down(
    network: Network, wave: SquareWave, start: float
) -> None:
    fractions = partial_fractions(network_zero_pole_gain(network, loading=LOADING))
    time = (start + np.linspace(0.01, 0.48, 7)) / wave.frequency_hz
    later = response_to_square_wave(fractions, wave, time + 0.5 / wave.frequency_hz)
    earlier = response_to_square_wave(fractions, wave, time)
    scale = peak_voltage(fractions, wave)
    # Times beyond a period are rounded by 1e-15 of them; the steepest edge makes it 1e-9.
    np.testing.assert_allclose(later, -earlier, rtol=0, atol=1e-8 * scale)


@few
@given(networks, waves, st.floats(1e-3, 1e3))
def test_peaks_grow_with_the_amplitude_and_shrink_with_the_rise_time(
    network: Network, wave: SquareWave, factor: float
) -> None:
    fractions = partial_fractions(network_zero_pole_gain(network, loading=LOADING))
    peak = peak_voltage(fractions, wave)
    larger = SquareWave(wave.frequency_hz, factor, wave.rise_time_s)
    assert math.isclose(peak_voltage(fractions, larger), factor * peak, rel_tol=1e-12)
    sharp = SquareWave(wave.frequency_hz)
    # A running mean never exceeds what it is taken of; the search for peaks is good to 1e-9.
    assert peak <= peak_voltage(fractions, sharp) * (1 + 1e-9)


@few
@given(networks, st.floats(0.0, 1000.0), st.floats(0.0, 1e-9))
def test_more_load_means_less_level(network: Network, source: float, farad: float) -> None:
    table = loading_table(
        network,
        Conditions(curve=CURVE, loading=LOADING, band_hz=BAND),
        source_ohm=(source,),
        load_ohm=(100.0, 1e3, 10e3, 100e3),
        load_f=(farad,),
        growth_db=1.0,
    )
    for capacitance in np.unique(table.load_f):
        for ohm in np.unique(table.source_ohm):
            chosen = (table.load_f == capacitance) & (table.source_ohm == ohm)
            order = np.argsort(table.load_ohm[chosen])
            assert np.all(np.diff(table.level_shift_db[chosen][order]) > 0)
    assert np.all(table.error_centred_db >= 0)
