"""Tables of a design as texts, for the page and the terminal alike."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING

from antecurve.analysis.part_types import CAPACITOR_TYPES, RESISTOR_TYPES, PartType
from antecurve.networks.topology import ElementKind
from antecurve.parts.position import PickedNetwork, Position
from antecurve.parts.scatter import part_references
from antecurve.quantities import format_quantity
from antecurve.report.text_table import (
    TextTable,
    column,
    declared,
    quantity,
    signed,
    signed_cells,
    table_from,
    table_of,
)

if TYPE_CHECKING:
    from antecurve.analysis.parts_list import PartsList
    from antecurve.analysis.response import ResponseTable
    from antecurve.pick.result import FormOutcome, ShortlistEntry
    from antecurve.pipeline import Design

__all__ = [
    "form_rows",
    "made_of",
    "node_caption",
    "order_lines",
    "parts_rows",
    "refused_forms",
    "response_rows",
    "shortlist_rows",
    "type_rows",
    "wiring_rows",
]

_TIE_DB = 1e-5  # what the search takes as equal
_MOST_DIGITS = 9  # of a bound: more zeros are hard to count


def made_of(position: Position, *, measured: bool = False) -> str:
    """Word the parts of a position, such as ``C1a 3.3 nF + C1b 3.9 nF in parallel``.

    Parameters
    ----------
    position : Position
        The position.
    measured : bool, optional
        Whether values are measured, so that zeros at the end count.

    Returns
    -------
    str
        Values, with the references of joined parts and the way they are joined.
    """
    unit = position.element.kind.unit
    values = [format_quantity(p.value, unit, padded=measured) for p in position.parts]
    if position.joined == "single":
        return values[0]
    named = zip(part_references(position), values, strict=True)
    return f"{' + '.join(f'{ref} {value}' for ref, value in named)} in {position.joined}"


def node_caption(picked: PickedNetwork) -> str:
    """Say in a sentence what the nodes of a network are.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.

    Returns
    -------
    str
        For a balanced network with what must not be joined.
    """
    plus, minus = picked.topology.output
    if minus == "0":
        return f"in: from the generator; {plus}: to the unit; 0: common return."
    return (
        f"Balanced: in and 0 are the legs of the generator, {plus} and {minus} those of the unit. "
        f"{minus} is not ground. Never ground generator and unit both at these nodes: that shorts "
        "one leg."
    )


def wiring_rows(picked: PickedNetwork, *, measured: bool = False) -> TextTable:
    """Tabulate what to wire between which nodes.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.
    measured : bool, optional
        Whether their values are measured, so that zeros at the end count.

    Returns
    -------
    TextTable
        One row a position.
    """

    def exact(position: Position) -> str | None:
        unit = position.element.kind.unit
        return (
            None if position.exact is None else format_quantity(position.exact, unit, padded=True)
        )

    return table_from(
        picked.positions,
        declared("reference", "element.ref", right=False),
        declared("from", lambda p: p.element.nodes[0], right=False),
        declared("to", lambda p: p.element.nodes[1], right=False),
        declared("exact", exact),
        declared(
            "fitted", lambda p: format_quantity(p.value, p.element.kind.unit, padded=measured)
        ),
        declared("off by", lambda p: p.exact and p.value / p.exact - 1, _signed_percent),
        declared("made of", partial(made_of, measured=measured), right=False),
    )


def _signed_percent(value: float) -> str:
    return f"{signed(value * 100, digits=2)} %"


def parts_rows(parts: PartsList) -> TextTable:
    """Tabulate what to buy.

    Parameters
    ----------
    parts : PartsList
        The parts list.

    Returns
    -------
    TextTable
        One row a distinct part.
    """
    rating = "rating"
    if parts.amplitude_v is not None:
        rating += f" for EMF within ±{format_quantity(parts.amplitude_v, 'V')}"
    ordered = (
        declared("order", lambda line: line.order and line.order.quantity),
        declared("each", lambda line: line.order and line.order.unit_price, _price),
        declared("cost", lambda line: line.order and line.order.cost, "{:.2f}".format),
    )
    return table_from(
        parts.lines,
        declared("references", "refs", " ".join, right=False),
        declared("quantity", "quantity"),
        *(ordered if parts.priced else ()),
        declared("value", "value"),
        declared("tolerance", lambda line: f"±{line.tolerance * 100:g} %"),
        declared("kind", "kind", right=False),
        declared(rating, lambda line: line.rating or None, right=False),
        declared("what to look for", "description", right=False),
    )


def type_rows() -> TextTable:
    """Tabulate the types of parts that the advice of a parts list is taken from.

    Returns
    -------
    TextTable
        One row a type and package.
    """
    types = [
        (kind, unit, one)
        for kind, unit, listed in (
            (ElementKind.RESISTOR, "W", RESISTOR_TYPES),
            (ElementKind.CAPACITOR, "V", CAPACITOR_TYPES),
        )
        for one in listed
    ]

    def values(row: tuple[ElementKind, str, PartType]) -> str:
        kind, _, one = row
        return f"{format_quantity(one.low, kind.unit)} to {format_quantity(one.high, kind.unit)}"

    return table_from(
        types,
        declared("type", lambda row: row[2].name, right=False),
        declared("values", values),
        declared("rated up to", lambda row: format_quantity(row[2].rating, row[1])),
        declared("package", lambda row: row[2].package, right=False),
    )


def order_lines(parts: PartsList) -> list[str]:
    """Say what the orders of a parts list cost, and where more parts cost less.

    Parameters
    ----------
    parts : PartsList
        The parts list.

    Returns
    -------
    list of str
        Sentences; none without prices.
    """
    if not parts.priced:
        return []
    lines = []
    for line in parts.lines:
        order, what = line.order, f"{line.kind} {line.value}"
        if order is None or order.quantity == line.quantity:
            continue
        if order.needed_cost is None:
            lines.append(f"{what}: {line.quantity} needed, sold from {order.quantity} on.")
        else:
            lines.append(
                f"{what}: {order.quantity} cost {order.cost:.2f}, less than the {line.quantity} "
                f"needed ({order.needed_cost:.2f})."
            )
    unpriced = [line for line in parts.lines if line.order is None]
    total = f"Total {parts.cost:.2f}, in the currency of the prices"
    if unpriced:
        names = ", ".join(f"{line.kind} {line.value}" for line in unpriced)
        total += f"; without {names} (on hand, or no price given)"
    return [*lines, f"{total}."]


def response_rows(response: ResponseTable) -> TextTable:
    """Tabulate level and error at about six frequencies a decade.

    Parameters
    ----------
    response : ResponseTable
        The response.

    Returns
    -------
    TextTable
        Frequency, curve, network, error.
    """
    rows = _thinned(len(response.frequency_hz))
    return table_of(
        column("frequency", response.frequency_hz[rows], quantity("Hz", digits=4)),
        column("curve dB", response.ideal_db[rows], "{:z.3f}".format),
        column("network dB", response.network_db[rows], "{:z.3f}".format),
        column("error dB", response.error_db[rows], signed_cells(4)),
        column("published dB", response.published_db[rows], "{:z.3f}".format),
    )


def _price(price: float) -> str:
    """A price with two decimals, or with more where it has them."""
    return max(f"{price:.2f}", f"{price:.10g}", key=len)


def _thinned(count: int) -> list[int]:
    return sorted({0, count - 1, *range(1, count, 8)})


def form_rows(design: Design) -> TextTable:
    """Tabulate the forms of the job side by side.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    TextTable
        One row a form that has a network: its best that the search met, and what is proved of it.
    """
    pick = design.picked.topology.form

    def chosen(outcome: FormOutcome) -> bool:
        return pick in outcome.form.split(", ")

    def likely(outcome: FormOutcome) -> float:
        return _likely(design, outcome.spread_p95_db or 0.0, is_pick=chosen(outcome))

    def note(outcome: FormOutcome) -> str:
        if outcome.proved:
            return "the pick, proved" if chosen(outcome) else "proved"
        bound = outcome.lower_bound_db
        below = f"none below {_rounded_down(bound)}" if bound else "no lower bound proved"
        return f"{'the pick' if chosen(outcome) else 'best met'}; {below}"

    return table_from(
        [f for f in design.forms if f.centred_db is not None and f.spread_p95_db is not None],
        declared("form", "form", right=False),
        declared("design error dB", "centred_db", "{:.3f}".format),
        declared("95 % dB", likely, "{:.3f}".format),
        declared("parts", "parts"),
        declared("output", lambda f: f.output_resistance_ohm or 0.0, quantity("ohm", padded=True)),
        declared("note", note, right=False),
    )


def _rounded_down(bound_db: float) -> str:
    """A lower bound to a thousandth of a decibel, a smaller one to its first digit."""
    digits = max(3, math.ceil(-math.log10(bound_db)))
    if digits > _MOST_DIGITS:
        return f"{math.floor(bound_db * 10.0**digits)}e-{digits:02d}"
    return f"{math.floor(bound_db * 10.0**digits) / 10.0**digits:.{digits}f}"


def _likely(design: Design, estimate_db: float, *, is_pick: bool) -> float:
    """The 95 % of a network: of the pick what the summary says, of others the search's estimate."""
    if is_pick:
        return design.analysis.spread.centred_db.p95
    return estimate_db


def refused_forms(design: Design) -> list[str]:
    """Say which forms have no network, and why, one sentence a reason.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    list of str
        Forms with the same reason together.
    """
    by_reason: dict[str, list[str]] = {}
    for outcome in design.forms:
        if outcome.reason:
            by_reason.setdefault(outcome.reason, []).append(outcome.form)
    return [f"No network of {', '.join(forms)}: {reason}." for reason, forms in by_reason.items()]


def shortlist_rows(design: Design, *, brief: bool = False) -> TextTable:
    """Tabulate the alternatives and what each trades.

    Parameters
    ----------
    design : Design
        The design.
    brief : bool, optional
        Whether to leave out values and trade.

    Returns
    -------
    TextTable
        One row a network; the first is the pick.
    """
    pick = design.shortlist[0] if design.shortlist else None

    def likely(entry: ShortlistEntry) -> float:
        return _likely(design, entry.spread_p95_db, is_pick=entry is pick)

    def values(entry: ShortlistEntry) -> str:
        return ", ".join(
            f"{p.element.ref} {format_quantity(p.value, p.element.kind.unit)}"
            for p in entry.picked.positions
        )

    def trade(entry: ShortlistEntry) -> str:
        return "; ".join(text for text in (entry.trade, _remark(design, entry)) if text)

    def note(entry: ShortlistEntry) -> str:
        return "the pick" if entry is pick else _remark(design, entry)

    numbers = {id(entry): number for number, entry in enumerate(design.shortlist)}
    return table_from(
        design.shortlist,
        *((declared("number", lambda e: numbers[id(e)]),) if brief else ()),
        declared("form", "picked.topology.form", right=False),
        *(() if brief else (declared("values", values, right=False),)),
        declared("design error dB", "centred_db", "{:.3f}".format),
        declared("95 % dB", likely, "{:.3f}".format),
        declared("parts", "parts"),
        declared("output", "output_resistance_ohm", quantity("ohm", padded=True)),
        declared("note" if brief else "what it trades", note if brief else trade, right=False),
    )


_PICKED_BY = {
    "build": "the 95 % of builds",
    "yield": "the share of builds within the limit",
    "worst": "the worst case",
}


def _remark(design: Design, entry: ShortlistEntry) -> str:
    """Why an alternative is not the pick though its nominal error is smaller."""
    pick = design.shortlist[0]
    if entry.centred_db >= pick.centred_db:
        return ""
    if design.job.pick.pick_by in _PICKED_BY:
        return f"smaller design error, but the job picks by {_PICKED_BY[design.job.pick.pick_by]}"
    if design.second is not None:
        return "smaller design error, but of the pair the worse network counts"
    if pick.centred_db - entry.centred_db <= _TIE_DB:
        return "as good to within 0.00001 dB, which the search takes as equal"
    return "smaller design error, met after the pick was settled"
