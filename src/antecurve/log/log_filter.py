"""Which verdicts of a log are meant."""

from __future__ import annotations

from dataclasses import dataclass

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.log.log_texts import searched_text

__all__ = ["EVERY_VERDICT", "LogFilter"]

_DECISIONS = ("pass", "fail", "undecided")


@checked
@dataclass(frozen=True, slots=True)
class LogFilter:
    """Conditions that a verdict meets, all of them.

    Attributes
    ----------
    words : str
        Words that each stand somewhere in serial number, channel, date, operator, network,
        outcome, findings or names of captures, in any case.
    serial : str
        Serial number of the unit, exactly; empty for any.
    decision : str
        ``pass``, ``fail`` or ``undecided``; empty for any.
    finding : str
        Kind of one of its findings, as `antecurve.log.schema.finding_kind` says it; empty for any.
    title : str
        Title of the design, exactly; empty for any.
    position : str
        Position of its switch that the network was set to, in any case; empty for any.
    since, until : str
        First and last day, as ISO 8601 (a year or a month will do); empty for no end.

    Raises
    ------
    InputError
        When the decision is none of the three, or a day is no date.
    """

    words: str = ""
    serial: str = ""
    decision: str = ""
    finding: str = ""
    title: str = ""
    position: str = ""
    since: str = ""
    until: str = ""

    def __post_init__(self) -> None:
        if self.decision and self.decision not in _DECISIONS:
            raise InputError("decision", self.decision, f"it must be {' or '.join(_DECISIONS)}")
        for name in ("since", "until"):
            text = getattr(self, name)
            if text and not _is_date(text):
                rule = "write it as YYYY-MM-DD, YYYY-MM or YYYY"
                raise InputError(name, text, rule)

    def condition(self) -> tuple[str, tuple[str, ...]]:
        """Write the conditions as SQL about the tables ``verdicts`` and ``units``.

        Returns
        -------
        str
            An expression.
        tuple of str
            The values of its parameters.
        """
        terms: list[tuple[str, str]] = []
        for word in searched_text(self.words).split():
            escaped = word.replace("\\", r"\\").replace("%", r"\%").replace("_", r"\_")
            terms.append((r"verdicts.words LIKE ? ESCAPE '\'", f"%{escaped}%"))
        if self.serial:
            terms.append(("units.serial = ?", self.serial))
        if self.decision:
            terms.append(("verdicts.decision = ?", self.decision))
        if self.finding:
            of_kind = "SELECT verdict FROM findings WHERE kind = ?"
            terms.append((f"verdicts.id IN ({of_kind})", self.finding))
        of_design = "SELECT builds.id FROM builds JOIN networks ON networks.id = network"
        if self.title:
            terms.append((f"verdicts.build IN ({of_design} WHERE title = ?)", self.title))
        if self.position:
            at = "WHERE position = ? COLLATE NOCASE"
            terms.append((f"verdicts.build IN ({of_design} {at})", self.position))
        if self.since:
            terms.append(("verdicts.taken >= ?", self.since))
        if self.until:
            # Whatever begins with the day comes before the day and the last of all characters.
            terms.append(("verdicts.taken < ?", f"{self.until}\U0010ffff"))
        expression = " AND ".join(term for term, _ in terms) or "1"
        return expression, tuple(value for _, value in terms)


def _is_date(text: str) -> bool:
    from datetime import date

    parts = text.split("-")
    widths = [len(part) for part in parts]
    if widths != [4, 2, 2][: len(parts)] or not all(part.isdecimal() for part in parts):
        return False
    try:
        date.fromisoformat("-".join([*parts, "01", "01"][:3]))
    except ValueError:
        return False
    return True


EVERY_VERDICT = LogFilter()
"""No condition at all."""
