"""Packages that only some results need: the extras of the installation."""

from __future__ import annotations

import importlib

from antecurve.errors import MissingExtraError

__all__ = ["require_extra"]

_EXTRAS = {
    "plots": ("matplotlib.figure", "pictures in pixels and figures in notebooks"),
    "xlsx": ("openpyxl", "workbooks"),
    "sound": ("soundfile", "sound files"),
}
"""The module of each extra, and what needs it."""


def require_extra(extra: str) -> None:
    """Import the package of an extra, or say how to install it.

    Parameters
    ----------
    extra : str
        An extra of ``pyproject.toml``: ``plots``, ``xlsx`` or ``sound``.

    Raises
    ------
    MissingExtraError
        When the package is missing, or a library of the system that it needs.
    """
    module, purpose = _EXTRAS[extra]
    try:
        importlib.import_module(module)
    except (ImportError, OSError):  # the latter where the system lacks libsndfile
        raise MissingExtraError(extra, purpose) from None
