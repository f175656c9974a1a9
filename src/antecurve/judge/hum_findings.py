"""Hum and drift of a record in words."""

from __future__ import annotations

import math

import numpy as np

from antecurve.errors import InputError
from antecurve.judge.advice import clear_frequency
from antecurve.judge.interference import Hum, drift_columns
from antecurve.judge.observation import ResidualFinding, ResidualKind
from antecurve.judge.residual_record import ResidualRecord

__all__ = ["interference_findings"]

_NORMAL_95 = 1.96  # 95 % of a normal distribution
_SURE = 3.0  # standard deviations above 0 of a line that is listed
_BLIND = 0.5  # of the resolution of a record: nearer, a line and a harmonic share all but a tenth
_LISTED = 6  # lines in a sentence; more of a buzz are counted
_STRONG_LINES = 3.5  # times the mains frequency: the first three, which advice keeps clear of
_NOTABLE_HUM = 0.001  # of half the swing: 60 dB below the square wave
_NOTABLE_DRIFT = 0.01  # of half the swing: what a glance at the screen shows


def interference_findings(record: ResidualRecord) -> list[ResidualFinding]:
    """Describe hum and drift that were taken out of a record.

    Parameters
    ----------
    record : ResidualRecord
        The record less its fit.

    Returns
    -------
    list of ResidualFinding
        Of what is strong enough to be worth a word.

    Raises
    ------
    InputError
        When it swings farther than the record: lines then make up for one another.
    """
    beside = record.basis.interference
    if not beside.drift_order and beside.hum is None:
        return []
    amplitudes, covariance = record.basis.interference_amplitudes(record.remainder)
    if np.ptp(amplitudes @ record.basis.beside[2:]) > 2.0 * record.size_v:
        raise InputError(
            record.name,
            "a record too short to tell its hum from the square wave",
            "capture more periods, 0.1 s or more in all, or find where the hum comes from",
        )
    spread = record.noise * np.sqrt(np.diag(covariance))
    first = beside.drift_order
    findings = []
    if beside.hum is not None:
        parts = amplitudes[first:].reshape(-1, 2)
        spreads = spread[first:].reshape(-1, 2).max(axis=1)
        levels = [
            (line, float(np.hypot(*part)), float(own))
            for line, part, own in zip(beside.line_hz, parts, spreads, strict=True)
        ]
        findings += _hum(record, beside.hum, levels)
    if beside.drift_order:
        drift = amplitudes[:first] @ drift_columns(record.basis.record.time_s, first)
        swing = float(np.ptp(drift))
        if swing > _NOTABLE_DRIFT * record.size_v:
            text = (
                f"{record.name}: the output drifts by {1e3 * swing:.3g} mV over the record, "
                f"{50.0 * swing / record.size_v:.1f} % of the square wave; taken out"
            )
            findings.append(ResidualFinding(ResidualKind.DRIFT, record.name, text, 0.0))
    return findings


def _hum(
    record: ResidualRecord, hum: Hum, levels: list[tuple[float, float, float]]
) -> list[ResidualFinding]:
    """Lines that stand out of the record, with 95 % intervals of their levels."""
    shown = [
        (line, level, spread)
        for line, level, spread in levels
        if level > max(_SURE * spread, _NOTABLE_HUM * record.size_v)
    ]
    if not shown:
        return []
    strongest = max(shown, key=lambda entry: entry[1])
    if not hum.stands_out:
        share = f"{100.0 * strongest[1] / record.size_v:.1g} % of the square wave"
        text = (
            f"{record.name}: noise that rises towards low frequencies, or hum, of up to {share}. "
            "There is as much between the multiples of the mains. What is at them is taken out. "
            "A longer record, or an average of several, settles it"
        )
        return [ResidualFinding(ResidualKind.HUM, record.name, text, strongest[0])]
    decibels = f"{20.0 * math.log10(strongest[1] / record.size_v):.0f} dB re the square wave"
    if hum.told:
        listed = sorted(sorted(shown, key=lambda entry: -entry[1])[:_LISTED])
        lines = ", ".join(
            f"{line:.0f} Hz at {1e3 * level:.3g} ± {1e3 * _NORMAL_95 * spread:.1g} mV"
            for line, level, spread in listed
        )
        if len(shown) > len(listed):
            lines += f" and {len(shown) - len(listed)} more up to {max(shown)[0]:.0f} Hz"
        stated = "" if hum.stated_hz is None else f", not of {hum.stated_hz:.0f} Hz as stated"
        text = f"{hum.mains_hz:.0f} Hz{stated}, lines {lines}, the strongest {decibels}"
    else:
        text = f"50 or 60 Hz (the captures do not say which), about {decibels}"
    text = f"{record.name}: hum of {text}; taken out{_blind_lines(record, hum)}"
    return [ResidualFinding(ResidualKind.HUM, record.name, text, strongest[0])]


def _blind_lines(record: ResidualRecord, hum: Hum) -> str:
    """Lines that the record can't tell from its odd harmonics, and the frequency that can."""
    basis = record.basis.record
    resolution = _BLIND / float(np.ptp(basis.time_s))
    position = np.array(hum.line_hz) / basis.frequency_hz
    off = np.abs(position - 2.0 * np.round((position - 1.0) / 2.0) - 1.0) * basis.frequency_hz
    blind = [
        f"{line:.0f} Hz"
        for line, o in zip(hum.line_hz, off, strict=True)
        if o < resolution and line < _STRONG_LINES * hum.mains_hz
    ]
    if not blind or not hum.told:
        return ""
    clear = clear_frequency(basis.frequency_hz, mains_hz=hum.mains_hz)
    return (
        f"; {', '.join(blind)} {'falls' if len(blind) == 1 else 'fall'} on harmonics of the square "
        f"wave, which widens intervals: {clear:.0f} Hz avoids that"
    )
