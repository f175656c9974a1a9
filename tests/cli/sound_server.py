"""A unit on a private sound server without hardware.

What is played goes to a null sink; this process hears its monitor, filters it, and plays it to a
second null sink, whose monitor is the interface's input.

    python sound_server.py TAPS.npy MODE READY

The first file holds the taps of the unit behind the network; in the second stands whether they
are in the path (``unit``) or not; the third comes into being when sound flows.
"""

from __future__ import annotations

import os
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import numpy as np

RATE_HZ = 48_000
SETTINGS = """
load-module module-null-sink sink_name=out rate=48000 channels=1 format=float32le
load-module module-null-sink sink_name=in rate=48000 channels=1 format=float32le
load-module module-native-protocol-unix
set-default-sink out
set-default-source in.monitor
"""
"""What the server loads; PortAudio's default devices then are the two ends of the unit."""

_BLOCK = 2400  # samples: 50 ms
_FORMAT = ("--raw", f"--rate={RATE_HZ}", "--channels=1", "--format=float32le")


def main(taps_file: str, mode_file: str, ready_file: str) -> None:
    """Filter without end."""
    with suppress(PermissionError):
        os.nice(-10)  # sound in time, whatever else the machine does
    taps = np.load(taps_file)
    ring = np.zeros(taps.size - 1)
    # By numpy alone: a second less until sound flows.
    size = 1 << (_BLOCK + ring.size - 1).bit_length()
    spectrum = np.fft.rfft(taps, size)
    heard = subprocess.Popen(
        ["parec", "--device=out.monitor", "--latency-msec=50", *_FORMAT], stdout=subprocess.PIPE
    )
    spoken = subprocess.Popen(
        ["pacat", "--device=in", "--latency-msec=300", *_FORMAT], stdin=subprocess.PIPE
    )
    assert heard.stdout is not None and spoken.stdin is not None
    while data := heard.stdout.read(4 * _BLOCK):
        block = np.frombuffer(data, dtype="<f4").astype(float)
        if Path(mode_file).read_text() == "unit":
            product = np.fft.rfft(block, size) * spectrum
            full = np.fft.irfft(product, size)[: block.size + ring.size]
            full[: ring.size] += ring
            ring, block = full[block.size :], full[: block.size]
        spoken.stdin.write(block.astype("<f4").tobytes())
        spoken.stdin.flush()
        Path(ready_file).touch()


if __name__ == "__main__":
    main(*sys.argv[1:])
