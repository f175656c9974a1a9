"""The schematic of a network with its values, drawn with schemdraw as SVG."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

from antecurve.networks.series_parallel import Arm, Branch, branches_of
from antecurve.networks.topology import ElementKind, Loading, Network
from antecurve.parts.position import PickedNetwork
from antecurve.quantities import format_quantity

if TYPE_CHECKING:
    import schemdraw

__all__ = ["schematic_png", "schematic_svg", "value_labels"]

_STEP = 3.0
_COLUMNS = 4
_GAP = 1.9
_SIDEWAYS = 1.45  # upright elements have their labels beside them
_FONT_SIZE = 15.0
_NODE_FONT_SIZE = 13.0


def value_labels(picked: PickedNetwork) -> dict[str, str]:
    """Label each position by reference and value, as drawn beside it.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.

    Returns
    -------
    dict of str to str
        Two lines by reference.
    """
    return {
        p.element.ref: f"{p.element.ref}\n{format_quantity(p.value, p.element.kind.unit)}"
        for p in picked.positions
    }


def schematic_svg(
    network: Network,
    *,
    loading: Loading,
    labels: dict[str, str],
    colour: str = "currentColor",
    ground: str | None = None,
) -> str:
    """Draw the schematic as SVG, source and load included.

    Parameters
    ----------
    network : Network
        The network.
    loading : Loading
        Source and load.
    labels : dict of str to str
        Text beside each element, by reference.
    colour : str, optional
        Colour of lines and text; by default that of the surroundings.
    ground : str, optional
        Colour behind them; by default none.

    Returns
    -------
    str
        One ``<svg>`` element.  A network with bridges is drawn as its elements side by side
        with their nodes.
    """
    data = _drawn(network, loading, labels, colour, ground, "svg")
    text = data.decode()
    return text[text.index("<svg") :]


def schematic_png(network: Network, *, loading: Loading, labels: dict[str, str]) -> bytes:
    """Draw the schematic as PNG, black on white.

    Parameters
    ----------
    network : Network
        The network.
    loading : Loading
        Source and load.
    labels : dict of str to str
        Text beside each element, by reference.

    Returns
    -------
    bytes
        The picture.
    """
    return _drawn(network, loading, labels, "black", "white", "png")


def _drawn(
    network: Network,
    loading: Loading,
    labels: dict[str, str],
    colour: str,
    ground: str | None,
    kind: str,
) -> bytes:
    """The schematic as SVG or PNG."""
    import schemdraw
    from schemdraw import elements as parts

    kinds = {e.ref: e.kind for e in network.topology.elements}
    canvas = "svg" if kind == "svg" else "matplotlib"
    schemdraw.use(canvas)
    with schemdraw.Drawing(show=False, canvas=canvas) as drawing:
        drawing.config(fontsize=_FONT_SIZE, color=colour, lw=1.4, font="sans-serif")
        if ground is not None:
            drawing.config(bgcolor=ground)
        ends = {e.ref: frozenset(e.nodes) for e in network.topology.elements}
        painter = _Painter(drawing, parts, kinds, labels, ends)
        arms = branches_of(network.topology)
        lines = _main_lines(arms, network.topology.output)
        if lines is None:
            painter.loose(network, loading)
        else:
            painter.ladder(arms, lines, loading)
        data = drawing.get_imagedata(kind)
    return data if isinstance(data, bytes) else str(data).encode()


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
    """Draws branches at given points; widths in drawing units."""

    def __init__(
        self,
        drawing: schemdraw.Drawing,
        parts: Any,
        kinds: dict[str, ElementKind],
        labels: dict[str, str],
        ends: dict[str, frozenset[str]],
    ) -> None:
        self.drawing = drawing
        self.parts = parts
        self.kinds = kinds
        self.labels = labels
        self.ends = ends

    def nodes(self, branch: Branch) -> frozenset[str]:
        """The nodes that the elements of a branch end at."""
        if branch.joined == "element":
            return self.ends[branch.ref]
        return frozenset().union(*(self.nodes(p) for p in branch.parts))

    def node(self, name: str, at: tuple[float, float], side: str = "top") -> None:
        """A node's dot and name, as in the table of what to wire."""
        dot = self.parts.Dot(radius=0.06).at(at)
        self.drawing.add(dot.label(name, loc=side, ofst=0.12, fontsize=_NODE_FONT_SIZE))

    def width(self, branch: Branch) -> float:
        """Length along its direction."""
        if branch.joined == "element":
            return _STEP
        if branch.joined == "series":
            return sum(self.width(p) for p in branch.parts)
        return max(self.width(p) for p in branch.parts) + 1.0

    def height(self, branch: Branch) -> float:
        """Extent across its direction."""
        if branch.joined == "element":
            return _GAP
        if branch.joined == "parallel":
            return sum(self.height(p) for p in branch.parts)
        return max(self.height(p) for p in branch.parts)

    def line(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        """A wire."""
        if start != end:
            self.drawing.add(self.parts.Line().at(start).to(end))

    def shape(self, ref: str) -> Any:
        """The symbol of an element."""
        resistor = self.kinds[ref] is ElementKind.RESISTOR
        return self.parts.ResistorIEC if resistor else self.parts.Capacitor

    def element(self, ref: str, start: tuple[float, float], end: tuple[float, float]) -> None:
        """One element with its label."""
        upright = start[0] == end[0]
        drawn = self.shape(ref)().at(start).to(end)
        location = "bottom" if upright else "top"
        self.drawing.add(drawn.label(self.labels[ref], loc=location, ofst=0.15))

    def branch(self, branch: Branch, start: tuple[float, float], length: float, down: bool) -> None:
        """A branch from a point, across or downwards, filling a length."""

        def at(along: float, across: float) -> tuple[float, float]:
            if down:
                return (start[0] + across, start[1] - along)
            return (start[0] + along, start[1] - across)

        if branch.joined == "element":
            self.element(branch.ref, at(0, 0), at(length, 0))
        elif branch.joined == "series":
            scale = length / self.width(branch)
            along = 0.0
            for before, part in zip((None, *branch.parts), branch.parts, strict=False):
                for node in self.nodes(part) & (self.nodes(before) if before else frozenset()):
                    self.node(node, at(along, 0), "left" if down else "top")
                part_length = self.width(part) * scale
                self.branch(part, at(along, 0), part_length, down)
                along += part_length
        else:
            across = 0.0
            for part in branch.parts:
                self.line(at(0, across), at(0.5, across))
                self.branch(part, at(0.5, across), length - 1.0, down)
                self.line(at(length - 0.5, across), at(length, across))
                last, across = across, across + self.height(part) * (_SIDEWAYS if down else 1.0)
            self.line(at(0, 0), at(0, last))
            self.line(at(length, 0), at(length, last))

    def ladder(
        self, arms: tuple[Arm, ...], lines: tuple[list[str], list[str]], loading: Loading
    ) -> None:
        """Upper and lower line with what lies along and between them, source and load."""
        upper, lower = lines
        along = {frozenset(a.nodes): a for a in arms}
        depth = 0.0
        for arm in arms:
            if not ({*arm.nodes} <= {*upper} or {*arm.nodes} <= {*lower}):
                depth = max(depth, self.width(arm.branch))
            elif {*arm.nodes} <= {*upper}:
                depth = max(depth, self.height(arm.branch) - 0.6)
        depth = max(depth, 4.0)
        x = 3.2
        for index, node in enumerate(upper):
            if index:
                x += self._place(along, upper[index - 1], node, x, 0.0)
            self.node(node, (x, 0.0))
            shunts = [a for a in arms if node in a.nodes and not {*a.nodes} <= {*upper}]
            for arm in shunts:
                branch = arm.branch if arm.nodes[0] == node else _reverse(arm.branch)
                self.line((x, 0), (x + 1.0, 0))
                x += 1.0
                self.branch(branch, (x, 0), depth, True)
                aside = _SIDEWAYS * self.height(branch) - 0.6
                self.line((x, 0), (x + aside, 0))
                x += aside
        start = 3.2
        self.node(lower[0], (start, -depth))
        for first, second in pairwise(lower):
            start += self._place(along, first, second, start, -depth)
            self.node(second, (start, -depth))
        self.line((start, -depth), (x, -depth))
        self._source(loading, depth)
        self._load(loading, x, depth)

    def _place(
        self, along: dict[frozenset[str], Arm], first: str, second: str, x: float, y: float
    ) -> float:
        arm = along[frozenset((first, second))]
        branch = arm.branch if arm.nodes == (first, second) else _reverse(arm.branch)
        length = self.width(branch)
        self.branch(branch, (x, y), length, False)
        return length

    def _source(self, loading: Loading, depth: float) -> None:
        emf = self.parts.SourceSin().at((0, -depth)).to((0, 0))
        self.drawing.add(emf.label("generator", loc="bottom"))
        text = format_quantity(loading.source_resistance, "ohm")
        resistor = self.parts.ResistorIEC().at((0, 0)).to((3.2, 0))
        self.drawing.add(resistor.label(f"source {text}", loc="top", ofst=0.15))
        self.line((0, -depth), (3.2, -depth))

    def _load(self, loading: Loading, x: float, depth: float) -> None:
        left, right = x + 1.2, x + 4.2
        for y in (0.0, -depth):
            self.drawing.add(self.parts.Dot(open=True).at((left, y)))
            self.line((x, y), (left, y))
        top, bottom = 0.6, -depth - 0.6
        corners = ((left, top), (right, top), (right, bottom), (left, bottom))
        for start, end in zip(corners, (*corners[1:], corners[0]), strict=True):
            self.line(start, end)
        resistance = format_quantity(loading.load_resistance, "ohm")
        capacitance = format_quantity(loading.load_capacitance, "F")
        words = f"unit\nunder test\n{resistance}\n{capacitance}"
        middle = ((left + right) / 2, -depth / 2 - 0.4)
        self.drawing.add(self.parts.Label().at(middle).label(words))

    def loose(self, network: Network, loading: Loading) -> None:
        """Elements side by side with the names of their nodes, source and load with them."""
        plus, minus = network.topology.output
        unit = format_quantity(loading.load_resistance, "ohm")
        cable = format_quantity(loading.load_capacitance, "F")
        source = format_quantity(loading.source_resistance, "ohm")
        cells = [
            (self.parts.ResistorIEC, f"source\n{source}", ("generator", "in")),
            *((self.shape(e.ref), self.labels[e.ref], e.nodes) for e in network.topology.elements),
            (self.parts.ResistorIEC, f"unit\n{unit}", (plus, minus)),
            (self.parts.Capacitor, f"unit, cable\n{cable}", (plus, minus)),
        ]
        for index, (shape, label, nodes) in enumerate(cells):
            row, column = divmod(index, _COLUMNS)
            x, y = (_STEP + 2.0) * column, -1.2 * _GAP * row
            drawn = shape().at((x, y)).to((x + _STEP, y))
            self.drawing.add(drawn.label(label, loc="top", ofst=0.15))
            for at, node, side in ((x, nodes[0], "bottom"), (x + _STEP, nodes[1], "bottom")):
                dot = self.parts.Dot(open=True).at((at, y))
                self.drawing.add(dot.label(node, loc=side, fontsize=_NODE_FONT_SIZE))


def _reverse(branch: Branch) -> Branch:
    parts = tuple(_reverse(p) for p in branch.parts)
    return Branch(branch.joined, branch.ref, parts[::-1] if branch.joined == "series" else parts)
