"""The parts on hand that a job names."""

from __future__ import annotations

from antecurve.job import Job
from antecurve.networks.topology import ElementKind
from antecurve.parts.drawer import Drawer, DrawerEntry

__all__ = ["read_job_drawer"]


def read_job_drawer(job: Job) -> Drawer | None:
    """Read the drawers that a job names for resistors and for capacitors.

    Parameters
    ----------
    job : Job
        The job.

    Returns
    -------
    Drawer or None
        Parts of each kind from the file named for that kind; ``None`` where none is named.

    Raises
    ------
    FileFormatError
        When a file can't be read or a row can't be used.
    """
    entries: list[DrawerEntry] = []
    names: list[str] = []
    for kind, stock in (
        (ElementKind.RESISTOR, job.resistors),
        (ElementKind.CAPACITOR, job.capacitors),
    ):
        if stock.drawer is not None:
            from antecurve.files.drawer import read_drawer

            drawer = read_drawer(stock.drawer)
            entries += drawer.of_kind(kind)
            names.append(drawer.name)
    return Drawer(tuple(entries), " and ".join(dict.fromkeys(names))) if names else None
