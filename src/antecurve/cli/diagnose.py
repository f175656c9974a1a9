"""``antecurve diagnose``: which part of a unit is wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from antecurve.cli.bench_options import (
    ChainHigh,
    ChainLow,
    Flatness,
    Limit,
    Mains,
    MeasuredValues,
    Probe,
    References,
    RiseTime,
    RiseTimeUncertainty,
    Stimulus,
    StimulusAt,
)
from antecurve.cli.options import (
    AsJson,
    Channel,
    DecimalMark,
    Force,
    MeterCapacitance,
    MeterDisplay,
    MeterResistance,
    OutputFolder,
    PositionName,
    TimeUnit,
    Units,
    refuse_existing,
)
from antecurve.cli.terminal import say, say_aside

if TYPE_CHECKING:
    from antecurve.diagnose.repair import Repair
    from antecurve.diagnose.suspect import Diagnosis
    from antecurve.diagnose.unit_circuit import UnitCircuit
    from antecurve.files.recordings import ReadingOptions
    from antecurve.judge.capture import Capture
    from antecurve.judge.verdict import Verdict
    from antecurve.judge.verdicts import JudgeRequest
    from antecurve.pipeline import Design

__all__ = ["diagnose"]

_Texts = Optional[list[str]]  # noqa: UP045
_File = Optional[Path]  # noqa: UP045


def diagnose(
    captures: Annotated[
        list[Path],
        typer.Argument(metavar="CAPTURE", help="Captures of one unit, as for antecurve judge."),
    ],
    design: Annotated[
        Path, typer.Option("--design", metavar="DESIGN.json", help="The network's design.")
    ],
    unit: Annotated[
        Path,
        typer.Option(
            "--unit",
            metavar="UNIT.toml",
            help="The unit's circuit, as antecurve job --unit writes it.",
        ),
    ],
    position: PositionName = None,
    repaired: Annotated[
        Optional[list[Path]],  # noqa: UP045
        typer.Option(
            "--after", metavar="CAPTURE", help="Capture after the repair; may be repeated."
        ),
    ] = None,
    measured: MeasuredValues = None,
    meter_resistance: MeterResistance = "0.2 %",
    meter_capacitance: MeterCapacitance = "0.5 %",
    meter_display: MeterDisplay = 10_000,
    limit: Limit = "0.5",
    rise_time: RiseTime = "0",
    rise_time_uncertainty: RiseTimeUncertainty = "0",
    flatness: Flatness = "0",
    chain_low: ChainLow = None,
    chain_high: ChainHigh = None,
    probe: Probe = "0",
    reference: References = None,
    mains: Mains = None,
    channel: Channel = None,
    stimulus: Stimulus = None,
    stimulus_at: StimulusAt = None,
    time_unit: TimeUnit = None,
    decimal: DecimalMark = None,
    units: Units = None,
    output: OutputFolder = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Find which part of a unit is wrong.

    The suspects are listed by probability, each with the value it reads as.  The command names
    those that no capture tells apart, and the one measurement that does.  With -o the folder
    gets diagnosis.html and diagnosis.json.
    Exit code 1 when the unit does not pass after its repair (--after).

    \b
    Example: antecurve diagnose left.csv --design design.json --unit unit.toml
    """
    from antecurve.cli.delivery import deliver
    from antecurve.files.box_file import read_design_and_box, read_measured_at
    from antecurve.files.captures import read_capture
    from antecurve.files.judging_texts import JudgingTexts, readings_of
    from antecurve.files.unit_file import read_unit

    refuse_existing(output, force=force)
    circuit = read_unit(unit)
    made, box = read_design_and_box(design, position=position)
    readings = readings_of(
        stimulus, channel=channel, stimulus_at=stimulus_at, time_unit=time_unit, decimal=decimal,
        units=units, captures=len(captures),
    )  # fmt: skip
    asked = JudgingTexts(
        limit=limit, rise_time=rise_time, rise_time_uncertainty=rise_time_uncertainty,
        flatness=flatness, chain_low=tuple(chain_low or ()), chain_high=tuple(chain_high or ()),
        probe=probe, mains=mains, meter_resistance=meter_resistance,
        meter_capacitance=meter_capacitance, meter_display=meter_display,
    ).request([read_capture(path, readings[0]) for path in reference or ()])  # fmt: skip
    values = None if measured is None else read_measured_at(measured, made, box)
    bench = _Bench(made, circuit, values, asked)
    finding = bench.finding(captures, readings, repaired or [])
    deliver(
        files=finding.files,
        content=finding.content,
        show=finding.show,
        output=output,
        force=force,
        as_json=as_json,
        position=made.position,
    )
    if finding.repair is not None and not finding.repair.cured:
        raise typer.Exit(1)


@dataclass(frozen=True, slots=True)
class _Finding:
    """A diagnosis with the verdict, ready to be written and shown."""

    title: str
    diagnosis: Diagnosis
    verdict: Verdict
    repair: Repair | None

    def files(self) -> dict[str, bytes]:
        """Draw the page and write the JSON, by name."""
        from antecurve.report.diagnosis_page import diagnosis_page
        from antecurve.results import json_text

        page = diagnosis_page(self.diagnosis, self.verdict, title=self.title, repair=self.repair)
        return {
            "diagnosis.html": page,
            "diagnosis.json": json_text(self.content()).encode(),
        }

    def content(self) -> dict[str, object]:
        """Collect what is printed as JSON."""
        from antecurve.report.cautions import INSIDE_CAUTIONS

        beside: dict[str, object] = {} if self.repair is None else {"repair": self.repair.to_dict()}
        beside |= {"verdict": self.verdict.to_dict(), "cautions": list(INSIDE_CAUTIONS)}
        return self.diagnosis.to_dict() | beside

    def show(self) -> None:
        """Print conclusion, suspects and cautions."""
        from antecurve.cli.show import show_table
        from antecurve.report.cautions import INSIDE_CAUTIONS
        from antecurve.report.diagnosis_tables import (
            diagnosis_lines,
            probability_text,
            repair_lines,
            suspect_rows,
        )

        say(*diagnosis_lines(self.diagnosis))
        if self.diagnosis.suspects:
            show_table(suspect_rows(self.diagnosis))
        say(
            f"All within tolerance: {probability_text(self.diagnosis.good_probability)}; none of "
            f"these: {probability_text(self.diagnosis.unexplained_probability)}."
        )
        say(*([] if self.repair is None else repair_lines(self.repair)))
        say(*(f"- {caution}" for caution in INSIDE_CAUTIONS))


@dataclass(frozen=True, slots=True)
class _Bench:
    """What a unit is diagnosed with."""

    design: Design
    circuit: UnitCircuit
    measured: Mapping[str, float] | None
    request: JudgeRequest

    def finding(
        self, captures: list[Path], readings: tuple[ReadingOptions, ...], repaired: list[Path]
    ) -> _Finding:
        """Diagnose and judge a unit, and judge it after its repair."""
        from antecurve.cli.progress import stage_progress
        from antecurve.diagnose.diagnosis import diagnose_unit
        from antecurve.diagnose.repair import Repair
        from antecurve.files.unit_judging import with_unit_curve
        from antecurve.judge.verdicts import judge_unit

        read = self._read(captures, readings)
        design = with_unit_curve(self.design, self.circuit.curve)
        with stage_progress("diagnosing the unit") as begin:
            diagnosis = diagnose_unit(
                read, design, self.circuit, measured=self.measured, request=self.request,
                progress=begin,
            )  # fmt: skip

            def judged(of: list[Capture]) -> Verdict:
                return judge_unit(
                    of, design, measured=self.measured, request=self.request, progress=begin
                )

            verdict = judged(read)
            repair = None
            if repaired:
                after = self._read(repaired, readings[:1] * len(repaired))
                repair = Repair(verdict, judged(after))
        return _Finding(self.design.job.title, diagnosis, verdict, repair)

    def _read(self, paths: list[Path], readings: tuple[ReadingOptions, ...]) -> list[Capture]:
        from antecurve.files.recordings import read_recording

        read = [read_recording(p, r) for p, r in zip(paths, readings, strict=True)]
        for recording in read:
            say_aside(f"{recording.capture.name}: {recording.understood}", speaker="")
        return [r.capture for r in read]
