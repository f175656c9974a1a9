"""What ``antecurve judge`` does once its options are read: one unit, or a folder of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from antecurve.cli.terminal import announce, say, say_aside

if TYPE_CHECKING:
    from antecurve.files.recordings import ReadingOptions, Recording
    from antecurve.files.unit_judging import UnitJudging
    from antecurve.files.verdict_record import VerdictRecord
    from antecurve.judge.batch import Batch, BatchEntry
    from antecurve.judge.unit_figures import FigureRequest
    from antecurve.judge.verdict import Verdict
    from antecurve.judge.verdicts import JudgeRequest
    from antecurve.log.recording import NewVerdict
    from antecurve.pipeline import Design

__all__ = ["Delivery", "judge_folder", "judge_one"]


@dataclass(frozen=True, slots=True)
class Delivery:
    """Where the result goes.

    Attributes
    ----------
    title : str
        Title of the design.
    design : Path
        Its file.
    serial, date, operator, network_serial : str
        For the test report and the record.
    output : Path or None
        Folder to write into.
    force : bool
        Whether to write into an existing one.
    as_json : bool
        Whether to print JSON.
    readings : tuple of ReadingOptions
        What the file of each capture leaves open.
    figures : FigureRequest
        How figures beside the response are judged.
    guess : bool
        Whether the curve that the unit is set to is to be guessed.
    log : Path or None
        Log to write the verdict into.
    """

    title: str
    design: Path
    serial: str
    date: str
    operator: str
    network_serial: str
    output: Path | None
    force: bool
    as_json: bool
    readings: tuple[ReadingOptions, ...]
    figures: FigureRequest
    guess: bool = False
    log: Path | None = None


def judge_one(
    captures: Sequence[Path],
    other: Sequence[Path],
    design: Design,
    measured: Mapping[str, float] | None,
    request: JudgeRequest,
    delivery: Delivery,
) -> bool:
    """Judge one unit, print and write the result.

    Parameters
    ----------
    captures, other : sequence of Path
        Captures of the unit, and of its other channel if any.
    design : Design
        The network.
    measured : mapping of str to float or None
        Measured values of its parts [ohm or F].
    request : JudgeRequest
        Limits, band, generator, chain.
    delivery : Delivery
        Where the result goes.

    Returns
    -------
    bool
        Whether every channel passes.
    """
    from antecurve.cli.delivery import deliver
    from antecurve.cli.log_writing import check_log, log_verdicts
    from antecurve.files.unit_judging import matched_channels
    from antecurve.judge.conformity import Decision
    from antecurve.judge.unit_figures import with_figure_limits
    from antecurve.report.unit_report import generator_setting

    check_log(delivery.log, delivery.serial)
    unit = _Unit(design, measured, request, delivery)
    verdicts: Sequence[Verdict] = [unit.judged(captures, "judging the unit")]
    if other:
        verdicts = matched_channels(verdicts[0], unit.judged(other, "judging the other channel"))
    channels = _Channels(
        tuple(with_figure_limits(v, delivery.figures.limits) for v in verdicts),
        unit.record([*captures, *other], unit.recordings, delivery.serial),
        delivery,
        generator_setting(design),
    )
    deliver(
        files=channels.files,
        content=channels.content,
        show=channels.show,
        output=delivery.output,
        force=delivery.force,
        as_json=delivery.as_json,
        record=lambda: log_verdicts(delivery.log, channels.entries(measured, (*captures, *other))),
        position=design.position,
    )
    return all(v.decision is Decision.PASS for v in channels.verdicts)


@dataclass(frozen=True, slots=True)
class _Channels:
    """The verdicts on a unit's one or two channels, ready to be written and shown."""

    verdicts: tuple[Verdict, ...]
    record: VerdictRecord
    delivery: Delivery
    generator: str

    def files(self) -> dict[str, bytes]:
        """Write test reports, verdicts and deviations, by name."""
        from antecurve.cli.progress import busy_progress
        from antecurve.report.unit_files import unit_files
        from antecurve.report.unit_report import Particulars

        asked = self.delivery
        with busy_progress("drawing the test report"):
            files = unit_files(
                self.verdicts, self.record,
                Particulars(
                    asked.title, asked.serial, asked.date, asked.operator,
                    asked.network_serial, self.generator,
                ),
            )  # fmt: skip
        for name in files:
            if name.startswith("difference") and name.endswith(".wav"):
                advice = "turn the volume down before you listen; a fault may be loud."
                say_aside(f"{name}: {advice}", speaker="")
        return files

    def entries(
        self, measured: Mapping[str, float] | None, captures: tuple[Path, ...]
    ) -> Iterator[NewVerdict]:
        """Prepare what is logged of each channel."""
        from antecurve.files.verdict_file import verdict_json
        from antecurve.log.recording import NewVerdict
        from antecurve.report.unit_files import CHANNEL_MARKS, report_name

        asked = self.delivery
        names = ("first", "other") if len(self.verdicts) > 1 else ("",)
        for verdict, name, mark in zip(self.verdicts, names, CHANNEL_MARKS, strict=False):
            yield NewVerdict(
                verdict_json(verdict, self.record), asked.serial, name, measured, asked.design,
                captures,
                () if asked.output is None else (asked.output / report_name(mark),),
            )  # fmt: skip

    def content(self) -> dict[str, object]:
        """Collect what is printed as JSON."""
        one, *others = (v.to_dict() for v in self.verdicts)
        more = {"other_channel": others[0]} if others else {}
        return one | self.record.to_dict() | more

    def show(self) -> None:
        """Print one channel after the other."""
        for verdict, name in zip(self.verdicts, ("", "Other channel"), strict=False):
            if name:
                say(name)
            _show(verdict)


@dataclass(frozen=True, slots=True)
class _Unit:
    """A unit on its way to the verdict, with the recordings read so far."""

    design: Design
    measured: Mapping[str, float] | None
    request: JudgeRequest
    delivery: Delivery
    recordings: list[Recording] = field(default_factory=list)

    def judged(self, paths: Sequence[Path], title: str) -> Verdict:
        """Judge the captures of one channel, and what they tell beside the response."""
        from antecurve.cli.progress import stage_progress
        from antecurve.files.unit_judging import read_unit_captures

        read, captures = read_unit_captures(paths, self.delivery.readings)
        self.recordings.extend(read)
        with stage_progress(title) as begin:
            verdict = self.judging.verdict(read, captures, begin)
        for recording in read:
            say_aside(f"{recording.capture.name}: {recording.understood}", speaker="")
        return verdict

    @property
    def judging(self) -> UnitJudging:
        """What the unit is judged with."""
        from antecurve.files.unit_judging import UnitJudging

        delivery = self.delivery
        return UnitJudging(
            self.design, self.measured, self.request, delivery.figures, delivery.guess
        )

    def record(
        self, paths: Sequence[Path], recordings: Sequence[Recording], serial: str
    ) -> VerdictRecord:
        """Record what a verdict rests on."""
        from antecurve import __version__
        from antecurve.files.unit_judging import WhoAndWhen

        asked = self.delivery
        readings = asked.readings
        more = readings[:1] * (len(paths) - len(readings))
        return self.judging.record(
            asked.design, paths, recordings,
            WhoAndWhen(serial, asked.date, asked.operator, asked.network_serial),
            software=f"antecurve {__version__}", played=[r.played for r in (*readings, *more)],
        )  # fmt: skip

    def entry_with_figures(self, entry: BatchEntry, read: Sequence[Recording]) -> BatchEntry:
        """Add what the records of a unit tell beside the response, and decide on limits."""
        from antecurve.judge.unit_figures import with_figure_limits

        if entry.verdict is None:
            return entry
        verdict = self.judging.with_figures(entry.verdict, read)
        return replace(entry, verdict=with_figure_limits(verdict, self.delivery.figures.limits))


@dataclass(frozen=True, slots=True)
class _JudgedFolder:
    """The verdicts on a folder of units, ready to be written, shown and logged."""

    batch: Batch
    records: Mapping[str, VerdictRecord]
    captures: Mapping[str, Sequence[Path]]
    measured: Mapping[str, float] | None
    delivery: Delivery

    def files(self) -> dict[str, bytes]:
        """Write the table of the batch, and a test report and a verdict of each unit, by name."""
        from antecurve.cli.progress import count_progress
        from antecurve.files.verdict_file import batch_csv, verdict_json
        from antecurve.report.unit_report import Particulars, unit_report

        asked = self.delivery
        files = {"batch.csv": batch_csv(self.batch)}
        with count_progress("drawing test reports") as drawn:
            for done, (name, verdict) in enumerate(self._verdicts(), start=1):
                files[f"{name}.json"] = verdict_json(verdict, self.records[name])
                files[f"{name}.html"] = unit_report(
                    verdict,
                    Particulars(
                        asked.title, name, asked.date, asked.operator, asked.network_serial
                    ),
                )
                drawn(done, len(self.records))
        return files

    def content(self) -> dict[str, object]:
        """Collect what is printed as JSON."""
        content = self.batch.to_dict()
        for unit in content["units"]:
            if unit["verdict"] is not None:
                unit["verdict"] |= self.records[unit["unit"]].to_dict()
        return content

    def entries(self) -> Iterator[NewVerdict]:
        """Prepare what is logged of each unit."""
        from antecurve.files.verdict_file import verdict_json
        from antecurve.log.recording import NewVerdict

        folder = self.delivery.output
        for name, verdict in self._verdicts():
            yield NewVerdict(
                verdict_json(verdict, self.records[name]), name, "", self.measured,
                self.delivery.design, tuple(self.captures[name]),
                () if folder is None else (folder / f"{name}.html",),
            )  # fmt: skip

    def _verdicts(self) -> Iterator[tuple[str, Verdict]]:
        for entry in self.batch.entries:
            if entry.verdict is not None:
                yield entry.name, entry.verdict


def _show(verdict: Verdict) -> None:
    from antecurve.cli.show import show_table
    from antecurve.report.constant_texts import fitted_rows
    from antecurve.report.unit_report import VERDICT_WORDS, band_rows
    from antecurve.texts import as_sentence

    announce(verdict.decision.value, VERDICT_WORDS[verdict.decision.value])
    overlay = [verdict.overlay.text] if verdict.overlay is not None else []
    figures = [figure.text for figure in verdict.figures]
    say(*(f"- {as_sentence(line)}" for line in (*verdict.findings, *figures, *overlay)))
    show_table(band_rows(verdict))
    if verdict.fitted:
        show_table(fitted_rows(verdict.fitted))
    say(*(as_sentence(note) for note in verdict.notes))


def judge_folder(
    folder: Path,
    design: Design,
    measured: Mapping[str, float] | None,
    request: JudgeRequest,
    workers: int,
    delivery: Delivery,
) -> bool:
    """Judge a folder of captures, print and write the results.

    Parameters
    ----------
    folder : Path
        Each CSV file in it is a unit, each folder in it a unit with several captures.
    design : Design
        The network.
    measured : mapping of str to float or None
        Measured values of its parts [ohm or F].
    request : JudgeRequest
        Limits, band, generator, chain.
    workers : int
        Processes; 0 for one per core.
    delivery : Delivery
        Where the results go.

    Returns
    -------
    bool
        Whether every unit passes.
    """
    from antecurve.cli.delivery import deliver
    from antecurve.cli.log_writing import check_log, log_verdicts
    from antecurve.cli.progress import count_progress
    from antecurve.cli.show import show_table
    from antecurve.errors import InputError
    from antecurve.files.captures import capture_units
    from antecurve.files.unit_curve_texts import GUESS
    from antecurve.judge.batch import Batch, judge_batch
    from antecurve.judge.conformity import Decision
    from antecurve.report.unit_report import batch_rows

    check_log(delivery.log, None)
    if delivery.guess:
        raise InputError("--unit-curve", GUESS, "name the curve that the units of a batch are for")
    order = capture_units(folder)
    read, entries = _recordings_of_units(order, delivery.readings[0])
    with count_progress("units judged") as progress:
        judged = judge_batch(
            {name: [r.capture for r in recordings] for name, recordings in read.items()},
            design,
            measured=measured,
            request=request,
            workers=workers or None,
            progress=progress,
        )
    unit = _Unit(design, measured, request, delivery)
    entries |= {e.name: unit.entry_with_figures(e, read[e.name]) for e in judged.entries}
    batch = Batch(tuple(entries[name] for name in order))
    records = {
        e.name: unit.record(order[e.name], read[e.name], e.name) for e in batch.entries if e.verdict
    }
    folder_judged = _JudgedFolder(batch, records, order, measured, delivery)
    deliver(
        files=folder_judged.files,
        content=folder_judged.content,
        show=lambda: show_table(batch_rows(batch.to_frame())),
        output=delivery.output,
        force=delivery.force,
        as_json=delivery.as_json,
        record=lambda: log_verdicts(delivery.log, folder_judged.entries()),
    )
    return all(e.verdict is not None and e.verdict.decision is Decision.PASS for e in batch.entries)


def _recordings_of_units(
    captures: Mapping[str, Sequence[Path]], reading: ReadingOptions
) -> tuple[dict[str, list[Recording]], dict[str, BatchEntry]]:
    """Read the captures of each unit; those that can't be read are entries without a verdict."""
    from antecurve.errors import AntecurveError
    from antecurve.files.recordings import read_recording
    from antecurve.judge.batch import BatchEntry

    read: dict[str, list[Recording]] = {}
    unread: dict[str, BatchEntry] = {}
    for name, paths in captures.items():
        try:
            read[name] = [read_recording(path, reading) for path in paths]
        except AntecurveError as error:
            unread[name] = BatchEntry(name, None, str(error))
    return read, unread
