"""Designs and boxes of the folder, read once and kept while their file stays as it is."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from antecurve.app.pages import Bench, bench_of
from antecurve.errors import AntecurveError, InputError
from antecurve.files.box_file import read_design_and_box
from antecurve.files.design_file import design_content
from antecurve.switched.box import Box, box_positions
from antecurve.switched.box_build import values_at_throw

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.requests import Request

    from antecurve.app.computations import Computation, Report
    from antecurve.parts.position import PickedNetwork
    from antecurve.pipeline import Design

__all__ = [
    "Analysed",
    "Chosen",
    "Made",
    "analyse_made",
    "analysed_design",
    "chosen_design",
    "design_key",
    "designed_network",
    "designed_networks",
    "load_design",
    "network_topic",
    "read_made",
    "switch_positions",
]


@dataclass(frozen=True, slots=True)
class Made:
    """What the search came to for a network.

    Attributes
    ----------
    designs : tuple of Design
        The design; of a box one for each position of its switch, in order.
    box : Box or None
        The box; ``None`` for a network of one curve.
    """

    designs: tuple[Design, ...]
    box: Box | None

    @property
    def positions(self) -> tuple[str, ...]:
        """Names of the positions of the switch; empty without one."""
        return self.box.names if self.box is not None else ()

    @property
    def parts(self) -> PickedNetwork:
        """Every part, those of a box under the references of its parts list."""
        return self.designs[0].picked if self.box is None else box_positions(self.box)

    @property
    def alternatives(self) -> int:
        """How many alternatives the search lists beside the pick."""
        if self.box is not None:
            return len(self.box.alternatives)
        return max(0, len(self.designs[0].shortlist) - 1)

    def values_at(self, throw: int, measured: Mapping[str, float]) -> Mapping[str, float]:
        """Choose the measured values that count at a position of the switch.

        Parameters
        ----------
        throw : int
            Number of the throw, from 1.
        measured : mapping of str to float
            Values [ohm or F] by the references of `parts`.

        Returns
        -------
        mapping of str to float
            Values by the references of the design there.
        """
        return measured if self.box is None else values_at_throw(self.box, throw, measured)

    def throw(self, position: str) -> int:
        """Look up a position of the switch.

        Parameters
        ----------
        position : str
            Its name; empty for the first, or where there is no switch.

        Returns
        -------
        int
            Number of the throw, from 1.

        Raises
        ------
        InputError
            When there is no such position.
        """
        if not position:
            return 1
        if self.box is None:
            raise InputError("position", position, "this network has no switch")
        return self.positions.index(self.box.job.position(position).name) + 1


Analysed = tuple[tuple[str, int, int] | None, Made]
"""The state of a design's file, and what it holds with its analyses."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """The design that a page is about.

    Attributes
    ----------
    bench : Bench
        The bench.
    folder : Path
        Folder of the network.
    made : Made
        What the search came to.
    throw : int
        Number of the throw that the page shows, from 1; 1 where there is no switch.
    """

    bench: Bench
    folder: Path
    made: Made
    throw: int

    @property
    def design(self) -> Design:
        """The design, of a box that of the position."""
        return self.made.designs[self.throw - 1]

    @property
    def position(self) -> str:
        """Name of the position of the switch; empty where there is none."""
        return self.made.positions[self.throw - 1] if self.made.positions else ""

    @property
    def named(self) -> str:
        """The network by its name, of a box with the position."""
        return ", ".join(filter(None, (self.folder.name, self.position)))

    def content(self) -> dict[str, Any]:
        """Collect what every page about a network shows.

        Returns
        -------
        dict of str to object
            Name of the network, positions of its switch, and the one that is shown.
        """
        return {
            "name": self.folder.name, "positions": self.made.positions, "position": self.position,
        }  # fmt: skip


def design_key(folder: Path) -> tuple[str, int, int] | None:
    """Tell one state of a design's file from another.

    Parameters
    ----------
    folder : Path
        Folder of the network.

    Returns
    -------
    tuple or None
        The file, when it was written and its size; ``None`` where there is none.
    """
    path = folder / "design.json"
    try:
        state = path.stat()
    except OSError:
        return None
    return str(path), state.st_mtime_ns, state.st_size


def load_design(bench: Bench, folder: Path) -> Made | None:
    """Read what was made of a network, without its analyses.

    Parameters
    ----------
    bench : Bench
        Where it is kept.
    folder : Path
        Folder of the network.

    Returns
    -------
    Made or None
        ``None`` where there is no design.
    """
    key = design_key(folder)
    if key is None:
        return None
    made: Made | None = bench.kept.get(key)
    if made is None:
        made = read_made(folder)
        bench.keep(key, made)
    return made


def network_topic(folder: Path) -> str:
    """Name what the computations of a network are about.

    Parameters
    ----------
    folder : Path
        Folder of the network.

    Returns
    -------
    str
        The topic.
    """
    return f"network {folder.name}"


def analysed_design(bench: Bench, folder: Path) -> tuple[Made | None, Computation | None]:
    """Look up what was made of a network, with its analyses; they are computed where need be.

    Parameters
    ----------
    bench : Bench
        Where it is kept.
    folder : Path
        Folder of the network.

    Returns
    -------
    Made or None
        ``None`` where there is no design, or its analyses are on their way.
    Computation or None
        The one that works them out, as it stands now; ``None`` where none is needed.
    """
    key = design_key(folder)
    if key is None:
        return None, None
    reading = f"analyses {key}"
    kept: Made | None = bench.kept.get(("analysed", *key))
    if kept is not None:
        return kept, None
    for topic in (network_topic(folder), reading):
        ended = bench.computations.latest(topic)
        if ended is not None and ended.result is not None and ended.result[0] == key:
            bench.keep(("analysed", *key), ended.result[1])
            return ended.result[1], None
    latest = bench.computations.latest(reading)
    if latest is None or latest.state in ("done", "cancelled"):
        bench.computations.start(analyse_made, folder, topic=reading, title="Reading the design")
    return None, bench.computations.latest(reading)


def switch_positions(bench: Bench, folder: Path) -> tuple[str, ...] | None:
    """Look up the positions of the switch of a network, without its analyses.

    Parameters
    ----------
    bench : Bench
        Where they are kept.
    folder : Path
        Folder of the network.

    Returns
    -------
    tuple of str or None
        Empty where it has no switch; ``None`` where there is no design that can be read.
    """
    key = design_key(folder)
    if key is None:
        return None
    kept = ("positions", *key)
    if kept not in bench.kept:
        try:
            content = design_content(folder / "design.json")
        except AntecurveError:
            return None
        bench.keep(kept, tuple(str(p["position"]) for p in content.get("positions") or ()))
    positions: tuple[str, ...] = bench.kept[kept]
    return positions


def designed_networks(bench: Bench) -> list[tuple[str, str]]:
    """List the networks that have parts, a box once for each position of its switch.

    Parameters
    ----------
    bench : Bench
        The bench.

    Returns
    -------
    list of tuple of str
        What a form asks for each with, and its words.
    """
    listed = []
    for name in bench.folder.networks:
        positions = switch_positions(bench, bench.folder.network(name))
        if positions == ():
            listed.append((name, name))
        for position in positions or ():
            listed.append((f"{name}/{position}", f"{name}, position {position}"))
    return listed


def designed_network(bench: Bench, asked: str) -> tuple[str, str]:
    """Understand which network a form asks for.

    Parameters
    ----------
    bench : Bench
        The bench.
    asked : str
        As `designed_networks` lists it.

    Returns
    -------
    name, position : str
        The network, and the position of its switch; empty where it has none.

    Raises
    ------
    InputError
        When there is no such network or position, or no design yet.
    """
    name, _, position = asked.partition("/")
    positions = switch_positions(bench, bench.folder.existing_network(name))
    if positions is None:
        raise InputError("network", name, "it has no parts yet; find parts first")
    if position not in (positions or ("",)):
        rule = f"choose one of {', '.join(positions)}" if positions else "it has no switch"
        raise InputError("network", asked, rule)
    return name, position


def read_made(folder: Path) -> Made:
    """Read what was made of a network.

    Parameters
    ----------
    folder : Path
        Folder of the network; its ``design.json`` is there.

    Returns
    -------
    Made
        Without its analyses, which are worked out when asked for.
    """
    design, box = read_design_and_box(folder / "design.json")
    return Made((design,) if box is None else box.designs, box)


def analyse_made(report: Report, folder: Path) -> Analysed:
    """Read what was made of a network, and work out its analyses.

    Parameters
    ----------
    report : callable
        Takes a sentence on how far it is.
    folder : Path
        Folder of the network.

    Returns
    -------
    tuple
        The state of the design's file, and what it holds with its analyses.
    """
    key, made = design_key(folder), read_made(folder)
    for number, each in enumerate(made.designs, start=1):
        report(f"Analyses: {number} of {len(made.designs)}.")
        each.analysis  # noqa: B018 - worked out here and kept with the design
    return key, made


def chosen_design(request: Request) -> Chosen:
    """Read the design that a page is about.

    Parameters
    ----------
    request : Request
        Its path names the network, its query the ``position`` of a switch.

    Returns
    -------
    Chosen
        The design.

    Raises
    ------
    InputError
        When there is no such network or position, or no design yet.
    """
    bench, name = bench_of(request), request.path_params["name"]
    folder = bench.folder.existing_network(name)
    made = load_design(bench, folder)
    if made is None:
        raise InputError("design", name, "it has no parts yet; find parts first")
    return Chosen(bench, folder, made, made.throw(request.query_params.get("position", "")))
