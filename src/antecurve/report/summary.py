"""The honest summary of a design, in sentences: what governs comes first."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from antecurve.pipeline import pair_level_db
from antecurve.quantities import format_quantity

if TYPE_CHECKING:
    from antecurve.pipeline import Analysis, Design

__all__ = ["governing_sentence", "summary_lines"]


def _db(value: float) -> str:
    """A figure in dB with as many digits as mean something."""
    if value == 0:
        return "0 dB"
    digits = max(2, 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{min(digits, 6)}f} dB"


def _band(band_hz: tuple[float, float]) -> str:
    return " to ".join(format_quantity(f, "Hz") for f in band_hz)


def _analysis(design: Design) -> Analysis:
    if design.analysis is None:
        raise ValueError("the design carries no analyses; call antecurve.analyse first")
    return design.analysis


def governing_sentence(design: Design) -> str:
    """Return the sentence that says which figure governs.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    str
        Nominal error, error of 95 % of the builds, and which part governs.
    """
    analysis = _analysis(design)
    nominal = analysis.error.job.centred_db
    likely = analysis.spread.centred_db.p95
    first = max(analysis.spread.sensitivity, key=lambda s: s.share)
    if likely > 2.0 * nominal:
        verdict = (
            f"the tolerances of the parts govern, {first.ref} first "
            f"({first.share * 100:.0f} % of the variance); a better pick would gain nothing"
        )
    elif likely > 1.1 * nominal:
        verdict = "pick and tolerances weigh alike"
    else:
        verdict = "the pick governs; more values or two parts per position would gain most"
    return f"Nominal {_db(nominal)}, 95 % of builds within {_db(likely)}: {verdict}."


def summary_lines(design: Design) -> list[str]:
    """Return the summary of a design, one line a statement.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    list of str
        What governs, the error against both views of the curve, spread, level, loading, search.
    """
    analysis = _analysis(design)
    return [
        governing_sentence(design),
        *_error_lines(design, analysis),
        *_spread_lines(analysis),
        *_loading_lines(analysis),
        *_level_lines(design, analysis),
        *_search_lines(design),
        *_own_lines(analysis),
    ]


def _error_lines(design: Design, analysis: Analysis) -> list[str]:
    error, curve = analysis.error, design.job.curve
    limits = [format_quantity(1 / (2 * math.pi * t), "Hz") for t in curve.ultrasonic_poles_s]
    word = "pole" if len(limits) == 1 else "poles"
    with_limits = f" with its {word} at {' and '.join(limits)}" if limits else ""
    lines = [
        f"Error {_band(error.job.band_hz)}, half of the range: {_db(error.job.centred_db)} against "
        f"the curve{with_limits}; re 1 kHz at most {_db(error.job.at_1khz_db)}, "
        f"rms {_db(error.job.rms_db)}.",
        f"Against the published time constants alone: {_db(error.published.centred_db)}; "
        f"re 1 kHz at most {_db(error.published.at_1khz_db)}"
        + (": what the ultrasonic pole costs is in it." if limits else "."),
    ]
    if error.implied_poles_s and not limits:
        poles = [
            f"{format_quantity(t, 's')} ({format_quantity(1 / (2 * math.pi * t), 'Hz')})"
            for t in error.implied_poles_s
        ]
        count = "a pole" if len(poles) == 1 else "poles"
        lines.append(
            f"The curve asks for no ultrasonic pole; the exact network has {count} at "
            f"{' and '.join(poles)}."
        )
    return lines


def _spread_lines(analysis: Analysis) -> list[str]:
    spread = analysis.spread
    lines = [
        f"Spread over {spread.builds:,} builds ({spread.distribution}, seed {spread.seed}): "
        f"half of the range is {_db(spread.centred_db.p50)} in the median, "
        f"{_db(spread.centred_db.p95)} for 95 %, {_db(spread.centred_db.p99)} for 99 %."
    ]
    if spread.worst_corner_db is not None:
        lines.append(f"Worst corner of all tolerances: {_db(spread.worst_corner_db)}.")
    if spread.within is not None:
        share = spread.within.proportion
        lines.append(
            f"Within ±{spread.within.limit_db:g} dB: {share.fraction * 100:.2f} % of builds "
            f"({share.low * 100:.3f} to {share.high * 100:.3f} %, 95 % confidence)."
        )
    return lines


def _loading_lines(analysis: Analysis) -> list[str]:
    """What another generator would do, with everything else as in the job."""
    loading, window = analysis.loading, analysis.loading.window
    same = (loading.load_ohm == loading.load_ohm[0]) & (loading.load_f == loading.load_f[0])
    errors = loading.error_centred_db[same]
    worst = int(errors.argmax())
    source = format_quantity(float(loading.source_ohm[same][worst]), "ohm")
    likely = analysis.spread.centred_db.p95
    weight = "matters more than either" if errors[worst] > likely else "matters less"
    span = window.source_ohm
    reach = f"from {format_quantity(span.low or 0.0, 'ohm')}"
    reach += f" to {format_quantity(span.high, 'ohm')}" if span.high is not None else " upwards"
    return [
        f"Another generator {weight}: with {source} the error is {_db(float(errors[worst]))}; "
        f"{reach} it grows by no more than {window.growth_db:g} dB."
    ]


def _level_lines(design: Design, analysis: Analysis) -> list[str]:
    level, job = analysis.level, design.job
    output = format_quantity(level.output_v, "V")
    output_resistance = format_quantity(level.output_resistance_ohm_at_1khz, "ohm")
    wanted = format_quantity(job.target.level_v, "V")
    lines = [
        f"Level at 1 kHz: {output} into the unit (wanted {wanted}) from "
        f"{format_quantity(job.source_level_v, 'V')} EMF, {level.gain_db_at_1khz:.2f} dB.",
        f"Output resistance {output_resistance} at 1 kHz; "
        f"input impedance at least {format_quantity(level.input_impedance_ohm_min, 'ohm')}.",
    ]
    if level.noise_v is not None and level.snr_db is not None:
        lines.append(
            f"Thermal noise {format_quantity(level.noise_v, 'V')} over the band, "
            f"{level.snr_db:.1f} dB below the level."
        )
    return lines


def _search_lines(design: Design) -> list[str]:
    search = design.search
    size = f"{search.combinations:.3g} combinations ({search.seconds:.1f} s)"
    lines = [f"Search over {size}: {search.claim or 'nothing is proved'}."]
    level = pair_level_db(design)
    if design.match_db is not None and level is not None:
        lines.append(
            f"The two networks of the pair differ in shape by at most {_db(design.match_db)}; the "
            f"second is {level:+.2f} dB in level at 1 kHz: allow for it when comparing channels."
        )
    return lines


def _own_lines(analysis: Analysis) -> list[str]:
    """Whether a network of the user's own can make the curve, and what is left free."""
    own = analysis.own
    if own is None:
        return []
    values = ", ".join(
        f"{e.ref} {format_quantity(float(v), e.kind.unit)}"
        for e, v in zip(own.network.topology.elements, own.network.values, strict=True)
    )
    if own.exact:
        first = (
            f"The network makes the curve exactly at the pick's level, for example with {values}."
        )
    else:
        first = (
            f"The network can't make the curve exactly; the closest found leaves "
            f"{_db(own.residual_db)} over the band, with {values}."
        )
    return [first, *(f"Left free by curve and level: {d.text}." for d in own.free_directions)]
