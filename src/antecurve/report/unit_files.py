"""The files of a judged unit: test report, verdict and deviation of each channel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from antecurve.files.sound import sound_bytes
from antecurve.files.verdict_file import deviation_csv, verdict_json
from antecurve.report.plots import overlay_files
from antecurve.report.unit_report import Particulars, unit_report

if TYPE_CHECKING:
    from antecurve.files.verdict_record import VerdictRecord
    from antecurve.judge.verdict import Verdict

__all__ = ["CHANNEL_MARKS", "report_name", "unit_files"]

CHANNEL_MARKS = ("", "-other")
"""What the names of the files of a unit's first and other channel end in."""


def report_name(mark: str) -> str:
    """Name the test report of a channel.

    Parameters
    ----------
    mark : str
        Of `CHANNEL_MARKS`.

    Returns
    -------
    str
        Name of its file.
    """
    return f"test-report{mark}.html"


def unit_files(
    verdicts: Sequence[Verdict],
    record: VerdictRecord,
    particulars: Particulars,
    *,
    channels: Sequence[str] = ("", ""),
) -> dict[str, bytes]:
    """Write the test reports, verdicts and deviations of a unit.

    Parameters
    ----------
    verdicts : sequence of Verdict
        On its one or two channels.
    record : VerdictRecord
        What they rest on.
    particulars : Particulars
        What the user states.
    channels : sequence of str, optional
        Names of the channels for the test reports; empty where none is named.

    Returns
    -------
    dict of str to bytes
        Contents by name; of a two-channel record also the charts of output and stimulus, and
        their difference as sound.
    """
    files = dict[str, bytes]()
    for verdict, mark, channel in zip(verdicts, CHANNEL_MARKS, channels, strict=False):
        serial = ", ".join(filter(None, (particulars.serial, channel)))
        files |= {
            report_name(mark): unit_report(verdict, replace(particulars, serial=serial)),
            f"verdict{mark}.json": verdict_json(verdict, record),
            f"deviation{mark}.csv": deviation_csv(verdict),
        }
        overlay = verdict.overlay
        if overlay is not None:
            scaled = overlay.difference / float(abs(overlay.output).max())
            files[f"difference{mark}.wav"] = sound_bytes(scaled, rate_hz=overlay.rate_hz)
            files |= overlay_files(overlay, mark=mark)
    return files
