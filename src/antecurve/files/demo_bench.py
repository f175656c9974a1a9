"""The demo bench of a small sound archive, as files of a bench's folder; its data is invented."""

from __future__ import annotations

from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from antecurve.errors import FileFormatError

__all__ = ["DEMO_BOX", "DEMO_NETWORK", "demo_files"]

DEMO_NETWORK = "Archive disc"
"""Name of the network of the demo bench."""
DEMO_BOX = "Archive box"
"""Name of the demo bench's box with several curves."""

_CAPTURES = {
    "unit-a": ("unit-a-200hz.csv", "unit-a-30hz.csv"),
    "unit-b": ("unit-b-200hz.csv", "unit-b-30hz.csv"),
}


def _data() -> Traversable:
    """Where the demo data is: inside an installed package, else beside its source."""
    inside = resources.files("antecurve") / "data"
    beside = Path(__file__).parents[3] / "data"
    return inside if inside.is_dir() else beside


def demo_files() -> dict[str, dict[str, bytes]]:
    """Collect the files of the demo bench.

    Returns
    -------
    dict of str to dict of str to bytes
        Contents by name, by folder relative to that of the bench: a network, a box with
        several curves, and captures of two units, one of them faulty.

    Raises
    ------
    FileFormatError
        When the installation lacks them.
    """
    data = _data()

    def files(names: dict[str, str]) -> dict[str, bytes]:
        try:
            return {new: (data / old).read_bytes() for old, new in names.items()}
        except OSError:
            raise FileFormatError.unreadable(
                data, "the demo data is missing", "install the package again"
            ) from None

    job = files({"bench.toml": "job.toml", "drawer.csv": "drawer.csv"})
    box = files({"box.toml": "job.toml"})
    captures = {
        f"captures/{unit}": files({name: name for name in names})
        for unit, names in _CAPTURES.items()
    }
    circuit = files({"unit-b.toml": "unit-b.toml"})
    networks = {f"networks/{DEMO_NETWORK}": job, f"networks/{DEMO_BOX}": box}
    return {**networks, **captures, "circuits": circuit}
