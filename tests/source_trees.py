"""Modules parsed once for all tests that read them."""

from __future__ import annotations

import ast
import functools
import gc
from pathlib import Path


@functools.cache
def nodes(path: Path) -> tuple[ast.AST, ...]:
    """Every node of a module, the module itself first."""
    looking_for_garbage = gc.isenabled()
    gc.disable()  # none of it is garbage: to look doubles the time
    try:
        return tuple(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
    finally:
        if looking_for_garbage:
            gc.enable()


def tree(path: Path) -> ast.Module:
    """A module as it is parsed."""
    module = nodes(path)[0]
    assert isinstance(module, ast.Module)
    return module
