"""Names that say nothing are not used, and a function reads without turning the page."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import antecurve

SOURCE = Path(antecurve.__file__).parent
TESTS = Path(__file__).parent.parent
FILES = sorted(SOURCE.rglob("*.py")) + sorted(TESTS.rglob("*.py"))
EMPTY = {"found", "rest", "left", "place", "some", "everything"}


def _bound(tree: ast.AST) -> Iterator[tuple[str, int]]:
    """Each name that a piece of code binds, with its line."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id, node.lineno
        elif isinstance(node, ast.arg):
            yield node.arg, node.lineno
        elif isinstance(node, ast.FunctionDef | ast.ClassDef | ast.ExceptHandler) and node.name:
            yield node.name, node.lineno
        elif isinstance(node, ast.alias) and node.asname:
            yield node.asname, node.lineno


def test_names_say_what_a_thing_is() -> None:
    for path in FILES:
        names = list(_bound(ast.parse(path.read_text(encoding="utf-8"))))
        # Beside a right there may be a left.
        sides = {"left"} if any(name == "right" for name, _ in names) else set()
        empty = [f"{path}:{line} {name}" for name, line in names if name in EMPTY - sides]
        assert empty == []


def test_an_empty_name_is_noticed() -> None:
    code = "def f(rest):\n    for place in rest:\n        found, some = place\n    left = 1\n"
    assert {name for name, _ in _bound(ast.parse(code))} & EMPTY == EMPTY - {"everything"}
