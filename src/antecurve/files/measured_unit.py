"""A unit measured step by step, each record in its folder as soon as it is taken."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from antecurve.errors import InputError
from antecurve.files.measurement import (
    BYPASS,
    STIMULUS,
    UNIT,
    Measurement,
    MeasurementFolder,
    read_reference,
)
from antecurve.files.played_signal import signal_wav
from antecurve.files.recordings import ReadingOptions
from antecurve.files.sound import sound_bytes
from antecurve.job import Job
from antecurve.judge.response_estimate import rate_problem
from antecurve.signals.request import SignalRequest
from antecurve.signals.signal import make_signal
from antecurve.sound.bench import Bench, Taken, take_reference, take_resistances, take_unit
from antecurve.sound.interface import SoundInterface
from antecurve.sound.ramp import ramp_burst, ramp_levels
from antecurve.sound.resistances import Resistances, tone_waveform
from antecurve.sound.stimulus import stimulus_by_reference

__all__ = ["MeasuredUnit", "MeasurementPlan", "measure_unit", "played_files"]


@dataclass(frozen=True, slots=True)
class MeasurementPlan:
    """What is measured, and how.

    Attributes
    ----------
    request : SignalRequest
        The signal, at the highest level allowed.
    output : int
        Output of the interface that plays.
    inputs : tuple of int
        Inputs: for the unit's output, and for the generator where it is recorded as well.
    stated : Resistances
        Resistances of the interface where nothing measures them.
    known_ohm : float or None
        A resistor to measure them with [ohm].
    reference : Path or None
        Folder of an earlier measurement whose reference still holds.
    date : str
        Date and time, as ISO 8601 has it.
    software : str
        Name and version of this package.
    """

    request: SignalRequest
    output: int
    inputs: tuple[int, ...]
    stated: Resistances
    known_ohm: float | None
    reference: Path | None
    date: str
    software: str

    def check(self, band_hz: tuple[float, float]) -> None:
        """Refuse what can't be judged in the end, before anything is played.

        Parameters
        ----------
        band_hz : tuple of float
            Band that is judged [Hz].

        Raises
        ------
        InputError
            When the rate is too low for the band, or the earlier reference is of another signal.
        """
        problem = rate_problem(self.request.rate_hz, band_hz, field="--rate")
        if problem is not None:
            raise problem
        if self.reference is not None:
            self.earlier(self.reference)

    def earlier(self, folder: Path) -> tuple[Taken, Measurement]:
        """Read the reference of an earlier measurement.

        Parameters
        ----------
        folder : Path
            Its folder.

        Returns
        -------
        tuple of Taken and Measurement
            The reference, and what it was taken with.

        Raises
        ------
        InputError
            When it can't be read, or serves no measurement like this.
        """
        taken, about = read_reference(folder, self.request)
        if (about.output, about.inputs) != (self.output, self.inputs):
            inputs = " and ".join(f"input {n}" for n in about.inputs)
            raise InputError.without_value(
                "--reference", f"it was taken from output {about.output} to {inputs}",
                "use these channels, or take a new reference",
            )  # fmt: skip
        return taken, about

    def bench(
        self,
        interface: SoundInterface,
        folder: MeasurementFolder,
        ask: Callable[[str], None],
        say: Callable[[str], None],
    ) -> Bench:
        """Set up the bench.

        Parameters
        ----------
        interface : SoundInterface
            The interface.
        folder : MeasurementFolder
            Where records are kept.
        ask, say : callable
            As in `Bench`.

        Returns
        -------
        Bench
            Ready for the first step.
        """
        return Bench(interface, self.output, self.inputs, ask, say, folder.keep)


@dataclass(frozen=True, slots=True)
class MeasuredUnit:
    """A record of a unit, ready to be judged.

    Attributes
    ----------
    capture : Path
        Its file.
    reading : ReadingOptions
        How it is read.
    resistances : Resistances
        Of the interface.
    reference : Path or None
        Record with network and unit bypassed, where it shows how the two inputs differ.
    """

    capture: Path
    reading: ReadingOptions
    resistances: Resistances
    reference: Path | None = None

    def job(self, job: Job) -> Job:
        """Put the generator that was measured in the place of the designed one.

        Parameters
        ----------
        job : Job
            Job of the network.

        Returns
        -------
        Job
            With the resistance of the interface's output for the source's.
        """
        source = self.resistances.source_ohm
        return replace(job, loading=replace(job.loading, source_resistance=source))


def measure_unit(bench: Bench, plan: MeasurementPlan, folder: MeasurementFolder) -> MeasuredUnit:
    """Measure a unit: the reference, the resistances, then the unit.

    Parameters
    ----------
    bench : Bench
        The bench.
    plan : MeasurementPlan
        What is measured.
    folder : MeasurementFolder
        Where records are kept.

    Returns
    -------
    MeasuredUnit
        The record of the unit.

    Raises
    ------
    InputError
        When a step gives nothing that can be used; what was recorded is in the folder.
    """
    reference, resistances = _reference(bench, plan, folder)
    bench.say(_resistance_text(resistances))
    taken = take_unit(bench, plan.request)
    bypass = None
    if len(plan.inputs) == 2:
        reading = ReadingOptions(channel=1, stimulus=2, stimulus_at="generator")
        if np.any(np.diff(reference.record)):  # inputs that are one tell nothing
            bypass = folder.path / BYPASS
    else:
        raised_db = max(taken.signal.request.level_db) - max(reference.signal.request.level_db)
        stimulus = stimulus_by_reference(
            reference.record[:, 0],
            reference.signal.samples,
            rate_hz=plan.request.rate_hz,
            factor=resistances.emf_over_input * 10.0 ** (raised_db / 20.0),
            name="the reference",
        )
        folder.keep_stimulus(taken.signal.request, stimulus)
        reading = ReadingOptions(channel=1, stimulus_at="emf", played=folder.path / STIMULUS)
    return MeasuredUnit(folder.path / UNIT, reading, resistances, bypass)


def played_files(plan: MeasurementPlan) -> dict[str, bytes]:
    """Write what would be played.

    Parameters
    ----------
    plan : MeasurementPlan
        What would be measured.

    Returns
    -------
    dict of str to bytes
        WAV files by name: the ramp, the tone for the resistances, the signal at its highest level.
    """
    request = plan.request
    levels = ramp_levels(highest_db=max(request.level_db))
    quiet = np.zeros(request.rate_hz // 2)
    bursts = [part for level in levels for part in (ramp_burst(request, level_db=level), quiet)]
    files = {"ramp.wav": sound_bytes(np.concatenate(bursts), rate_hz=request.rate_hz)}
    if plan.known_ohm is not None:
        tone = tone_waveform(rate_hz=request.rate_hz, level_db=max(request.level_db))
        files["tone.wav"] = sound_bytes(tone, rate_hz=request.rate_hz)
    return files | {"signal.wav": signal_wav(make_signal(request))}


def _reference(
    bench: Bench, plan: MeasurementPlan, folder: MeasurementFolder
) -> tuple[Taken, Resistances]:
    """The reference and the resistances, taken now or earlier, and kept with their date."""
    if plan.reference is not None:
        taken, about = plan.earlier(plan.reference)
        date, _, time = about.date.partition("T")
        bench.say(f"Reference of {date}, {time[:5]}.")
        folder.keep("bypass", taken.signal, taken.record)
    else:
        taken, resistances = take_reference(bench, plan.request), plan.stated
        if plan.known_ohm is not None:
            level_db = max(taken.signal.request.level_db)
            resistances = take_resistances(bench, known_ohm=plan.known_ohm, level_db=level_db)
        about = Measurement(
            plan.date, plan.request.rate_hz, plan.output, plan.inputs, resistances, plan.software
        )
    folder.keep_facts(about)
    return taken, about.resistances


def _resistance_text(resistances: Resistances) -> str:
    from antecurve.quantities import format_quantity

    source = format_quantity(resistances.source_ohm, "ohm", digits=3)
    text = f"Generator {source} ({resistances.origin})"
    if resistances.input_ohm is None:
        return f"{text}; the input's load on it is not counted."
    return f"{text}, input {format_quantity(resistances.input_ohm, 'ohm', digits=3)}."
