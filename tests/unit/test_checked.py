"""Arguments are checked by annotation, also where the class is imported for type checkers only."""

from __future__ import annotations

import importlib
import pkgutil
import sys
import types
from pathlib import Path

import pytest

import antecurve
from antecurve.checked import _imported_for_type_checkers, checked
from antecurve.errors import InputError
from antecurve.networks.topology import Element, ElementKind

SOURCE = """
from __future__ import annotations
from typing import TYPE_CHECKING
if TYPE_CHECKING:
    from antecurve.networks.topology import Element
    from antecurve.curves.model import Curve as Emphasis

def describe(element: Element, curve: Emphasis | None = None) -> str:
    return element.ref
"""


def test_a_class_imported_for_type_checkers_only_is_checked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "described.py"
    path.write_text(SOURCE)
    module = types.ModuleType("described")
    module.__file__ = str(path)
    monkeypatch.setitem(sys.modules, "described", module)
    exec(compile(SOURCE, str(path), "exec"), vars(module))
    describe = checked(module.describe)
    assert "Element" not in vars(antecurve)["__all__"]
    with pytest.raises(InputError, match="element: received 'R1'; it must be an Element"):
        describe("R1")
    with pytest.raises(InputError, match="it must be a Curve"):
        describe(Element("R1", ElementKind.RESISTOR, ("in", "out")), antecurve.default_job())


def test_every_import_for_type_checkers_names_what_exists() -> None:
    missing = []
    for module in pkgutil.walk_packages(antecurve.__path__, "antecurve."):
        if "__main__" in module.name:
            continue
        importlib.import_module(module.name)
        for home, name in _imported_for_type_checkers(module.name).values():
            if not hasattr(importlib.import_module(home), name):
                missing.append(f"{module.name}: {home}.{name}")
    assert missing == []
