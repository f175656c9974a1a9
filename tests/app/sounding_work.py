"""A recording by a loopback: a module of its own, as the process of a computation imports it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from loopback import Floats, Loopback
from scipy.signal import oaconvolve

from antecurve.app.dialogue import Dialogue
from antecurve.app.record_work import Recorded, record_unit
from antecurve.files.measuring_texts import MeasuringTexts
from antecurve.networks.topology import Loading
from antecurve.sound import portaudio

SOURCE_OHM, INPUT_OHM, KNOWN_OHM = 100.0, 20e3, 1e3  # of the loopback, and a test's resistor
TAPS = "taps.npy"
_ACROSS_OHM = INPUT_OHM * KNOWN_OHM / (INPUT_OHM + KNOWN_OHM)
_STRAIGHT = INPUT_OHM / (SOURCE_OHM + INPUT_OHM)


def record_by_loopback(
    dialogue: Dialogue, root: Path, designed: Loading, name: str, texts: MeasuringTexts,
    reference: str,
) -> Recorded:  # fmt: skip
    """Record the unit whose taps a test left in the folder of the bench; each step is wired."""
    taps, asked = np.load(root / TAPS), dialogue.ask
    interface = Loopback(inputs=1 if texts.generator_channel is None else 2)
    interface.check = lambda: None  # type: ignore[attr-defined]

    def unit(emf: Floats) -> Floats:
        heard = oaconvolve(emf, taps)[: emf.size]
        return heard if interface.inputs == 1 else np.stack([heard, _STRAIGHT * emf], axis=1)

    def wire(step: str) -> None:
        asked(step)
        if "to the network" in step:
            interface.path = unit
            return
        gain = _STRAIGHT  # voltage dividers, written anew
        if "between output" in step:
            gain = INPUT_OHM / (SOURCE_OHM + KNOWN_OHM + INPUT_OHM)
        elif "across input" in step:
            gain = _ACROSS_OHM / (SOURCE_OHM + _ACROSS_OHM)
        interface.path = lambda emf: gain * emf

    dialogue.ask = wire  # type: ignore[method-assign]
    portaudio.PortAudioInterface = lambda *_: interface  # type: ignore[assignment,misc]
    return record_unit(dialogue, root, designed, name, texts, reference)
