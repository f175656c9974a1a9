"""How long a verdict takes against the direct way: fitting the record point by point.

What a user would otherwise write: scipy.optimize.curve_fit of the waveform, synthesised from a
few hundred harmonics, to all samples of the record, from the nominal values.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from playback_units import CONDITIONS, Unit, by_tolerance, known_exactly, square_capture
from scipy.optimize import curve_fit, least_squares
from scipy.signal import correlate, csd, welch
from two_channel_records import SIGNALS, two_channel_record
from verdict_study import Trial, drawn_trial, request_of

from antecurve.judge.batch import judge_batch
from antecurve.judge.network_estimate import network_log_response
from antecurve.judge.signal_path import square_harmonics
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.two_channel import TwoChannelRecord
from antecurve.judge.verdicts import judge_unit


def test_one_verdict_under_two_seconds(benchmark: object) -> None:
    capture = square_capture(Unit(treble_s=73e-6), np.random.default_rng(1))
    judge_unit([capture], by_tolerance(), conditions=CONDITIONS)
    started = time.process_time()
    judge_unit([capture], by_tolerance(), conditions=CONDITIONS)
    assert time.process_time() - started < 2.0
    benchmark(judge_unit, [capture], by_tolerance(), conditions=CONDITIONS)  # type: ignore[operator]


def test_against_a_fit_of_all_samples() -> None:
    """The whole verdict, six fits and intervals with it, beside one plain fit: ratio below 1."""
    capture = square_capture(Unit(treble_s=73e-6), np.random.default_rng(1), periods=3.0)
    known = known_exactly()
    orders = np.arange(1.0, 500.0, 2.0)

    def wave(t: np.ndarray, f: float, gain: float, delay: float, *logs: float) -> np.ndarray:
        s = 2j * np.pi * f * orders
        t1, t2, t3 = np.exp(logs)
        response = gain * (1 + s * t2) / ((1 + s * t1) * (1 + s * t3))
        response = response * np.exp(network_log_response(known, np.zeros(0), f * orders))
        shape = square_harmonics(orders, frequency_hz=f, duty=0.5, rise_time_s=0.0).value
        phase = np.exp(2j * np.pi * f * np.outer(t - delay, orders))
        return np.real(phase @ (shape * response))

    verdict_time, plain_time = [], []
    judge_unit([capture], known, conditions=CONDITIONS)
    for _ in range(3):
        started = time.perf_counter()
        verdict = judge_unit([capture], known, conditions=CONDITIONS)
        verdict_time.append(time.perf_counter() - started)
    seconds, volts = capture.time_s - capture.time_s[0], capture.volts - capture.volts.mean()
    constants = np.log([3180e-6, 318e-6, 75e-6])
    started = time.perf_counter()
    trials = [wave(seconds[::10], 200.0, 1.0, d, *constants) for d in np.arange(20) * 2.5e-4]
    best = int(np.argmax([t @ volts[::10] for t in trials]))
    gain = float(trials[best] @ volts[::10] / (trials[best] @ trials[best]))
    start = [200.0, gain, best * 2.5e-4, *constants]
    curve_fit(wave, seconds, volts, p0=start, method="trf", x_scale="jac")
    plain_time.append(time.perf_counter() - started)
    ratio = min(verdict_time) / min(plain_time)
    print(f"verdict {min(verdict_time):.2f} s, plain fit {min(plain_time):.2f} s: {ratio:.2f}")
    assert verdict.faults is not None and ratio < 1.0


def test_two_captures_against_a_fit_of_their_samples() -> None:
    """Two captures of 10,000 points at 8 bits with hum: below 1.5 s and 2 s of CPU on one thread.

    What a user would otherwise write: one fit by scipy.optimize.least_squares of both waveforms,
    summed from their harmonics by numpy's inverse transform, without hum, intervals or shapes.
    """
    trial = drawn_trial(1)
    wall, cpu = _best(lambda: judged_trial(trial))
    _, plain = _best(lambda: fit_of_samples(trial.captures), rounds=1)
    print(f"two captures: {wall:.2f} s, {cpu:.2f} s of CPU; plain fit {plain:.2f} s of CPU")
    print(f"ratio of CPU {cpu / plain:.2f}")
    assert cpu < 2.0 and cpu / plain < 8.0  # twelve shapes, hum, intervals and findings for one fit


@pytest.mark.parametrize("signal", SIGNALS)
def test_two_channels_against_spectra_and_a_fit(signal: str) -> None:
    """A record of 10 s at 96 kHz in two channels, of any signal: below 3 s on one thread.

    What a user would otherwise write: the delay by scipy.signal.correlate, the response by
    scipy.signal.csd and welch, and scipy.optimize.least_squares of it over the band.
    """
    quiet_s = 0.3 if signal in ("sine steps", "log sweep") else 0.0
    record = two_channel_record(
        Unit(),
        np.random.default_rng(3),
        signal=signal,
        seconds=10.0 - 2.0 * quiet_s,
        quiet_s=quiet_s,
    )
    wall, cpu = _best(lambda: judge_unit([record], by_tolerance(), conditions=CONDITIONS))
    _, plain = _best(lambda: fit_of_spectra(record), rounds=1)
    print(f"{signal}: {wall:.2f} s, {cpu:.2f} s of CPU; spectra and fit {plain:.2f} s of CPU")
    print(f"ratio of CPU {cpu / plain:.2f}")
    assert cpu < 3.0
    # Averaged spectra hold for what sounds all the time; of other signals they are no response.
    assert signal not in ("white noise", "music") or cpu / plain < 6.0


def judged_trial(trial: Trial) -> object:
    """The verdict of a trial of the study."""
    return judge_unit(
        trial.captures, trial.network, conditions=CONDITIONS, request=request_of(trial)
    )


def fit_of_samples(captures: Sequence[SquareWaveCapture]) -> object:
    """Constants, and gain, delay and frequency of each capture, by all samples."""
    known, points = known_exactly(), 4096
    orders = np.arange(1.0, points / 2, 2.0)
    nominal = (200.0, 23.0)

    def wave(capture: SquareWaveCapture, own: np.ndarray, logs: np.ndarray) -> np.ndarray:
        frequency = own[0] * orders
        s = 2j * np.pi * frequency
        t1, t2, t3 = np.exp(logs)
        response = own[1] * (1 + s * t2) / ((1 + s * t1) * (1 + s * t3))
        network = np.exp(network_log_response(known, np.zeros(0), frequency))
        spectrum = np.zeros(points // 2 + 1, dtype=complex)
        spectrum[1::2] = response * network * 2 / (1j * np.pi * orders) * points
        period = np.fft.irfft(spectrum, points)
        phase = (capture.time_s - capture.time_s[0] - own[2]) * own[0] % 1.0
        return np.interp(phase * points, np.arange(points + 1), np.append(period, period[0]))

    def missed(x: np.ndarray) -> np.ndarray:
        parts = []
        for k, capture in enumerate(captures):
            predicted = wave(capture, x[3 + 3 * k : 6 + 3 * k], x[:3])
            parts.append(predicted - capture.volts + capture.volts.mean() - predicted.mean())
        return np.concatenate(parts)

    constants = np.log([3180e-6, 318e-6, 75e-6])
    start = list(constants)
    for capture, frequency in zip(captures, nominal, strict=True):
        volts = capture.volts - capture.volts.mean()
        delays = np.arange(60) / 60 / frequency
        trials = [wave(capture, np.array([frequency, 1.0, d]), constants) for d in delays]
        best = int(np.argmax([t @ volts for t in trials]))
        gain = float(trials[best] @ volts / (trials[best] @ trials[best]))
        start += [frequency, gain, delays[best]]
    return least_squares(missed, start, x_scale="jac")


def fit_of_spectra(record: TwoChannelRecord) -> object:
    """Constants, gain and delay by a response from averaged spectra."""
    rate = record.rate_hz
    late = int(np.argmax(np.abs(correlate(record.volts, record.stimulus)))) - record.volts.size + 1
    moved = np.roll(record.volts, -late)
    frequency, cross = csd(record.stimulus, moved, rate, nperseg=2**15)
    response = cross / welch(record.stimulus, rate, nperseg=2**15)[1]
    heard = (frequency > 20.0) & (frequency < 20e3)
    frequency, response = frequency[heard], response[heard]
    s = 2j * np.pi * frequency
    network = np.exp(network_log_response(known_exactly(), np.zeros(0), frequency))

    def missed(x: np.ndarray) -> np.ndarray:
        t1, t2, t3 = np.exp(x[:3])
        model = x[3] * np.exp(-s * x[4] * 1e-5) * network * (1 + s * t2)
        off = model / ((1 + s * t1) * (1 + s * t3)) - response
        return np.concatenate([off.real, off.imag])

    gain = np.median(np.abs(response))
    return least_squares(missed, [*np.log([3180e-6, 318e-6, 75e-6]), gain, 0.0], x_scale="jac")


def _best(function: Callable[[], object], rounds: int = 3) -> tuple[float, float]:
    """Least wall and CPU time, after one run that loads what is loaded late [s]."""
    function()
    times = []
    for _ in range(rounds):
        wall, cpu = time.perf_counter(), time.process_time()
        function()
        times.append((time.perf_counter() - wall, time.process_time() - cpu))
    return min(t[0] for t in times), min(t[1] for t in times)


def test_batch_on_all_cores() -> None:
    """A batch by processes against one after the other; prints the ratio."""
    units = {f"unit {k}": [square_capture(Unit(), np.random.default_rng(k))] for k in range(12)}
    taken = {}
    for workers in (1, 2):
        started = time.perf_counter()
        judge_batch(units, by_tolerance(), conditions=CONDITIONS, workers=workers)
        taken[workers] = time.perf_counter() - started
    print(f"one process {taken[1]:.1f} s, two {taken[2]:.1f} s")
