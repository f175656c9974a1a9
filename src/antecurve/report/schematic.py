"""The schematic of a network with its values."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from functools import partial
from itertools import pairwise

from antecurve.networks.series_parallel import branches_of
from antecurve.networks.topology import Arm, Element, ElementKind, Loading, Network
from antecurve.networks.tree import Group, Leaf, Tree, join, leaves, turned
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_references
from antecurve.quantities import format_quantity
from antecurve.report.schematic_drawing import Drawing, Point, text_width

__all__ = [
    "drawn_schematic",
    "in_both_widths",
    "page_schematic",
    "schematic_svg",
    "soldered_parts",
    "ticked",
    "value_labels",
]

_STEP = 3.0  # length of an element with its leads
_COLUMNS, _NARROW_COLUMNS = 4, 2  # of elements side by side: as wide as a page, or a telephone
_GAP = 1.9  # between parallel elements: two lines of text fit
_UPRIGHT_GAP = 2.75  # upright elements have their labels beside them
_SHUNT_LEAD, _SHUNT_LEAD_UPRIGHT = 1.6, 1.0  # from a node to its first shunt; a label above it fits


def value_labels(picked: PickedNetwork, *, fitted: Collection[str] = ()) -> dict[str, str]:
    """Label each position by reference and value, as drawn beside it.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.
    fitted : collection of str, optional
        References of the parts that are soldered in; their labels begin with a tick.

    Returns
    -------
    dict of str to str
        Two lines by reference, of positions (joined parts by their own, ``+`` in series, ``∥`` in
        parallel) and of the parts of joined ones.
    """
    signs = {"single": "", "series": " + ", "parallel": " ∥ "}
    labels = {}
    for position in picked.positions:
        unit, refs = position.element.kind.unit, part_references(position)
        for ref, part in zip(refs, position.parts, strict=True):
            labels[ref] = f"{ticked(ref, fitted)}\n{format_quantity(part.value, unit)}"
        joined = signs[position.joined].join(ticked(ref, fitted) for ref in refs)
        labels[position.element.ref] = f"{joined}\n{format_quantity(position.value, unit)}"
    return labels


def ticked(ref: str, fitted: Collection[str]) -> str:
    """Put a tick before the reference of a part that is soldered in.

    Parameters
    ----------
    ref : str
        Reference of the part.
    fitted : collection of str
        References of those that are.

    Returns
    -------
    str
        As drawn beside it.
    """
    return f"\N{CHECK MARK} {ref}" if ref in fitted else ref


def soldered_parts(picked: PickedNetwork) -> dict[str, Tree[str]]:
    """Lay out the parts of each joined position as they are soldered.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.

    Returns
    -------
    dict of str to Tree
        References of the parts, joined, by reference of the position.
    """
    return {
        p.element.ref: join(p.joined, *map(Leaf, part_references(p)))
        for p in picked.positions
        if len(p.parts) > 1
    }


def schematic_svg(
    network: Network,
    *,
    loading: Loading,
    labels: dict[str, str],
    joined: Mapping[str, Tree[str]] | None = None,
) -> str:
    """Draw the schematic as SVG in the colour of its surroundings.

    Parameters
    ----------
    network : Network
        The network.
    loading : Loading
        Source and load.
    labels : dict of str to str
        Text beside each element, by reference.
    joined : mapping of str to Tree, optional
        Parts drawn in place of an element, as `soldered_parts` lays them out.

    Returns
    -------
    str
        One ``<svg>`` element.
    """
    return drawn_schematic(network, loading=loading, labels=labels, joined=joined).svg()


def page_schematic(
    network: Network,
    *,
    loading: Loading,
    labels: dict[str, str],
    joined: Mapping[str, Tree[str]] | None = None,
) -> str:
    """Draw the schematic for a page that is read on broad and on narrow screens.

    Parameters
    ----------
    network, loading, labels, joined
        As in `schematic_svg`.

    Returns
    -------
    str
        As `in_both_widths` writes it.
    """
    draw = partial(drawn_schematic, network, loading=loading, labels=labels, joined=joined)
    return in_both_widths(draw().svg(), draw(downwards=True).svg())


def in_both_widths(broad: str, narrow: str) -> str:
    """Write two arrangements of a drawing, of which the style of pages shows one.

    Parameters
    ----------
    broad, narrow : str
        ``<svg>`` elements for paper and common screens, and for a telephone's.

    Returns
    -------
    str
        Both, in one line.
    """
    return f'<div class="broad">{broad}</div><div class="narrow">{narrow}</div>'


def drawn_schematic(
    network: Network,
    *,
    loading: Loading,
    labels: dict[str, str],
    joined: Mapping[str, Tree[str]] | None = None,
    downwards: bool = False,
) -> Drawing:
    """Draw the schematic, source and load included.

    Parameters
    ----------
    network : Network
        The network.
    loading : Loading
        Source and load.
    labels : dict of str to str
        Text beside each element, by reference.
    joined : mapping of str to Tree, optional
        Parts drawn in place of an element, as `soldered_parts` lays them out.
    downwards : bool, optional
        Whether the signal goes down instead of to the right, for a narrow screen.

    Returns
    -------
    Drawing
        A network with bridges is drawn as its elements side by side with their nodes.
    """
    painter = _Painter(network.topology.elements, labels, downwards)
    arms = tuple(painter.with_parts(a, joined or {}) for a in branches_of(network.topology))
    lines = _main_lines(arms, network.topology.output)
    if lines is None:
        painter.loose(network, loading)
    else:
        painter.ladder(arms, lines, loading)
    return painter.drawing


def _path(arms: tuple[Arm, ...], start: str, end: str, avoid: set[str]) -> list[str] | None:
    """The only path of nodes from start to end, or None if there are several or none."""
    path = [start]
    while path[-1] != end:
        onward = {
            n
            for a in arms
            if path[-1] in a.nodes
            for n in a.nodes
            if n not in path and n not in avoid
        }
        if len(onward) != 1:
            return None
        path.append(onward.pop())
    return path


def _main_lines(
    arms: tuple[Arm, ...], output: tuple[str, str]
) -> tuple[list[str], list[str]] | None:
    """Upper and lower line of a ladder, or None for a network that is none."""
    upper = _path(arms, "in", output[0], {"0", output[1]})
    lower = _path(arms, "0", output[1], {"in", output[0]}) if upper else None
    if upper is None or lower is None:
        return None
    known = {*upper, *lower}
    if any(n not in known for a in arms for n in a.nodes):
        return None
    return upper, lower


class _Painter:
    """Draws branches at points along the signal's way and across it, in drawing units."""

    def __init__(
        self, elements: tuple[Element, ...], labels: dict[str, str], downwards: bool
    ) -> None:
        self.drawing = Drawing()
        self.kinds = {e.ref: e.kind for e in elements}
        self.ends = {e.ref: frozenset(e.nodes) for e in elements}
        self.labels = labels
        self.downwards = downwards

    def at(self, along: float, across: float) -> Point:
        """Place a point on the drawing."""
        return (across, -along) if self.downwards else (along, -across)

    def line(self, *points: Point) -> None:
        """Draw a line through points."""
        self.drawing.line(*(self.at(*p) for p in points))

    def with_parts(self, arm: Arm, joined: Mapping[str, Tree[str]]) -> Arm:
        """Put the parts of joined positions in the place of their elements."""
        return replace(arm, tree=self._soldered(arm.tree, joined))

    def _soldered(self, branch: Tree[str], joined: Mapping[str, Tree[str]]) -> Tree[str]:
        if isinstance(branch, Group):
            return join(branch.joined, *(self._soldered(p, joined) for p in branch.parts))
        parts = joined.get(branch.content)
        if not isinstance(parts, Group):
            return branch
        refs = leaves(parts)
        for ref in refs:
            self.kinds[ref] = self.kinds[branch.content]
            # A point between two parts in series has no name in the table of what to wire.
            self.ends[ref] = frozenset() if parts.joined == "series" else self.ends[branch.content]
        return parts

    def nodes(self, branch: Tree[str]) -> frozenset[str]:
        """List the nodes that the elements of a branch end at."""
        if isinstance(branch, Leaf):
            return self.ends[branch.content]
        return frozenset().union(*(self.nodes(p) for p in branch.parts))

    def node(self, name: str, at: Point, *, upright: bool) -> None:
        """Draw a node's dot and name on a line, as in the table of what to wire."""
        self.drawing.dot(self.at(*at), name, "left" if upright else "top")

    def width(self, branch: Tree[str]) -> float:
        """Length along its direction."""
        if isinstance(branch, Leaf):
            return _STEP
        if branch.joined == "series":
            return sum(self.width(p) for p in branch.parts)
        return max(self.width(p) for p in branch.parts) + 1.0

    def breadth(self, branch: Tree[str], upright: bool) -> float:
        """Extent across its direction, with labels."""
        if isinstance(branch, Leaf):
            label = text_width(self.labels[branch.content]) + 1.4
            return max(_UPRIGHT_GAP, label) if upright else _GAP
        breadths = (self.breadth(p, upright) for p in branch.parts)
        return sum(breadths) if branch.joined == "parallel" else max(breadths)

    def element(self, ref: str, start: Point, end: Point) -> None:
        """Draw one element with its label."""
        self.drawing.element(self.kinds[ref], self.at(*start), self.at(*end), self.labels[ref])

    def branch(self, branch: Tree[str], start: Point, length: float, shunt: bool) -> None:
        """Draw a branch from a point, along the signal's way or across it, filling a length."""
        upright = shunt is not self.downwards

        def at(along: float, across: float) -> Point:
            if shunt:
                return (start[0] + across, start[1] + along)
            return (start[0] + along, start[1] + across)

        if isinstance(branch, Leaf):
            self.element(branch.content, at(0, 0), at(length, 0))
        elif branch.joined == "series":
            scale = length / self.width(branch)
            along = 0.0
            for before, part in zip((None, *branch.parts), branch.parts, strict=False):
                for node in self.nodes(part) & (self.nodes(before) if before else frozenset()):
                    self.node(node, at(along, 0), upright=upright)
                part_length = self.width(part) * scale
                self.branch(part, at(along, 0), part_length, shunt)
                along += part_length
        else:
            across = 0.0
            for part in branch.parts:
                self.line(at(0, across), at(0.5, across))
                self.branch(part, at(0.5, across), length - 1.0, shunt)
                self.line(at(length - 0.5, across), at(length, across))
                last, across = across, across + self.breadth(part, upright)
            self.line(at(0, 0), at(0, last))
            self.line(at(length, 0), at(length, last))

    def _depth(self, arms: tuple[Arm, ...], lines: tuple[list[str], list[str]]) -> float:
        """Distance of the lines: what lies between them fits, and what hangs from the upper."""
        upper, lower = ({*line} for line in lines)
        between = [
            self.width(a.tree) for a in arms if not ({*a.nodes} <= upper or {*a.nodes} <= lower)
        ]
        hanging = [self.breadth(a.tree, self.downwards) for a in arms if {*a.nodes} <= upper]
        return max(4.0, *between, *(breadth - 0.3 for breadth in hanging))

    def ladder(
        self, arms: tuple[Arm, ...], lines: tuple[list[str], list[str]], loading: Loading
    ) -> None:
        """Upper and lower line with what lies along and between them, source and load."""
        upper, lower = lines
        along = {frozenset(a.nodes): a for a in arms}
        depth = self._depth(arms, lines)
        lead = _SHUNT_LEAD if self.downwards else _SHUNT_LEAD_UPRIGHT
        x = 3.2
        for index, node in enumerate(upper):
            if index:
                x += self._across(along, upper[index - 1], node, x, 0.0)
            self.node(node, (x, 0.0), upright=self.downwards)
            for arm in (a for a in arms if node in a.nodes and not {*a.nodes} <= {*upper}):
                branch = arm.tree if arm.nodes[0] == node else turned(arm.tree)
                self.line((x, 0), (x + lead, 0))
                x += lead
                self.branch(branch, (x, 0), depth, True)
                aside = self.breadth(branch, not self.downwards)
                aside -= _GAP if self.downwards else 0.6
                self.line((x, 0), (x + aside, 0))
                x += aside
        start = 3.2
        self.node(lower[0], (start, depth), upright=self.downwards)
        for first, second in pairwise(lower):
            start += self._across(along, first, second, start, depth)
            self.node(second, (start, depth), upright=self.downwards)
        self.line((start, depth), (x, depth))
        self._source(loading, depth)
        self._load(loading, x, depth)

    def _across(
        self, along: dict[frozenset[str], Arm], first: str, second: str, x: float, y: float
    ) -> float:
        """What lies between two nodes of a line; its length."""
        arm = along[frozenset((first, second))]
        branch = arm.tree if arm.nodes == (first, second) else turned(arm.tree)
        length = self.width(branch)
        self.branch(branch, (x, y), length, False)
        return length

    def _source(self, loading: Loading, depth: float) -> None:
        self.drawing.generator(self.at(0, depth), self.at(0, 0), "generator")
        text = format_quantity(loading.source_resistance, "ohm")
        ends = self.at(0, 0), self.at(3.2, 0)
        self.drawing.element(ElementKind.RESISTOR, *ends, f"source {text}")
        self.line((0, depth), (3.2, depth))

    def _load(self, loading: Loading, x: float, depth: float) -> None:
        near, far = x + 1.2, x + 4.2
        for y in (0.0, depth):
            self.line((x, y), (near, y))
            self.drawing.dot(self.at(near, y), open_terminal=True)
        corners = ((near, -0.6), (far, -0.6), (far, depth + 0.6), (near, depth + 0.6))
        self.line(*corners, corners[0])
        resistance = format_quantity(loading.load_resistance, "ohm")
        capacitance = format_quantity(loading.load_capacitance, "F")
        words = f"unit\nunder test\n{resistance}\n{capacitance}"
        self.drawing.words(self.at((near + far) / 2, depth / 2), words, "middle")

    def loose(self, network: Network, loading: Loading) -> None:
        """Elements side by side with the names of their nodes, source and load with them."""
        plus, minus = network.topology.output
        unit = format_quantity(loading.load_resistance, "ohm")
        cable = format_quantity(loading.load_capacitance, "F")
        source = format_quantity(loading.source_resistance, "ohm")
        resistor, capacitor = ElementKind.RESISTOR, ElementKind.CAPACITOR
        cells = [
            (resistor, f"source\n{source}", ("generator", "in")),
            *((e.kind, self.labels[e.ref], e.nodes) for e in network.topology.elements),
            (resistor, f"unit\n{unit}", (plus, minus)),
            (capacitor, f"unit, cable\n{cable}", (plus, minus)),
        ]
        for index, (kind, label, nodes) in enumerate(cells):
            row, column = divmod(index, _NARROW_COLUMNS if self.downwards else _COLUMNS)
            x, y = (_STEP + 2.0) * column, -1.2 * _GAP * row
            self.drawing.element(kind, (x, y), (x + _STEP, y), label)
            for at, node in zip((x, x + _STEP), nodes, strict=True):
                self.drawing.dot((at, y), node, "bottom", open_terminal=True)
