"""A unit judged from the files of its captures: read, fitted, its figures, and the record of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from antecurve.curves.model import level_db
from antecurve.errors import InputError, NoResultError
from antecurve.files.recordings import ReadingOptions, Recording, read_recording
from antecurve.files.verdict_record import VerdictRecord, capture_records, file_digest
from antecurve.judge.channel_figures import match_figures
from antecurve.judge.curve_guess import guess_unit_curve
from antecurve.judge.match import channel_match
from antecurve.judge.network_estimate import estimate_of
from antecurve.judge.played_record import InputReference
from antecurve.judge.two_channel import TwoChannelRecord
from antecurve.judge.unit_figures import FigureRequest, unit_figures, unmeasured_figures
from antecurve.judge.verdicts import judge_unit
from antecurve.quantities import format_time_constant

if TYPE_CHECKING:
    from antecurve.curves.model import Curve
    from antecurve.judge.capture import Capture
    from antecurve.judge.verdict import Verdict
    from antecurve.judge.verdicts import JudgeRequest
    from antecurve.pipeline import Design

__all__ = [
    "UnitJudging",
    "WhoAndWhen",
    "matched_channels",
    "read_unit_captures",
    "with_unit_curve",
]

_TREBLE_HZ = (100.0, 10e3)  # between which every published recording curve rises
_FALLS_DB = 3.0  # of the recording: less is a curve that hardly does anything
_EXCHANGED = 3.0  # times less off: a faulty unit is as far off either way


def with_unit_curve(design: Design, curve: Curve) -> Design:
    """Set the unit of a design's job to a curve.

    Parameters
    ----------
    design : Design
        The design.
    curve : Curve
        The curve.

    Returns
    -------
    Design
        The same network between generator and that unit.
    """
    return replace(design, job=replace(design.job, unit_curve=curve))


def read_unit_captures(
    paths: Sequence[Path], readings: Sequence[ReadingOptions]
) -> tuple[tuple[Recording, ...], tuple[Capture, ...]]:
    """Read the captures of a unit.

    Parameters
    ----------
    paths : sequence of Path
        Their files.
    readings : sequence of ReadingOptions
        How each is read; the first holds for all where there are not as many.

    Returns
    -------
    recordings : tuple of Recording
        What was read of each.
    captures : tuple of Capture
        Those of them that tell the response.

    Raises
    ------
    InputError
        When a file can't be read, or none tells the response.
    """
    each = readings if len(readings) == len(paths) else [readings[0]] * len(paths)
    read = tuple(read_recording(p, reading) for p, reading in zip(paths, each, strict=True))
    captures = tuple(r.capture for r in read if r.played is None or not r.played.is_stepped)
    if not captures:
        raise InputError(
            read[0].capture.name, "steps of level alone",
            "they show distortion and overload; add a capture that covers the band",
        )  # fmt: skip
    return read, captures


def matched_channels(one: Verdict, other: Verdict) -> tuple[Verdict, Verdict]:
    """Say with the verdicts on two channels how well these match.

    Parameters
    ----------
    one, other : Verdict
        On the two channels of a unit.

    Returns
    -------
    tuple of Verdict
        The same, each with the match among its findings and figures.
    """
    match, figures = channel_match(one, other), match_figures(one, other)
    first, second = (
        replace(v, findings=(*v.findings, match.text), figures=(*v.figures, *figures))
        for v in (one, other)
    )
    return first, second


def _falls(curve: Curve) -> bool:
    """Whether a recording loses treble by a curve, as no published one does."""
    low, high = level_db(curve, np.array(_TREBLE_HZ), published=True)
    return bool(high - low < -_FALLS_DB)


def _largest_db(verdict: Verdict) -> float:
    """The largest deviation of a verdict; infinite where it has none."""
    return float(np.abs(verdict.deviation.deviation_db).max()) if verdict.is_result else math.inf


def _wrong_way_round(curve: Curve, off_db: float) -> InputError:
    """The error for a unit's zeros stated as its poles."""
    zeros, poles = (
        ",".join(format_time_constant(t).replace("µ", "u").replace(" ", "") for t in times)
        for times in (curve.poles_s, curve.zeros_s)
    )
    options = " ".join(
        f"{option} {times}" for option, times in (("--unit-zeros", zeros), ("--unit-poles", poles))
        if times
    )  # fmt: skip
    return InputError(
        "unit curve", curve.name,
        "zeros and poles seem to be exchanged: the other way round the unit is within "
        f"{off_db:.1f} dB. State those of the recording: {options}",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class WhoAndWhen:
    """What the user states of a test; each may be empty.

    Attributes
    ----------
    serial, date, operator, network_serial : str
        The unit, the day, who judges, and the network.
    """

    serial: str = ""
    date: str = ""
    operator: str = ""
    network_serial: str = ""


@dataclass(frozen=True, slots=True)
class UnitJudging:
    """What units are judged with.

    Attributes
    ----------
    design : Design
        The network.
    measured : mapping of str to float or None
        Measured values of its parts [ohm or F].
    request : JudgeRequest
        Limits, band, generator, chain.
    figures : FigureRequest
        How figures beside the response are judged.
    guess : bool
        Whether the curve that the unit is set to is to be guessed.
    """

    design: Design
    measured: Mapping[str, float] | None
    request: JudgeRequest
    figures: FigureRequest
    guess: bool = False

    def verdict(
        self,
        read: Sequence[Recording],
        captures: Sequence[Capture],
        begin: Callable[[str], None],
    ) -> Verdict:
        """Judge the captures of one channel, and what they tell beside the response.

        Parameters
        ----------
        read : sequence of Recording
            What was read of the files.
        captures : sequence of Capture
            Those that tell the response.
        begin : callable
            Called with the name of each stage as it begins.

        Returns
        -------
        Verdict
            With its figures.

        Raises
        ------
        NoResultError
            When the captures tell nothing.
        InputError
            When a capture can't be used.
        """
        design, said = self.design, list[str]()
        if self.guess:
            begin("which curve the unit is set to")
            guess = guess_unit_curve(captures, design, measured=self.measured, request=self.request)
            design = with_unit_curve(design, guess.curve)
            said.append(guess.text)
        verdict = self._judged(captures, design, begin)
        if not verdict.is_result:
            raise NoResultError(verdict.findings)
        begin("figures beside the response")
        verdict = self.with_figures(verdict, read, design)
        return replace(verdict, findings=(*said, *verdict.findings))

    def _judged(
        self, captures: Sequence[Capture], design: Design, begin: Callable[[str], None]
    ) -> Verdict:
        """The verdict, unless the unit's zeros and poles were stated the wrong way round."""

        def by(other: Design) -> Verdict:
            return judge_unit(
                captures, other, measured=self.measured, request=self.request, progress=begin
            )

        curve = design.job.unit_curve
        if curve is None or not _falls(curve):
            return by(design)
        verdict, refused = None, None
        try:
            verdict = by(design)
        except InputError as error:
            refused = error
        begin("the unit's zeros and poles, exchanged")
        exchanged = replace(
            curve, name=f"{curve.name}, exchanged",
            zeros_s=curve.poles_s, poles_s=curve.zeros_s,
            zeros_at_origin=curve.poles_at_origin, poles_at_origin=curve.zeros_at_origin,
        )  # fmt: skip
        try:
            off = _largest_db(by(with_unit_curve(design, exchanged)))
        except InputError:
            off = math.inf
        as_stated = math.inf if verdict is None else _largest_db(verdict)
        if _EXCHANGED * off < as_stated:
            raise _wrong_way_round(curve, off)
        if verdict is None:
            raise refused or InputError("captures", "no verdict", "capture again")
        return verdict

    def with_figures(
        self, verdict: Verdict, read: Sequence[Recording], design: Design | None = None
    ) -> Verdict:
        """Add the figures of two-channel records to a verdict.

        Parameters
        ----------
        verdict : Verdict
            The verdict.
        read : sequence of Recording
            What was read of its files.
        design : Design, optional
            The network with the unit's curve; that of all units by default.

        Returns
        -------
        Verdict
            With its figures.
        """
        made = design or self.design
        estimate = estimate_of(
            made, made.conditions, measured=self.measured, meter=self.request.meter
        )
        records = [r.played for r in read if r.played is not None]
        full_scale_v = self.figures.full_scale_v
        bypassed = any(isinstance(r, TwoChannelRecord) for r in self.request.references)
        figures = unit_figures(
            records,
            InputReference(
                self.figures.input_v,
                full_scale_v,
                estimate,
                inputs_known=bypassed or full_scale_v is not None,
            ),
            verdict,
            mains_hz=self.request.mains_hz,
        )
        silent = unmeasured_figures(records, figures)
        return replace(verdict, figures=figures, findings=(*verdict.findings, *silent))

    def record(
        self,
        design_file: Path,
        paths: Sequence[Path],
        read: Sequence[Recording],
        stated: WhoAndWhen,
        *,
        software: str,
        played: Sequence[Path | None] = (),
    ) -> VerdictRecord:
        """Record what a verdict rests on.

        Parameters
        ----------
        design_file : Path
            File of the design.
        paths : sequence of Path
            Files of the captures.
        read : sequence of Recording
            What was read of each.
        stated : WhoAndWhen
            What the user states.
        software : str
            Name and version of this package.
        played : sequence of Path or None, optional
            The file played during each, where one was named.

        Returns
        -------
        VerdictRecord
            For the verdict's file and the log.
        """
        return VerdictRecord(
            stated.serial or None,
            stated.date or None,
            stated.operator or None,
            stated.network_serial or None,
            self.design.job.title,
            self.design.picked.topology.form,
            file_digest(design_file).sha256,
            self.design.position or None,
            capture_records(paths, read, played or [None] * len(paths)),
            software,
        )
