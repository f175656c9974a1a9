"""A private sound server for tests, and a unit of the test's own between its two ends."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
from playback_units import Unit
from sound_server import RATE_HZ, SETTINGS

from antecurve.networks.compiled import transfer
from antecurve.pipeline import Design

SERVER = Path(__file__).with_name("sound_server.py")
_END_SECONDS = 5.0  # one that is asked to end takes a tenth; now and then one never ends
IN_TIME = ("nice", "-n", "-10")  # sound in time, whatever else the machine does


def taps(design: Design, unit: Unit, *, source_ohm: float | None = None) -> np.ndarray:
    """The impulse response of network and unit, 64 samples late, a fifth of a second long.

    By a generator as designed, or of another resistance.
    """
    loading = design.job.loading
    if source_ohm is not None:
        loading = replace(loading, source_resistance=source_ohm)
    size = 2**15
    frequency = np.fft.rfftfreq(size, 1.0 / RATE_HZ)
    frequency[0] = 1e-3
    top, bottom = unit.polynomials()
    s = 2j * np.pi * frequency
    network = transfer(design.picked.network, frequency, loading=loading)
    response = network * np.polyval(top, s) / np.polyval(bottom, s)
    return np.fft.irfft(response * np.exp(-s * 64 / RATE_HZ), size)[:12_000]


@contextmanager
def private_server(runtime: Path) -> Iterator[dict[str, str]]:
    """A server with two null sinks; the environment of programs that are to use it."""
    runtime.mkdir(mode=0o700)
    (runtime / "settings.pa").write_text(SETTINGS)
    socket = runtime / "pulse" / "native"
    own = os.environ | {
        "XDG_RUNTIME_DIR": str(runtime), "HOME": str(runtime), "PULSE_SERVER": f"unix:{socket}",
    }  # fmt: skip
    with subprocess.Popen(
        [
            *IN_TIME, "pulseaudio", "-n", "-F", "settings.pa", "--daemonize=no",
            "--exit-idle-time=-1",
        ],
        cwd=runtime, env=own, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    ) as server:  # fmt: skip
        wait_for(socket)
        try:
            yield own
        finally:
            server.terminate()
            try:
                server.wait(_END_SECONDS)
            except subprocess.TimeoutExpired:
                server.kill()


def filtering_unit(
    taps_file: Path, mode: Path, ready: Path, environment: dict[str, str]
) -> subprocess.Popen[bytes]:
    """The unit between the two ends, as `sound_server` has it."""
    command = [sys.executable, str(SERVER), str(taps_file), str(mode), str(ready)]
    return subprocess.Popen(command, env=environment)


def wait_for(path: Path) -> None:
    for _ in range(2400):
        if path.exists():
            return
        time.sleep(0.05)
    raise AssertionError(f"{path} did not come")
