"""Tables of a design as texts, for the page and the terminal alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from antecurve.analysis.part_types import CAPACITOR_TYPES, RESISTOR_TYPES
from antecurve.analysis.parts_list import PartsList
from antecurve.networks.topology import ElementKind
from antecurve.parts.position import PickedNetwork, Position
from antecurve.parts.scatter import part_references
from antecurve.quantities import format_quantity
from antecurve.report.text_table import TextTable, signed

if TYPE_CHECKING:
    from antecurve.analysis.prices import Order
    from antecurve.analysis.response import ResponseTable
    from antecurve.pick.result import ShortlistEntry
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

_TIE_DB = 1e-5


def made_of(position: Position) -> str:
    """Word the parts of a position, such as ``C1a 3.3 nF + C1b 3.9 nF in parallel``.

    Parameters
    ----------
    position : Position
        The position.

    Returns
    -------
    str
        Values, with the references of joined parts and the way they are joined.
    """
    unit = position.element.kind.unit
    values = [format_quantity(p.value, unit) for p in position.parts]
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
        f"Balanced: in and 0 are the two legs of the generator, {plus} and {minus} those of the "
        f"unit; {minus} is not ground. Generator and unit must not both be grounded at these "
        "nodes, or one leg is shorted."
    )


def wiring_rows(picked: PickedNetwork) -> TextTable:
    """Tabulate what to wire between which nodes.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.

    Returns
    -------
    TextTable
        One row a position.
    """
    rows = []
    for p in picked.positions:
        unit = p.element.kind.unit
        exact = "-" if p.exact is None else format_quantity(p.exact, unit)
        off = "-" if p.exact is None else f"{signed((p.value / p.exact - 1) * 100, digits=2)} %"
        fitted = format_quantity(p.value, unit)
        rows.append((p.element.ref, *p.element.nodes, exact, fitted, off, made_of(p)))
    header = ("position", "from", "to", "exact", "fitted", "off by", "made of")
    return TextTable(header, tuple(rows), "lllrrrl")


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
    header = ["quantity", "value", "tolerance", "kind", "positions", rating, "what to look for"]
    rows = [
        [
            str(line.quantity),
            line.value,
            f"±{line.tolerance * 100:g} %",
            line.kind,
            " ".join(line.refs),
            line.rating or "-",
            line.description,
        ]
        for line in parts.lines
    ]
    if parts.priced:
        header[1:1] = ["order", "each", "cost"]
        for row, line in zip(rows, parts.lines, strict=True):
            row[1:1] = _order_cells(line.order)
    align = "rrr" * parts.priced + "rrrllll"
    return TextTable(tuple(header), tuple(tuple(row) for row in rows), align)


def _order_cells(order: Order | None) -> list[str]:
    if order is None:
        return ["-", "-", "-"]
    return [str(order.quantity), f"{order.unit_price:.10g}", f"{order.cost:.2f}"]


def type_rows() -> TextTable:
    """Tabulate the types of parts that the advice of a parts list is taken from.

    Returns
    -------
    TextTable
        One row a type and package.
    """
    rows = tuple(
        (
            one.name,
            f"{format_quantity(one.low, kind.unit)} to {format_quantity(one.high, kind.unit)}",
            format_quantity(one.rating, rating),
            one.package,
        )
        for kind, rating, types in (
            (ElementKind.RESISTOR, "W", RESISTOR_TYPES),
            (ElementKind.CAPACITOR, "V", CAPACITOR_TYPES),
        )
        for one in types
    )
    return TextTable(("type", "values", "rated up to", "package"), rows, "lrrl")


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
    total = f"All in all {parts.cost:.2f}, in the currency of the prices"
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
    header = ("frequency", "curve dB", "network dB", "error dB", "published dB")
    rows = tuple(
        (
            format_quantity(float(response.frequency_hz[k]), "Hz", digits=4),
            f"{response.ideal_db[k]:.3f}",
            f"{response.network_db[k]:.3f}",
            signed(float(response.error_db[k]), digits=4),
            f"{response.published_db[k]:.3f}",
        )
        for k in _thinned(len(response.frequency_hz))
    )
    return TextTable(header, rows, "rrrrr")


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
    rows = []
    for outcome in design.forms:
        if outcome.centred_db is None or outcome.spread_p95_db is None:
            continue
        chosen = design.picked.topology.form in outcome.form.split(", ")
        output = format_quantity(outcome.output_resistance_ohm or 0.0, "ohm")
        likely = _likely(design, outcome.spread_p95_db, is_pick=chosen)
        figures = (f"{outcome.centred_db:.4f}", f"{likely:.3f}")
        note = "the pick" if chosen else "best met"
        if outcome.proved:
            note = "the pick, proved" if chosen else "proved"
        elif outcome.lower_bound_db:
            note += f"; none below {outcome.lower_bound_db:.4f}"
        rows.append((outcome.form, *figures, str(outcome.parts), output, note))
    header = ("form", "nominal dB", "95 % dB", "parts", "output", "note")
    return TextTable(header, tuple(rows), "lrrrrl")


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
    rows: list[tuple[str, ...]] = []
    for index, entry in enumerate(design.shortlist):
        is_pick = index == 0
        listed = ", ".join(
            f"{p.element.ref} {format_quantity(p.value, p.element.kind.unit)}"
            for p in entry.picked.positions
        )
        figures = (
            f"{entry.centred_db:.4f}",
            f"{_likely(design, entry.spread_p95_db, is_pick=is_pick):.3f}",
            str(entry.parts),
            format_quantity(entry.output_resistance_ohm, "ohm"),
        )
        form, remark = entry.picked.topology.form, _remark(design, entry)
        if brief:
            rows.append((form, *figures, "the pick" if is_pick else remark))
        else:
            trade = "; ".join(text for text in (entry.trade, remark) if text)
            rows.append((form, listed, *figures, trade))
    header = ("nominal dB", "95 % dB", "parts", "output")
    if brief:
        return TextTable(("form", *header, "note"), tuple(rows), "lrrrrl")
    return TextTable(("form", "values", *header, "what it trades"), tuple(rows), "llrrrrl")


def _remark(design: Design, entry: ShortlistEntry) -> str:
    """Why an alternative is not the pick though its nominal error is smaller."""
    pick = design.shortlist[0]
    if entry.centred_db >= pick.centred_db:
        return ""
    if design.job.pick.pick_by == "build":
        return "smaller nominal error, but the job picks by the 95 % of builds"
    if design.second is not None:
        return "smaller nominal error, but of the pair the worse network counts"
    if pick.centred_db - entry.centred_db <= _TIE_DB:
        return "as good to within 0.00001 dB, which the search takes as equal"
    return "smaller nominal error, met after the pick was settled"
