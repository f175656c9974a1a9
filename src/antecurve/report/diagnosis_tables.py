"""A diagnosis in sentences and tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from antecurve.quantities import format_quantity
from antecurve.report.text_table import TextTable, declared, percent, table_from
from antecurve.texts import capitalised

if TYPE_CHECKING:
    from antecurve.diagnose.hidden import HiddenRange
    from antecurve.diagnose.repair import Repair
    from antecurve.diagnose.suspect import Diagnosis, Reading, Suspect

__all__ = [
    "diagnosis_lines",
    "hidden_rows",
    "probability_text",
    "repair_lines",
    "suspect_rows",
    "suspect_text",
]

_FAULTS = {
    "value": "",
    "decade": "another decade",
    "neighbour": "a neighbour in the series",
    "misread": "misread",
    "open": "is open or missing",
    "short": "is shorted",
    "exchanged": "are exchanged",
    "fitted twice": "fitted twice",
    "amplifier": "",
    "leaky": "leaks",
    "dried up": "dried up",
}
_OUTSIDE = {"load": "what the output feeds", "input": "the unit's input"}
_WITHOUT_VALUE = {"open", "short", "exchanged"}
_SAID = 3  # most hidden parts that the conclusion names; the page has them all
_NEARLY = 0.995  # rounds to 100 %, which no probability is
_SURE = 0.5  # more probable than all else together


def _shown(value: float | None, unit: str) -> str:
    return "" if value is None else format_quantity(value, unit or "", digits=3)


def probability_text(probability: float) -> str:
    """Write a probability in whole per cent; none is 0 or 100.

    Parameters
    ----------
    probability : float
        From 0 to 1.

    Returns
    -------
    str
        Such as ``54 %``, ``over 99 %`` or ``under 1 %``.
    """
    if probability > _NEARLY:
        return "over 99 %"
    return "under 1 %" if probability < 1.0 - _NEARLY else f"{100 * probability:.0f} %"


def suspect_text(suspect: Suspect) -> str:
    """Say what may be wrong in a sentence.

    Parameters
    ----------
    suspect : Suspect
        The suspect.

    Returns
    -------
    str
        Such as ``C2 reads as 8.3 nF in place of 10 nF: 93 %``.
    """
    names = " and ".join(_OUTSIDE.get(ref, ref) for ref in suspect.refs)
    likely = probability_text(suspect.probability)
    if suspect.fault == "two faults":
        names = " and ".join(_reading_text(r) for r in suspect.readings)
        return f"{names}: {likely}"
    if suspect.fault in _WITHOUT_VALUE or suspect.value is None:
        return f"{names} {_FAULTS[suspect.fault]}: {likely}"
    value, nominal = _shown(suspect.value, suspect.unit), _shown(suspect.nominal, suspect.unit)
    if suspect.fault == "leaky":
        return f"{names} leaks, {value} across it: {likely}"
    if suspect.fault == "load":
        return f"{names} loads it with {value}: {likely}"
    what = f"{suspect.quantity} of {names}" if suspect.fault in ("amplifier", "input") else names
    how = f" ({_FAULTS[suspect.fault]})" if _FAULTS.get(suspect.fault) else ""
    how += "".join(f", or {_FAULTS[kind]}" for kind in suspect.or_else if kind in ("open", "short"))
    return f"{what} reads as {value} in place of {nominal}{how}: {likely}"


def _reading_text(reading: Reading) -> str:
    name, value = _OUTSIDE.get(reading.ref, reading.ref), _shown(reading.value, reading.unit)
    if reading.nominal is None:
        return f"{name} has {value} across it"
    return f"{name} reads as {value} in place of {_shown(reading.nominal, reading.unit)}"


def diagnosis_lines(diagnosis: Diagnosis) -> list[str]:
    """Say a diagnosis in sentences, the circuit's own error first: it may be wrong on paper.

    Parameters
    ----------
    diagnosis : Diagnosis
        The diagnosis.

    Returns
    -------
    list of str
        The circuit's own error, the conclusion, what cannot be told apart and what would.
    """
    lines = [_conclusion(diagnosis)]
    unexplained = diagnosis.unexplained_probability >= _SURE
    if diagnosis.suspects and not diagnosis.called_good and not unexplained:
        first = diagnosis.suspects[0]
        if first.alike:
            others = [s for s in diagnosis.suspects if s.refs in first.alike]
            lines += [f"Or {suspect_text(s)}." for s in others]
            names = ", ".join(" with ".join(s.refs) for s in (first, *others))
            lines.append(f"No capture at the output tells these apart: {names}.")
        lines.append(first.how_to_tell)
        if first.further_capture:
            lines.append(f"The captures so far leave another explanation. {first.further_capture}")
    if diagnosis.called_good:
        lines += _hidden_lines(diagnosis.hidden)
    return [*_own_error_lines(diagnosis), *lines]


def _own_error_lines(diagnosis: Diagnosis) -> list[str]:
    """What the circuit does on paper, and whether it can keep the limit at all."""
    own = diagnosis.own_error
    lines = [
        f"On paper the circuit is within ±{own.centred_db:.2f} dB of its curve. 95 % of good "
        f"units are within ±{own.spread_db:.2f} dB."
    ]
    if own.centred_db > diagnosis.limit_db:
        lines.append(
            f"The circuit is wrong on paper: with good parts it still misses "
            f"±{diagnosis.limit_db:g} dB. Correct its values first."
        )
    elif own.spread_db > diagnosis.limit_db:
        lines.append(
            f"Good units may miss ±{diagnosis.limit_db:g} dB: the tolerances are too wide for it."
        )
    return lines


def _hidden_lines(hidden: Sequence[HiddenRange]) -> list[str]:
    """What may be off all the same, the widest ranges first; leaks in one sentence."""
    values = [h for h in hidden if not h.leaks]
    leaks = [h for h in hidden if h.leaks]
    lines = [f"{h.ref} may be {_range(h)} and not show. {h.how_to_tell}" for h in values[:_SAID]]
    if leaks:
        lines.append(
            f"A leak of {', '.join(h.ref for h in leaks)} may not show. {leaks[0].how_to_tell}"
        )
    return lines


def _conclusion(diagnosis: Diagnosis) -> str:
    good, unexplained = diagnosis.good_probability, diagnosis.unexplained_probability
    if diagnosis.called_good:
        return (
            f"No part is suspect: with {probability_text(good)} all are within tolerance, or the "
            "fault does not show at the output."
        )
    if unexplained >= _SURE:
        return (
            f"None of these: with {probability_text(unexplained)} no fault of one or two parts "
            "explains the captures. Check that the circuit given is the unit's."
        )
    return f"{capitalised(suspect_text(diagnosis.suspects[0]))}."


def suspect_rows(diagnosis: Diagnosis) -> TextTable:
    """Tabulate the suspects.

    Parameters
    ----------
    diagnosis : Diagnosis
        The diagnosis.

    Returns
    -------
    TextTable
        Parts, fault, nominal and fitted value with its interval, probability, misfit, and what
        can't be told from it.
    """
    return table_from(
        diagnosis.suspects,
        declared("suspect", lambda s: " ".join(s.refs), right=False),
        declared("fault", "fault", right=False),
        declared("nominal", lambda s: _shown(s.nominal, s.unit) or None),
        declared("reads as", lambda s: _shown(s.value, s.unit) or None),
        declared("95 % interval", _interval),
        declared("probability", "probability", percent(1)),
        declared("misfit in dB", "misfit_db", "{:.3f}".format),
        declared(
            "not told from", lambda s: ", ".join(" ".join(r) for r in s.alike) or None, right=False
        ),
    )


def hidden_rows(diagnosis: Diagnosis) -> TextTable:
    """Tabulate the parts that may be off without showing.

    Parameters
    ----------
    diagnosis : Diagnosis
        The diagnosis.

    Returns
    -------
    TextTable
        Parts, nominal value, and the range that does not show.
    """
    return table_from(
        diagnosis.hidden,
        declared("part", "ref", right=False),
        declared("nominal", lambda h: _shown(h.nominal, h.unit) or None),
        declared("does not show", _range),
    )


def _range(hidden: HiddenRange) -> str:
    low = "" if hidden.low is None else _shown(hidden.low, hidden.unit)
    high = "" if hidden.high is None else _shown(hidden.high, hidden.unit)
    if hidden.leaks:
        return f"a leak of {low} or more"
    if low and high:
        return f"{low} to {high}"
    return f"{low} or more" if low else (f"{high} or less" if high else "any value")


def _interval(suspect: Suspect) -> str | None:
    if suspect.low is None or suspect.high is None:
        return None
    return f"{_shown(suspect.low, suspect.unit)} to {_shown(suspect.high, suspect.unit)}"


def repair_lines(repair: Repair) -> list[str]:
    """Say what a repair did.

    Parameters
    ----------
    repair : Repair
        The verdicts before and after.

    Returns
    -------
    list of str
        One sentence each.
    """
    return [
        f"{name} the repair: {v.decision.value}, deviation {v.deviation_db:+.2f} "
        f"± {v.expanded_uncertainty_db:.2f} dB."
        for name, v in (("Before", repair.before), ("After", repair.after))
    ]
