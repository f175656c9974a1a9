"""Square-wave traces against scipy.signal.lsim, mpmath's inverse Laplace, and Fourier series."""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from antecurve.algebra.partial_fractions import partial_fractions
from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.analysis.peaks import peak_report, peak_voltage
from antecurve.analysis.playback import IDEAL, Playback, common_faults, playback_chain
from antecurve.analysis.scope import scope_trace
from antecurve.analysis.waveform import SquareWave, drive, response_to_square_wave, slope
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.networks.compiled import transfer
from antecurve.networks.conditions import Conditions
from antecurve.networks.poles_and_zeros import network_zero_pole_gain
from antecurve.networks.topology import Loading, Network
from antecurve.synthesis.exact import exact_network

CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,))
LOADING = Loading(50.0, 47e3, 150e-12)
FORMS = ("foster-1", "cauer-2")


def _network(form: str = "foster-1") -> Network:
    exact = exact_network(form, CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0).network
    # Rounded parts, so that nothing cancels exactly.
    return Network(exact.topology, np.array([float(f"{v:.1e}") for v in exact.values]))


def _chain(form: str, playback: Playback | None) -> ZeroPoleGain[complex]:
    network = network_zero_pole_gain(_network(form), loading=LOADING)
    return network if playback is None else network.times(playback_chain(CURVE, playback))


def _lsim_system(chain: ZeroPoleGain[complex]) -> signal.ZerosPolesGain:
    zeros = [-1.0 / z for z in chain.zeros_s] + [0.0] * chain.zeros_at_origin
    poles = [-1.0 / p for p in chain.poles_s]
    gain = chain.gain_constant * np.prod(chain.zeros_s or [1.0]) / np.prod(chain.poles_s or [1.0])
    return signal.ZerosPolesGain(np.real(zeros), np.real(poles), float(np.real(gain)))


@pytest.mark.parametrize("rise", [0.0, 20e-6])
@pytest.mark.parametrize(
    "playback", [None, IDEAL, Playback("fault", treble_factor=0.8, low_corner_hz=100.0)]
)
def test_traces_equal_a_simulation_from_rest(playback: Playback | None, rise: float) -> None:
    wave = SquareWave(1000.0, 2.0, rise)
    chain = _chain("foster-1", playback)
    periods, samples = 80, 200  # 80 ms: the tail of 3180 us has fallen to 1e-11
    time = np.arange(periods * samples + 1) / (wave.frequency_hz * samples)
    # Steps held (without rise time), or straight lines between the samples: both exact.
    _, simulated, _ = signal.lsim(
        _lsim_system(chain).to_ss(), drive(wave, time), time, interp=bool(rise)
    )
    last = slice(-samples - 1, -1)
    trace = response_to_square_wave(partial_fractions(chain), wave, time[last] - time[last][0])
    scale = np.abs(trace).max()
    # The simulation carries poles from 50 Hz to 3 MHz in one companion matrix: 1e-7 of the peak.
    np.testing.assert_allclose(trace, simulated[last], rtol=0, atol=1e-7 * scale)


def _by_inverse_laplace(chain: ZeroPoleGain[complex], wave: SquareWave, time: float) -> float:
    """Sum of steps since ever: A s_inf + 2 A sum (-1)^n (s(t + n h) - s_inf), s by Talbot."""
    mpmath.mp.dps = 30
    poles = [mpmath.mpf(p.real) for p in chain.poles_s]
    zeros = [mpmath.mpf(z.real) for z in chain.zeros_s]
    gain = mpmath.mpf(chain.gain_constant)

    def over_s(s: mpmath.mpc) -> mpmath.mpc:
        value = gain * s ** (chain.zeros_at_origin - 1)
        for zero in zeros:
            value *= 1 + s * zero
        for pole in poles:
            value /= 1 + s * pole
        return value

    final = 0 if chain.zeros_at_origin else gain
    half = mpmath.mpf(wave.half_period_s)
    total = mpmath.mpf(0)
    for n in range(400):
        term = mpmath.invertlaplace(over_s, mpmath.mpf(time) + n * half, method="talbot") - final
        total += (-1) ** n * term
        if abs(term) < 1e-18:
            break
    return float(wave.amplitude_v * (final + 2 * total))


@pytest.mark.sweep(1)
@pytest.mark.parametrize(
    ("frequency", "playback"), [(300.0, None), (100.0, Playback("fault", high_corner_hz=20e3))]
)
def test_traces_equal_the_inverse_laplace_transform(
    frequency: float, playback: Playback | None
) -> None:
    wave = SquareWave(frequency, 1.0)
    chain = _chain("cauer-2", playback)
    for share in (1e-3, 0.1, 0.77):
        time = share * wave.half_period_s
        trace = float(response_to_square_wave(partial_fractions(chain), wave, time))
        expected = _by_inverse_laplace(chain, wave, time)
        # 30 digits in, some 1e-12 of the peak out of the numerical inversion.
        assert trace == pytest.approx(expected, rel=1e-10, abs=1e-12)


def _by_fourier(
    chain: ZeroPoleGain[complex], wave: SquareWave, time: NDArray[np.float64]
) -> NDArray[np.float64]:
    orders = np.arange(1, 20001, 2)
    omega = 2 * math.pi * wave.frequency_hz * orders
    h = chain.value(1j * omega)
    edge = np.sinc(orders * wave.frequency_hz * wave.rise_time_s)
    shifted = time[:, None] - wave.rise_time_s / 2
    terms = 4 / (math.pi * orders) * edge * (h * np.exp(1j * omega * shifted)).imag
    return np.asarray(wave.amplitude_v * terms.sum(axis=1))


@pytest.mark.sweep(3)
@pytest.mark.parametrize("frequency", [50.0, 1000.0, 10e3, 100e3])
@pytest.mark.parametrize("rise", [0.05, 0.5])
def test_trapezoids_equal_their_fourier_series(frequency: float, rise: float) -> None:
    wave = SquareWave(frequency, 1.0, rise / frequency)
    time = (np.linspace(-0.7, 1.3, 41) + 0.0123) / frequency  # off the corners
    for playback in (None, *common_faults(CURVE)):
        chain = _chain("foster-1", playback)
        trace = response_to_square_wave(partial_fractions(chain), wave, time)
        # Terms fall as 1/n**2 or faster: past 20,000 they sum to less than 2e-5 of the edge.
        np.testing.assert_allclose(
            trace, _by_fourier(chain, wave, time), rtol=0, atol=1e-4 * np.abs(trace).max()
        )


@pytest.mark.parametrize("apart", [0.0, 1e-14, 1e-9, 1e-5, 1e-3, 0.021, 0.1, 0.29, 0.31])
@pytest.mark.parametrize("rise", [0.0, 100e-6])
def test_poles_that_lie_close_together(apart: float, rise: float) -> None:
    slow = 1e-4
    poles = (slow, slow * (1 + apart), slow * (1 - apart / 2), 3e-4, 5e-8)
    chain = ZeroPoleGain((2.5e-4 + 0j, 1e-3 + 0j), tuple(map(complex, poles)), gain_constant=0.7)
    wave = SquareWave(700.0, 1.0, rise)
    time = np.array([0.0, 1e-7, 1e-5, 9e-5, 3e-4, 7e-4])
    mpmath.mp.dps = 80
    exact = [mpmath.mpf(p) for p in poles]
    # A double pole is the limit of two: a split of 1e-20 changes nothing in 1e-18.
    exact = [p * (1 + k * mpmath.mpf("1e-20")) for k, p in enumerate(exact)]
    expected = [_partial_fractions(chain, exact, wave, t) for t in time]
    trace = response_to_square_wave(partial_fractions(chain), wave, time)
    np.testing.assert_allclose(trace, expected, rtol=0, atol=5e-14 * np.abs(expected).max())


def _partial_fractions(
    chain: ZeroPoleGain[complex], poles: list, wave: SquareWave, time: float
) -> float:  # type: ignore[type-arg]
    """The same sum in 80 digits, where close poles lose nothing that matters."""
    half, rise = mpmath.mpf(wave.half_period_s), mpmath.mpf(wave.rise_time_s)
    t = mpmath.mpf(time)
    total = mpmath.mpf(0)
    for k, pole in enumerate(poles):
        s = -1 / pole
        residue = mpmath.mpf(chain.gain_constant) / pole
        for zero in chain.zeros_s:
            residue *= 1 + s * mpmath.mpf(zero.real)
        for other in poles[:k] + poles[k + 1 :]:
            residue /= 1 + s * other
        total += residue / s * _mode(s, t, half, rise)
    return float(wave.amplitude_v * total)


def _mode(s: mpmath.mpf, t: mpmath.mpf, half: mpmath.mpf, rise: mpmath.mpf) -> mpmath.mpf:
    def sharp(u: mpmath.mpf) -> mpmath.mpf:
        return 2 * mpmath.exp(s * u) / (1 + mpmath.exp(s * half)) - 1

    def area(u: mpmath.mpf) -> mpmath.mpf:
        return 2 * (mpmath.exp(s * u) - 1) / (s * (1 + mpmath.exp(s * half))) - u

    if not rise:
        return sharp(t)
    if t >= rise:
        return (area(t) - area(t - rise)) / rise
    return (area(t) - (area(half) - area(half + t - rise))) / rise


@pytest.mark.parametrize("off", [0.0, 1e-15, 1e-12, 1e-8, 1e-4])
def test_a_pole_that_a_zero_nearly_cancels(off: float) -> None:
    plain = ZeroPoleGain((), (1e-4 + 0j, 2e-6 + 0j))
    hidden = ZeroPoleGain((3e-3 * (1 + off) + 0j,), (1e-4 + 0j, 2e-6 + 0j, 3e-3 + 0j))
    wave = SquareWave(100.0)
    time = np.linspace(0.0, 0.01, 11)
    change = response_to_square_wave(
        partial_fractions(hidden), wave, time
    ) - response_to_square_wave(partial_fractions(plain), wave, time)
    # (1 + s z)/(1 + s p) - 1 = off s p/(1 + s p): a high-pass, at most 2 off.
    assert np.abs(change).max() <= 2 * off + 1e-14


def test_integrator_makes_a_triangle() -> None:
    wave = SquareWave(1000.0, 3.0)
    chain = ZeroPoleGain((), (), 0, 1, gain_constant=100.0)
    time = np.array([0.0, 125e-6, 250e-6, 499e-6, 750e-6])
    trace = response_to_square_wave(partial_fractions(chain), wave, time)
    expected = 300.0 * np.array([-250e-6, -125e-6, 0.0, 249e-6, 0.0])
    np.testing.assert_allclose(trace, expected, rtol=0, atol=1e-15)


def test_ideal_playback_gives_back_the_square_wave() -> None:
    curve = named_curve("disc")
    chain = playback_chain(curve).times(_emphasis())
    wave = SquareWave(1000.0)
    time = np.linspace(0.0, 0.999e-3, 500)
    trace = response_to_square_wave(partial_fractions(chain), wave, time)
    scale = abs(complex(chain.value(2e3j * math.pi)))
    # One pole at 1 MHz is left: after 5 us its exponential has fallen to 2e-14.
    settled = (time % 0.5e-3) > 5.2e-6
    expected = scale * drive(wave, time) * abs(1 + 2e3j * math.pi / (2e6 * math.pi))
    np.testing.assert_allclose(trace[settled], expected[settled], rtol=1e-12)


def _emphasis() -> ZeroPoleGain[complex]:
    return ZeroPoleGain((3180e-6 + 0j, 75e-6 + 0j), (318e-6 + 0j, complex(0.5e-6 / math.pi)))


@pytest.mark.sweep(1)
@pytest.mark.parametrize("form", FORMS)
def test_peak_and_slew_are_those_of_a_dense_trace(form: str) -> None:
    network = _network(form)
    for wave in (SquareWave(1000.0), SquareWave(1000.0, 1.0, 2e-6), SquareWave(200.0, 1.0, 1e-3)):
        fractions = partial_fractions(network_zero_pole_gain(network, loading=LOADING))
        dense = np.unique(
            np.concatenate([np.linspace(0, wave.half_period_s, 200_001)[:-1],
                            np.geomspace(1e-12, 1e-5, 20_001)])
        )  # fmt: skip
        report = peak_report(
            network, Conditions(curve=CURVE, loading=LOADING), wave=wave, overload_v=0.05
        )
        trace = response_to_square_wave(fractions, wave, dense)
        # A dense grid misses the top by the square of its step.
        assert report.peak_v == pytest.approx(np.abs(trace).max(), rel=1e-6)
        assert report.peak_v >= np.abs(trace).max() * (1 - 1e-13)
        steep = np.abs(slope(fractions, wave, dense)).max()
        assert report.slew_v_per_s == pytest.approx(steep, rel=1e-5)
        assert report.largest_amplitude_v == pytest.approx(0.05 / report.peak_v)
        larger = SquareWave(wave.frequency_hz, report.largest_amplitude_v or 0.0, wave.rise_time_s)
        assert peak_voltage(fractions, larger) == pytest.approx(0.05, rel=1e-12)


def test_slope_is_the_derivative() -> None:
    fractions = partial_fractions(_chain("foster-1", IDEAL))
    for wave in (SquareWave(1000.0), SquareWave(1000.0, 1.0, 50e-6)):
        time, step = np.array([1.3e-6, 60e-6, 300e-6]), 1e-9
        ahead, back = (response_to_square_wave(fractions, wave, time + d) for d in (step, -step))
        expected = (ahead - back) / (2 * step)
        # Central difference: 1e-16/1e-9 of rounding, relative to slopes of 1e-2 V/s and more.
        np.testing.assert_allclose(slope(fractions, wave, time), expected, rtol=1e-4, atol=1e-6)


def test_scope_trace_is_what_the_modes_say() -> None:
    network = _network()
    wave = SquareWave(1000.0, 0.7)
    conditions = Conditions(curve=CURVE, loading=LOADING)
    trace = scope_trace(network, conditions, wave=wave, samples=1000, edges=False)
    assert trace.time_s[0] == 0.0
    np.testing.assert_allclose(np.diff(trace.time_s), 1e-6, rtol=1e-9)
    np.testing.assert_array_equal(trace.input_v, np.repeat([0.7, -0.7], 500))
    np.testing.assert_allclose(trace.network_v[500:], -trace.network_v[:500], rtol=1e-12)
    # Well after the edge ideal playback of the network's level at 1 kHz is what is left.
    level = 0.7 * abs(complex(transfer(network, 1000.0, loading=LOADING)[0]))
    assert trace.playback_v[400] == pytest.approx(level, rel=0.02)


@pytest.mark.parametrize("frequency", [1000.0, 997.0, 44.1, 31.5, 12345.678])
@pytest.mark.parametrize("samples", [1000, 1002, 4000])
def test_the_falling_edge_falls_on_its_sample(frequency: float, samples: int) -> None:
    wave = SquareWave(frequency)
    trace = scope_trace(
        _network(),
        Conditions(curve=CURVE, loading=LOADING),
        wave=wave,
        samples=samples,
        edges=False,
    )
    half = samples // 2
    np.testing.assert_array_equal(trace.input_v, np.repeat([1.0, -1.0], half))
    np.testing.assert_allclose(trace.playback_v[half:], -trace.playback_v[:half], rtol=1e-9)
