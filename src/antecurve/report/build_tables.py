"""Builds of a design in words and tables: spread, drift, one build as it is, trimming."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from antecurve.analysis.sensitivity import tighten_first
from antecurve.analysis.trim import LEAST_GAIN, LEAST_GAIN_DB, PROVED_CHANGES
from antecurve.analysis.trim_search import RESOLUTION
from antecurve.quantities import format_quantity
from antecurve.report.figures import LEAST_DB, share_text, up_to_text, yield_sentence
from antecurve.report.text_table import (
    TextTable,
    column,
    declared,
    percent,
    quantity,
    signed,
    signed_cells,
    table_from,
    table_of,
)

if TYPE_CHECKING:
    from antecurve.analysis.as_built import AsBuilt
    from antecurve.analysis.correction import Correction
    from antecurve.analysis.drift import DriftResult
    from antecurve.analysis.losses import LossEffect
    from antecurve.analysis.planning import TolerancePlan
    from antecurve.analysis.spread import SpreadResult
    from antecurve.analysis.trim import TrimChange, TrimProposal, TrimResult, TrimSearch

UNCERTAINTY_NOTE = (
    "The first figure holds 95 % at one frequency, the second 95 % at all frequencies at once. "
    "Limits count as rectangular; readings of a meter correlate as stated."
)
"""What stands behind the uncertainty of a correction table."""

__all__ = [
    "UNCERTAINTY_NOTE",
    "as_built_lines",
    "change_words",
    "correction_rows",
    "curve_line",
    "curve_rows",
    "drift_rows",
    "loss_line",
    "plan_line",
    "plan_rows",
    "searched_line",
    "sensitivity_rows",
    "spread_lines",
    "spread_rows",
    "trim_lines",
    "trim_rows",
]


def spread_rows(result: SpreadResult) -> TextTable:
    """Tabulate percentiles of the centred error and of the mismatch of two channels.

    Parameters
    ----------
    result : SpreadResult
        What builds will do.

    Returns
    -------
    TextTable
        One row a quantity.
    """
    quantities = (
        ("error, half of its range", result.centred_db),
        ("two channels, level at 1 kHz", result.mismatch.level_db),
        ("two channels, anywhere in the band", result.mismatch.largest_db),
    )
    names = {"half of builds": "p50", "95 %": "p95", "99 %": "p99", "largest drawn": "max"}
    return table_of(
        column("dB", [name for name, _ in quantities], right=False),
        *(
            column(heading, [getattr(p, name) for _, p in quantities], "{:.3f}".format)
            for heading, name in names.items()
        ),
    )


def spread_lines(result: SpreadResult) -> list[str]:
    """Word the spread of builds, one line a statement.

    Parameters
    ----------
    result : SpreadResult
        What builds will do.

    Returns
    -------
    list of str
        Builds, worst case, yield, level, what to tighten first.
    """
    lines = [
        f"{result.builds:,} builds, {result.distribution}, seed {result.seed}. Mismatch of two "
        f"channels over {result.mismatch.pairs:,} pairs."
    ]
    worst = result.worst
    if worst is not None:
        lines.append(
            f"Worst case ±{worst.upper_bound_db:.3f} dB: no build within tolerance exceeds it "
            "(proved)."
            if worst.proved
            else f"Worst case between ±{worst.centred_db:.3f} and ±{worst.upper_bound_db:.3f} dB; "
            "the search for it ended early."
        )
        lines.append(
            f"Worst corner ±{worst.corner_db:.3f} dB; root sum square "
            f"±{worst.root_sum_square_db:.3f} dB."
        )
    if result.within is not None:
        lines.append(yield_sentence(result.within))
    lines.append(
        f"Level at 1 kHz: {result.level_low_db:+z.3f} to {result.level_high_db:+z.3f} dB for "
        "95 % of builds."
    )
    first = tighten_first(result.sensitivity)
    if first.share and result.centred_db.p95 > LEAST_DB:
        lines.append(
            f"Tighten {first.ref} first: it makes {first.share * 100:.0f} % of the variance."
        )
    return lines


def sensitivity_rows(result: SpreadResult) -> TextTable:
    """Tabulate what each position does to error and level, the largest share first.

    Parameters
    ----------
    result : SpreadResult
        What builds will do.

    Returns
    -------
    TextTable
        One row a position: by 1 % of its value the largest change of the error about its mean
        over the band and the change of level at 1 kHz; its share in the error's variance.
    """
    return table_from(
        sorted(result.sensitivity, key=lambda s: -s.share),
        declared("reference", "ref", right=False),
        declared("error dB per %", "db_per_percent_max", "{:.3f}".format),
        declared("level dB per %", "level_db_per_percent", signed_cells(3)),
        declared("share of variance", "share", percent(1)),
    )


def curve_line(result: SpreadResult) -> str:
    """Say which builds are behind the percentiles over frequency.

    Parameters
    ----------
    result : SpreadResult
        What builds will do.

    Returns
    -------
    str
        A heading for `curve_rows`.
    """
    return f"Percentiles over frequency, from the first {result.curves.builds:,} builds:"


def curve_rows(result: SpreadResult) -> TextTable:
    """Tabulate percentiles of the error over frequency, about four a decade.

    Parameters
    ----------
    result : SpreadResult
        What builds will do.

    Returns
    -------
    TextTable
        One row a frequency.
    """
    curves = result.curves
    step = max(1, (len(curves.frequency_hz) - 1) // 12)
    return table_of(
        column("error dB re 1 kHz", curves.frequency_hz[::step], quantity("Hz", digits=3)),
        *(
            column(f"{p:g} %", error[::step], signed_cells(3))
            for p, error in zip(curves.percent, curves.error_db, strict=True)
        ),
    )


def plan_line(plan: TolerancePlan) -> str:
    """Word what a plan costs and keeps, and what it rests on.

    Parameters
    ----------
    plan : TolerancePlan
        The plan.

    Returns
    -------
    str
        One or two sentences.
    """
    share = plan.confirmed
    more = ""
    if plan.level_limit_db is not None:
        more += f", level ±{plan.level_limit_db:g} dB"
    if plan.mismatch_limit_db is not None:
        more += f", two channels within {plan.mismatch_limit_db:g} dB"
    if plan.reel_correlation:
        more += f", parts off one reel correlated by {plan.reel_correlation:g}"
    assumed = (
        f" This assumes that looser grades never raise the yield: {plan.assumed:,} cheaper "
        "assignments were left out."
        if plan.assumed
        else ""
    )
    return (
        f"Cheapest grades for {plan.wanted * 100:g} % within ±{plan.limit_db:g} dB{more}: "
        f"{plan.price:g} a build; confirmed {share_text(share)} over {share.trials:,} other "
        f"builds, seed {plan.confirmed_seed}.{assumed}"
    )


def plan_rows(plan: TolerancePlan) -> TextTable:
    """Tabulate which grade to buy for which position.

    Parameters
    ----------
    plan : TolerancePlan
        The plan.

    Returns
    -------
    TextTable
        One row a position.
    """
    return table_from(
        plan.choices,
        declared("reference", "ref", right=False),
        declared("parts", "parts"),
        declared("tolerance", lambda c: f"±{c.grade.tolerance * 100:g} %"),
        declared("each", "grade.price", "{:g}".format),
        declared("together", lambda c: c.parts * c.grade.price, "{:g}".format),
    )


def drift_rows(result: DriftResult) -> TextTable:
    """Tabulate error and level over temperature.

    Parameters
    ----------
    result : DriftResult
        The drift.

    Returns
    -------
    TextTable
        One row a temperature.
    """
    return table_from(
        result.rows,
        declared("at", "temperature_c", "{:g} °C".format),
        declared("error dB", "centred_db", "{:.3f}".format),
        declared("at most dB", "worst_centred_db", "{:.3f}".format),
        declared("level shift dB", "level_shift_db", signed_cells(3)),
    )


def loss_line(effect: LossEffect) -> str:
    """Word the effect of the capacitors' losses in a sentence.

    Parameters
    ----------
    effect : LossEffect
        The effect.

    Returns
    -------
    str
        The sentence.
    """
    return (
        f"Losses of the capacitors change the response by {up_to_text(effect.largest_db)} "
        f"relative to 1 kHz. They change the level by {up_to_text(abs(effect.level_shift_db))}."
    )


def as_built_lines(build: AsBuilt) -> list[str]:
    """Word what one build does, one line a statement.

    Parameters
    ----------
    build : AsBuilt
        The build.

    Returns
    -------
    list of str
        Error, level, what was not measured.
    """
    low, high = (format_quantity(f, "Hz") for f in build.error.band_hz)
    lines = [
        f"This build, {low} to {high}: error ±{build.error.centred_db:.3f} dB; at most "
        f"{build.error.at_1khz_db:.3f} dB relative to 1 kHz.",
        f"Against the published time constants alone: ±{build.published_error.centred_db:.3f} dB.",
        f"Level at 1 kHz {signed(build.level_shift_db, digits=3)} dB against the marked values.",
    ]
    if build.nominal:
        lines.append(
            f"Not measured, so counted with their marked values: {', '.join(build.nominal)}."
        )
    return lines


def correction_rows(table: Correction) -> TextTable:
    """Tabulate what to subtract from levels measured through the network.

    Parameters
    ----------
    table : Correction
        The correction.

    Returns
    -------
    TextTable
        One row a frequency.
    """
    return table_of(
        column("at", table.frequency_hz, quantity("Hz")),
        column("subtract dB", table.correction_db, signed_cells(3)),
        column("uncertainty ± dB", table.expanded_uncertainty_db, "{:.3f}".format),
        column("anywhere in a sweep ± dB", table.sweep_uncertainty_db, "{:.3f}".format),
    )


def trim_rows(result: TrimResult) -> TextTable:
    """Tabulate the proposals.

    Parameters
    ----------
    result : TrimResult
        How to bring the build back.

    Returns
    -------
    TextTable
        One row a proposal, the first the build as it is.
    """
    return table_from(
        (result.before, *result.proposals),
        declared("changes", lambda p: len(p.changes)),
        declared("what to do", _changes, right=False),
        declared("add", "parts_to_add"),
        declared("unsolder", "parts_to_unsolder"),
        declared("error dB", "centred_db", "{:.3f}".format),
        declared("95 % dB", "p95_db", "{:.3f}".format),
        declared("", lambda p: "advised" if p is result.advised else "", right=False),
    )


def _changes(proposal: TrimProposal) -> str:
    if not proposal.changes:
        return "leave it as it is"
    return "; ".join(map(change_words, proposal.changes))


def change_words(change: TrimChange) -> str:
    """Word one change of a build.

    Parameters
    ----------
    change : TrimChange
        The change.

    Returns
    -------
    str
        Such as ``R2: add 1 MΩ in parallel (makes 8.6 kΩ)``.
    """
    unit = change.position.element.kind.unit
    parts = " and ".join(format_quantity(p.value, unit) for p in change.parts)
    if len(change.parts) > 1 and not change.action.startswith("add"):
        parts += f" in {change.position.joined}"
    made = f"{change.ref}: add {parts} {change.action.removeprefix('add ')}"
    if not change.action.startswith("add"):
        made = f"{change.ref}: {change.action} {parts}"
    if change.unsolder:
        made = f"{change.ref}: replace {' and '.join(change.unsolder)} by {parts}"
    if len(change.position.parts) > 1:
        made += f" (makes {format_quantity(change.position.value, unit)})"
    return made


def trim_lines(result: TrimResult) -> list[str]:
    """Word what to do, in sentences.

    Parameters
    ----------
    result : TrimResult
        How to bring the build back.

    Returns
    -------
    list of str
        The state, and what is advised.
    """
    advised = result.advised
    before = result.before
    lines = [
        f"Design error ±{result.designed_db:.3f} dB; this build ±{before.centred_db:.3f} dB. "
        f"With unmeasured parts and meter uncertainty: below {before.p95_db:.3f} dB in "
        "95 % of cases."
    ]
    if advised.changes:
        lines.append(
            f"Advised: {_changes(advised)}. That makes {advised.centred_db:.3f} dB, below "
            f"{advised.p95_db:.3f} dB in 95 % of cases."
        )
        if before.centred_db <= result.designed_db * (1.0 + LEAST_GAIN):
            lines.append("The build is as good as the design already; this goes beyond it.")
    else:
        lines.append(
            f"No change is advised: none lowers the 95 % figure by {LEAST_GAIN * 100:g} % and "
            f"{LEAST_GAIN_DB:g} dB at least."
        )
    return lines + [searched_line(search) for search in result.searches]


def searched_line(search: TrimSearch) -> str:
    """Say what a search proves, or what it leaves open.

    Parameters
    ----------
    search : TrimSearch
        What was searched for one number of changes.

    Returns
    -------
    str
        One sentence.
    """
    what = "1 change" if search.changes == 1 else f"{search.changes} changes"
    if search.proved:
        return (
            f"{what}: of {search.combinations:,.0f} possible ones none is better by more than "
            f"{RESOLUTION * 100:g} % (proved)."
        )
    if search.changes > PROVED_CHANGES:
        return (
            f"{what}: only one more change to the best with {search.changes - 1} was tried; "
            "others may be better."
        )
    if not math.isfinite(search.bound_db):
        return f"{what}: none meets the limits of the job."
    return (
        f"{what}: not proved after {search.evaluated:,} of {search.combinations:,.0f}; others may "
        f"be better, down to {search.bound_db:.3f} dB."
    )
