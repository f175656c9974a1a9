"""How long a verdict takes against the direct way: fitting the record point by point.

What a user would otherwise write: scipy.optimize.curve_fit of the waveform, synthesised from a
few hundred harmonics, to all samples of the record, from the nominal values.
"""

from __future__ import annotations

import time

import numpy as np
from playback_units import CONDITIONS, Unit, by_tolerance, known_exactly, square_capture
from scipy.optimize import curve_fit

from antecurve.judge.batch import judge_batch
from antecurve.judge.network_estimate import network_log_response
from antecurve.judge.signal_path import square_harmonics
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


def test_batch_on_all_cores() -> None:
    """A batch by processes against one after the other; prints the ratio."""
    units = {f"unit {k}": [square_capture(Unit(), np.random.default_rng(k))] for k in range(12)}
    taken = {}
    for workers in (1, 2):
        started = time.perf_counter()
        judge_batch(units, by_tolerance(), conditions=CONDITIONS, workers=workers)
        taken[workers] = time.perf_counter() - started
    print(f"one process {taken[1]:.1f} s, two {taken[2]:.1f} s")
