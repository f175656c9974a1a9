"""A unit recorded through a sound interface, in a process of its own."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from antecurve.app.dialogue import CancelledError, Dialogue
from antecurve.files.bench_folder import BenchFolder
from antecurve.files.measured_unit import measure_unit
from antecurve.files.measurement import MeasurementFolder
from antecurve.files.measuring_texts import MeasuringTexts
from antecurve.files.recordings import ReadingOptions
from antecurve.report.html_page import software_text
from antecurve.sound.interface import Device, SoundInterface
from antecurve.sound.portaudio import devices

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from antecurve.networks.topology import Loading

__all__ = ["Recorded", "list_devices", "record_unit"]


@dataclass(frozen=True, slots=True)
class Recorded:
    """A unit's record, ready to be judged.

    Attributes
    ----------
    files : tuple of Path
        The unit's record, the stimulus where it is a file, and the reference where one is needed.
    reading : ReadingOptions
        How the record is read.
    source_ohm : float
        Resistance of the generator [ohm].
    """

    files: tuple[Path, ...]
    reading: ReadingOptions
    source_ohm: float


@dataclass(frozen=True, slots=True)
class _Stoppable:
    """An interface whose exchange ends when the recording is cancelled."""

    interface: SoundInterface
    dialogue: Dialogue

    @property
    def rate_hz(self) -> int:
        """Sampling rate [Hz]."""
        return self.interface.rate_hz

    def exchange(self, played: NDArray[np.float64]) -> Generator[NDArray[np.float64], None, None]:
        """Play and record until cancelled."""
        for block in self.interface.exchange(played):
            yield block
            self.dialogue.check()


def list_devices(dialogue: Dialogue) -> tuple[Device, ...]:
    """List the sound devices as they are now.

    Parameters
    ----------
    dialogue : Dialogue
        The talk with the server.

    Returns
    -------
    tuple of Device
        One or more.

    Raises
    ------
    InputError
        When there is none, or PortAudio is not installed.
    MissingExtraError
        When the package that uses it is not.
    """
    return devices()


def record_unit(
    dialogue: Dialogue, root: Path, designed: Loading, name: str, texts: MeasuringTexts,
    reference: str,
) -> Recorded:  # fmt: skip
    """Record a unit step by step, each record in its folder as soon as it is taken.

    Parameters
    ----------
    dialogue : Dialogue
        Tells the steps, and waits for them.
    root : Path
        Folder of the bench.
    designed : Loading
        What the network was designed for.
    name : str
        Name of the recording.
    texts : MeasuringTexts
        How it is recorded.
    reference : str
        Name of the recording whose reference still holds; empty to take one.

    Returns
    -------
    Recorded
        The unit's record.

    Raises
    ------
    InputError
        When a step gives nothing that can be used; what was recorded is in the folder.
    CancelledError
        When it is cancelled; what was recorded is in the folder, the last record as far as it came.
    """
    folder = BenchFolder(root)
    earlier = folder.recording(reference) if reference else None
    plan, interface = texts.plan(designed, earlier, software=software_text()), texts.interface()
    interface.check()
    records = MeasurementFolder(folder.recording(name))
    bench = plan.bench(_Stoppable(interface, dialogue), records, dialogue.ask, dialogue.say)
    try:
        dialogue.ask("Do all of these first.")
        unit = measure_unit(bench, plan, records)
    except CancelledError:
        kept = f"what was recorded is in recordings/{name}" if records.path.is_dir() else ""
        raise CancelledError(kept or "nothing was recorded") from None
    dialogue.say("Recorded.")
    files = tuple(p for p in (unit.capture, unit.reading.played, unit.reference) if p)
    return Recorded(files, unit.reading, unit.resistances.source_ohm)
