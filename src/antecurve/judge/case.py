"""One case on the bench: captures of a unit, what is known of the bench, and their fit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from antecurve.curves.model import Curve
from antecurve.errors import InputError
from antecurve.judge.capture import Capture, ObservationSettings
from antecurve.judge.fit import Fit
from antecurve.judge.network_estimate import NetworkEstimate
from antecurve.judge.problem import Bench
from antecurve.judge.reference import MeasuredChain, measured_chains
from antecurve.judge.signal_path import Generator
from antecurve.judge.stages import STAGES, FitTask, fit_in_stages

if TYPE_CHECKING:
    from antecurve.judge.verdicts import JudgeRequest

__all__ = ["Case", "fit_case"]

_REACH = 5.0  # times the band: what bends within the band shows up to there


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """What is judged, by what, and through which network.

    Attributes
    ----------
    captures : tuple of Capture
        The captures.
    asked : JudgeRequest
        Limits, generator, chain; its band is that judged.
    curve : Curve
        The curve whose inverse is ideal playback.
    network : NetworkEstimate
        The network.
    begin : callable
        Called with the name of each stage as it begins.
    """

    captures: tuple[Capture, ...]
    asked: JudgeRequest
    curve: Curve
    network: NetworkEstimate
    begin: Callable[[str], None]

    @property
    def flatness_db(self) -> float:
        """What the generator's flatness adds to the expanded uncertainty [dB]."""
        relies = any(c.relies_on_flatness for c in self.captures) and not self.asked.references
        return self.asked.generator.flatness_db if relies else 0.0


def fit_case(case: Case) -> tuple[Fit, tuple[str, ...]]:
    """Fit the captures of a case.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    tuple of Fit and tuple of str
        The fit, and why the captures can't tell anything; no reason where they can.
    """
    _check_references(case)
    _check_once(case.captures, "capture")
    _check_once(case.asked.references, "reference")
    useless = _useless((*case.captures, *case.asked.references))
    case.begin("reducing the captures")
    settings = _settings(case)
    observations = [c.observation(settings) for c in case.captures]
    task = _task(case, settings.references)
    staged = fit_in_stages(observations, task, stages=() if useless else STAGES)
    return staged.fit, useless or tuple(filter(None, [staged.contradiction]))


def _check_references(case: Case) -> None:
    """Refuse a reference that serves no capture, or that is one of the unit itself."""
    for reference in case.asked.references:
        alike = [c for c in case.captures if c.kind == reference.kind]
        if not alike:
            raise InputError(
                f"reference {reference.name}",
                f"a {reference.kind}",
                "no capture is one: take the reference as the capture is taken",
            )
        if any(c.holds_same(reference) for c in alike):
            raise InputError(
                f"reference {reference.name}",
                "a capture of the unit itself",
                "take the reference with the unit bypassed: a wire in its place",
            )


def _check_once(records: Sequence[Capture], role: str) -> None:
    """Refuse a record given twice: its noise would count as that of two."""
    for second, record in enumerate(records):
        for first in records[:second]:
            if first.kind == record.kind and first.holds_same(record):
                raise InputError(
                    f"{role} {record.name}",
                    f"the record that {first.name} holds already",
                    "give each record once: the same one again tells nothing more",
                )


def _useless(records: Sequence[Capture]) -> tuple[str, ...]:
    """Why captures can't tell anything: records that stand at their limits."""
    return tuple(text for text in (c.saturation_text() for c in records) if text)


def _task(case: Case, references: tuple[MeasuredChain, ...]) -> FitTask:
    asked = case.asked
    # The generator's edge and flatness are in references already.
    generator = Generator() if asked.references else asked.generator
    return FitTask(
        case.curve,
        Bench(case.network, generator, asked.chain, references),
        undo_ultrasonic=asked.playback == "inverse",
        level_only=not any(c.has_phase for c in case.captures),
        band_hz=asked.judged_hz,
        mains_hz=asked.mains_hz,
        begin=case.begin,
    )


def _settings(case: Case) -> ObservationSettings:
    """How captures are reduced, with the chain as each reference shows it."""
    asked, highest_hz = case.asked, _REACH * case.asked.judged_hz[1]
    references = measured_chains(
        asked.references,
        estimate=case.network,
        highest_hz=highest_hz,
        chain_loading=asked.reference_loading,
    )
    return ObservationSettings(highest_hz, case.curve, case.network, references)
