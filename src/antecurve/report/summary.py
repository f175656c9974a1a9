"""The honest summary of a design, in sentences: what governs comes first."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from antecurve.analysis.level import level_report
from antecurve.curves.catalogue import curve_label
from antecurve.curves.model import zero_pole_gain
from antecurve.networks.centred_error import error_range
from antecurve.networks.topology import ElementKind
from antecurve.own_solution import own_solution
from antecurve.pipeline import pair_level_db
from antecurve.quantities import format_quantity, format_time_constant
from antecurve.report.figures import LEAST_DB, decibel_text, within_text, yield_sentence
from antecurve.texts import capitalised, power_of_ten

if TYPE_CHECKING:
    from antecurve.analysis.loading_window import Span
    from antecurve.curves.model import Curve
    from antecurve.pipeline import Analysis, Design

__all__ = [
    "bench_lines",
    "conclusion_lines",
    "curve_line",
    "governing_lines",
    "governing_sentence",
    "missed_limit",
    "summary_lines",
]

_FEW_BUILDS = 1000  # of which 50 lie beyond the 95 %: known to a seventh
_LEVEL_APART_DB = 0.1  # by judgement: less needs no trimming
_REACHED = 0.05  # of the exact value: half a step of E24


def _up_to(word: str, value: float) -> str:
    """A figure in dB after such words as "at most", which one below what counts does without."""
    return decibel_text(value) if 0 < value < LEAST_DB else f"{word} {decibel_text(value)}"


def _count(number: float) -> str:
    """A count in full, or as a power of ten where nobody would read it in full."""
    if number < 1e6:
        return f"{number:,.0f}"
    return power_of_ten(f"{number:.2e}").replace("\N{NO-BREAK SPACE}", " ")


def _band(band_hz: tuple[float, float]) -> str:
    return " to ".join(format_quantity(f, "Hz") for f in band_hz)


def governing_sentence(design: Design) -> str:
    """Say which figure governs.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    str
        Design error, error of 95 % of the builds, and what dominates.
    """
    analysis = design.analysis
    nominal = analysis.error.job.centred_db
    spread = analysis.spread
    likely = spread.centred_db.p95
    few = "" if spread.builds >= _FEW_BUILDS else f" (of only {spread.builds:,} drawn)"
    share = f"95 % of builds{few} {'within ' * (likely >= LEAST_DB)}{within_text(likely)}"
    figures = f"Design error {within_text(nominal)}; {share}."
    if likely < LEAST_DB:
        return figures  # a flat position: nothing to be gained
    # What each by itself would save; without a nominal error the rest is about the root of the
    # difference of the squares.
    by_parts = likely - nominal
    by_pick = likely - math.sqrt(max(likely**2 - nominal**2, 0.0))
    if by_parts >= 2.0 * by_pick:
        first = max(spread.sensitivity, key=lambda s: s.share)
        verdict = (
            f"Tolerance dominates, mainly {first.ref} ({first.share * 100:.0f} % of the variance)"
        )
        if by_pick >= 0.1 * likely:
            verdict += "; a better pick would gain less"
    elif by_pick < 2.0 * by_parts:
        verdict = f"Design error and tolerance weigh alike: tolerance adds {decibel_text(by_parts)}"
    else:
        verdict = _what_limits_the_pick(design, analysis)
    return f"{figures} {verdict}."


def _what_limits_the_pick(design: Design, analysis: Analysis) -> str:
    """Where the nominal error comes from when it is more than what tolerances add."""
    nominal, own, exact = (
        analysis.error.job.centred_db,
        own_solution(design),
        analysis.error.exact,
    )
    floor = 0.0 if exact is None else exact.centred_db
    if own is not None and not own.exact and not own.stopped:
        floor = max(floor, own.residual_db)
    if 2.0 * floor > nominal:
        return f"The network's form dominates: its best values leave {decibel_text(floor)}"
    beyond = _out_of_reach(design)
    if beyond:
        return f"The pick dominates. {'. '.join(beyond)}. A wider range would gain most"
    if not design.search.proved:
        return (
            "The pick dominates, and its search ended early. More values, or two joined parts, "
            "would gain most"
        )
    return "The pick dominates. More values, or two joined parts, would gain most"


def _out_of_reach(design: Design) -> list[str]:
    """Positions whose exact value no part or pair of parts within the job's ranges comes near."""
    sentences = []
    for position in design.picked.positions:
        element, exact = position.element, position.exact
        if exact is None or abs(position.value / exact - 1) < _REACHED:
            continue
        resistor = element.kind is ElementKind.RESISTOR
        stock = design.job.resistors if resistor else design.job.capacitors
        low, high = stock.value_range
        joins = stock.join if stock.parts_per_position == 2 else ()
        upwards, downwards = ("series", "parallel") if resistor else ("parallel", "series")
        unit, end = element.kind.unit, "ends at"
        most = high * 2 if upwards in joins else high
        least = low / 2 if downwards in joins else low
        if least <= exact <= most:
            continue
        limit = high
        if exact < least:
            end, limit = "begins at", low
        pair = ", with two joined" if limit not in (least, most) else ""
        reach = f" ({format_quantity(least if exact < least else most, unit)}{pair})" * bool(pair)
        sentences.append(
            f"The exact value of {element.ref}, {format_quantity(exact, unit)}, is out of reach: "
            f"{element.kind.value}s.range {end} {format_quantity(limit, unit)}{reach}"
        )
    return sentences


def missed_limit(design: Design) -> str | None:
    """Say that the nominal error misses the job's limit, if it does.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    str or None
        The sentence; ``None`` without a limit and where it is met.
    """
    limit, nominal = design.job.target.error_limit_db, design.analysis.error.job.centred_db
    if limit is None or nominal <= limit:
        return None
    return f"MISSES THE LIMIT: the design error of {nominal:.3f} dB is above ±{limit:g} dB."


def governing_lines(design: Design) -> list[str]:
    """Word what comes first: what governs, and what the loading does.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    list of str
        Sentences.
    """
    return [governing_sentence(design), *_loading_lines(design.analysis)]


def conclusion_lines(design: Design) -> list[str]:
    """Conclude in a few sentences: what governs, what is proved, what the loading does.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    list of str
        Sentences, a missed limit first.
    """
    missed = missed_limit(design)
    governs, *loading = governing_lines(design)
    claim = design.search.claim or "nothing is proved"
    return [
        *([] if missed is None else [missed]),
        governs,
        f"{capitalised(claim)}.",
        *loading,
    ]


def bench_lines(design: Design) -> list[str]:
    """Say what nobody does without on the bench: the level, and how a pair compares.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    list of str
        Sentences.
    """
    level, *_ = _level_lines(design, design.analysis)
    apart = pair_level_db(design)
    if design.match_db is None or apart is None:
        return [level]
    return [level, *_pair_lines(design.match_db, apart)]


def summary_lines(design: Design) -> list[str]:
    """Summarise a design, one line a statement.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    list of str
        What governs, the error against both views of the curve, spread, level, loading, search.
    """
    analysis = design.analysis
    missed = missed_limit(design)
    return [
        *governing_lines(design),
        *([] if missed is None else [missed]),
        curve_line(design.job.curve),
        *_error_lines(design, analysis),
        *_spread_lines(analysis),
        *_level_lines(design, analysis),
        *_search_lines(design),
        *_own_lines(design),
    ]


def curve_line(curve: Curve) -> str:
    """State the imposed curve by its time constants and their frequencies.

    Parameters
    ----------
    curve : Curve
        The curve.

    Returns
    -------
    str
        Zeros and poles, limits included.
    """
    emphasis = zero_pole_gain(curve)

    def listed(times: tuple[float, ...], at_origin: int) -> str:
        origin = {0: [], 1: ["at the origin"]}.get(at_origin, [f"{at_origin} at the origin"])
        others = [
            f"{format_time_constant(t)} ({format_quantity(1 / (2 * math.pi * t), 'Hz')})"
            for t in times
        ]
        return ", ".join([*origin, *others]) or "none"

    return (
        f"Curve imposed ({curve_label(curve.name)}): "
        f"zeros {listed(emphasis.zeros_s, emphasis.zeros_at_origin)}; "
        f"poles {listed(emphasis.poles_s, emphasis.poles_at_origin)}."
    )


def _error_lines(design: Design, analysis: Analysis) -> list[str]:
    error, curve = analysis.error, design.job.curve
    limits = [format_quantity(1 / (2 * math.pi * t), "Hz") for t in curve.ultrasonic_poles_s]
    word = "pole" if len(limits) == 1 else "poles"
    with_limits = f" including the {' and '.join(limits)} {word}" if limits else ""
    lines = [
        f"Error from {_band(error.job.band_hz)}: {within_text(error.job.centred_db)} against the "
        f"curve{with_limits}. It is {_up_to('at most', error.job.at_1khz_db)} relative to 1 kHz; "
        f"{decibel_text(error.job.rms_db)} rms.",
        f"Against the published time constants alone: {within_text(error.published.centred_db)}; "
        f"{_up_to('at most', error.published.at_1khz_db)} relative to 1 kHz."
        + (" That is what the ultrasonic pole costs." if limits else ""),
    ]
    if error.implied_poles_s and not limits:
        poles = [
            f"{format_quantity(t, 's', digits=3)} "
            f"({format_quantity(1 / (2 * math.pi * t), 'Hz', digits=3)})"
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
    percentiles = spread.centred_db
    median, likely, most = map(within_text, (percentiles.p50, percentiles.p95, percentiles.p99))
    lines = [
        f"{spread.builds:,} builds ({spread.distribution}, seed {spread.seed}): median {median}, "
        f"95 % {likely}, 99 % {most}."
    ]
    if spread.worst_corner_db is not None:
        lines.append(f"Worst case of all tolerances: {within_text(spread.worst_corner_db)}.")
    if spread.within is not None:
        lines.append(yield_sentence(spread.within))
    return lines


def _loading_lines(analysis: Analysis) -> list[str]:
    """What another generator would do, and another unit or cable where they weigh as much."""
    loading, window = analysis.loading, analysis.loading.window
    bench = {"generator": loading.source_ohm, "unit": loading.load_ohm, "cable": loading.load_f}
    spans = {"generator": window.source_ohm, "unit": window.load_ohm, "cable": window.load_f}
    likely = analysis.spread.centred_db.p95
    lines = []
    for name, values in bench.items():
        others = [v for other, v in bench.items() if other != name]
        alone = (others[0] == others[0][0]) & (others[1] == others[1][0])
        errors = loading.error_centred_db[alone]
        worst = int(errors.argmax())
        growth = float(errors[worst]) - analysis.error.job.centred_db
        if name != "generator" and growth <= max(likely, LEAST_DB):
            continue
        unit = "F" if name == "cable" else "ohm"
        value = format_quantity(float(values[alone][worst]), unit)
        weight = "more than tolerance does" if growth > likely else "less than tolerance does"
        if 0.5 * likely < growth <= likely:
            weight = "about what tolerance does"
        reach = f"{_reach(name, spans[name], unit)} at most {window.growth_db:g} dB"
        if errors[worst] < LEAST_DB:
            lines.append(f"{reach}.")
            continue
        lines.append(f"{reach}; {value} gives {within_text(float(errors[worst]))}, {weight}.")
    return lines


def _reach(name: str, span: Span, unit: str) -> str:
    """How far a quantity may go; three digits, as a window needs no more."""
    low, high = (v and format_quantity(v, unit, digits=3) for v in (span.low, span.high))
    several = f"{name.capitalize()}s"
    if not low:
        return f"{several} up to {high} add" if high else f"Any {name} adds"
    return f"{several} from {low} to {high} add" if high else f"{several} of {low} or more add"


def _level_lines(design: Design, analysis: Analysis) -> list[str]:
    level, job = analysis.level, design.job
    output = format_quantity(level.output_v, "V")
    output_resistance = format_quantity(level.output_resistance_ohm_at_1khz, "ohm")
    wanted = format_quantity(job.target.level_v, "V")
    lines = [
        f"Level at 1 kHz: {output} into the unit from "
        f"{format_quantity(job.source_level_v, 'V')} EMF ({level.gain_db_at_1khz:.2f} dB); "
        f"{wanted} wanted.",
        f"Output resistance {output_resistance} at 1 kHz. "
        f"Input impedance at least {format_quantity(level.input_impedance_ohm_min, 'ohm')}.",
    ]
    if level.noise_v is not None and level.snr_db is not None:
        lines.append(
            f"Thermal noise {format_quantity(level.noise_v, 'V')} over the band, "
            f"{level.snr_db:.1f} dB below the level."
        )
    return lines


def _search_lines(design: Design) -> list[str]:
    search = design.search
    size = f"{_count(search.combinations)} combinations ({search.seconds:.1f} s)"
    lines = [f"Search of {size}: {search.claim or 'nothing is proved'}."]
    level = pair_level_db(design)
    if design.match_db is not None and level is not None:
        lines += [*_second_lines(design), *_pair_lines(design.match_db, level)]
    return lines


def _second_lines(design: Design) -> list[str]:
    """Error, level and output resistance of the other network of a pair."""
    if design.second is None:
        return []
    job, network = design.job, design.second.network
    error = error_range(network, job.conditions)
    level = level_report(
        network,
        job.conditions,
    )
    return [
        f"The other network of the pair: design error {within_text(error.centred_db)}; "
        f"{format_quantity(level.output_v, 'V')} into the unit, {level.gain_db_at_1khz:.2f} dB; "
        f"output resistance {format_quantity(level.output_resistance_ohm_at_1khz, 'ohm')} at 1 kHz."
    ]


def _pair_lines(match_db: float, level_db: float) -> list[str]:
    """How far the two networks of a pair are apart, and what to do about it."""
    apart = abs(level_db)
    if max(match_db, apart) < LEAST_DB:
        return [f"The two networks of the pair agree in shape and level to {LEAST_DB:g} dB."]
    shape = f"The two networks of the pair differ in shape by {_up_to('at most', match_db)}"
    if apart <= _LEVEL_APART_DB:
        return [f"{shape} and in level at 1 kHz by {decibel_text(apart)}."]
    what, turn, change = "softer", "higher", f"add {apart:.2f} dB to"
    if level_db > 0:
        what, turn, change = "louder", "lower", f"subtract {apart:.2f} dB from"
    return [
        f"{shape}.",
        f"THE LEVELS OF THE PAIR DIFFER: the second network is {apart:.2f} dB {what} at 1 kHz. "
        f"Set its generator {apart:.2f} dB {turn}, or {change} what its channel reads.",
    ]


def _own_lines(design: Design) -> list[str]:
    """Whether a network of the user's own can make the curve, and what is left free."""
    own = own_solution(design)
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
    elif own.stopped:
        first = (
            f"No values were found within the budget that make the curve exactly. The closest "
            f"leave {decibel_text(own.residual_db)} over the band, with {values}."
        )
    else:
        first = (
            f"The network can't make the curve exactly; the closest values leave "
            f"{decibel_text(own.residual_db)} over the band, with {values}."
        )
    if own.exact and own.free_directions:
        first += (
            " The table's column exact has another set of such values, near the parts picked. "
            "Curve and level leave a choice, and every set makes the same response."
        )
    return [first, *(f"Left free by curve and level: {d.text}." for d in own.free_directions)]
