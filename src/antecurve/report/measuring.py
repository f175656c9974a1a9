"""Sound devices as a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from antecurve.quantities import format_quantity
from antecurve.report.text_table import TextTable, column, table_of

if TYPE_CHECKING:
    from antecurve.sound.interface import Device

__all__ = ["device_rows"]


def device_rows(devices: Sequence[Device]) -> TextTable:
    """Lay out sound devices.

    Parameters
    ----------
    devices : sequence of Device
        The devices.

    Returns
    -------
    TextTable
        One row a device.
    """
    return table_of(
        column("number", (d.number for d in devices)),
        column("device", (d.name for d in devices), right=False),
        column("inputs", (d.inputs for d in devices)),
        column("outputs", (d.outputs for d in devices)),
        column("usual rate", (format_quantity(d.rate_hz, "Hz") for d in devices)),
        column("default for", (d.usual or "-" for d in devices), right=False),
    )
