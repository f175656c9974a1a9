"""Names say what a thing is, constants why they have their value, and functions are short."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator
from pathlib import Path

import antecurve
from source_trees import nodes, tree

SOURCE = Path(antecurve.__file__).parent
TESTS = Path(__file__).parent.parent
FILES = sorted(SOURCE.rglob("*.py")) + sorted(TESTS.rglob("*.py"))
EMPTY = {"found", "rest", "left", "place", "some", "everything"}


def _bound(nodes: Iterable[ast.AST]) -> Iterator[tuple[str, int]]:
    """Each name that a piece of code binds, with its line."""
    for node in nodes:
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
        names = list(_bound(nodes(path)))
        # Beside a right there may be a left.
        sides = {"left"} if any(name == "right" for name, _ in names) else set()
        empty = [f"{path}:{line} {name}" for name, line in names if name in EMPTY - sides]
        assert empty == []


def test_an_empty_name_is_noticed() -> None:
    code = "def f(rest):\n    for place in rest:\n        found, some = place\n    left = 1\n"
    assert {name for name, _ in _bound(ast.walk(ast.parse(code)))} & EMPTY == EMPTY - {"everything"}


def _functions(nodes: Iterable[ast.AST]) -> Iterator[tuple[str, int]]:
    """Each function of a piece of code, with the lines of its body behind the docstring."""
    for node in nodes:
        if isinstance(node, ast.FunctionDef):
            body = node.body[1:] if ast.get_docstring(node) else node.body
            length = body[-1].end_lineno or 0 if body else 0
            yield node.name, length - body[0].lineno + 1 if body else 0


def test_functions_are_read_at_a_glance() -> None:
    for path in sorted(SOURCE.rglob("*.py")):
        functions = _functions(nodes(path))
        assert [(path, name, lines) for name, lines in functions if lines > 50] == []


def _is_number(node: ast.AST) -> bool:
    """Whether an expression is worked out from numbers alone, at least one."""
    allowed = (
        ast.Constant, ast.Tuple, ast.BinOp, ast.UnaryOp, ast.operator, ast.unaryop,
        ast.expr_context,
    )  # fmt: skip
    parts = list(ast.walk(node))
    constants = [part.value for part in parts if isinstance(part, ast.Constant)]
    return all(isinstance(part, allowed) for part in parts) and all(
        isinstance(value, int | float) and not isinstance(value, bool) for value in constants
    )


def _without_reason(code: str, module: ast.Module) -> list[str]:
    """Private numeric constants of a module without a comment on, above or below them."""
    lines = ["", *code.splitlines(), ""]
    silent = []
    for node in module.body:
        if isinstance(node, ast.Assign) and _is_number(node.value):
            name, last = ast.unparse(node.targets[0]), node.end_lineno or node.lineno
            near = lines[node.lineno : last + 1]
            beside = (lines[node.lineno - 1], lines[last + 1])
            spoken = any("#" in line for line in near)
            spoken = spoken or any(line.startswith(("#", '"""')) for line in beside)
            if name.lstrip("(").startswith("_") and not spoken:
                silent.append(name)
    return silent


def test_constants_say_why_they_have_their_value() -> None:
    silent = {
        path.name: _without_reason(path.read_text("utf-8"), tree(path))
        for path in SOURCE.rglob("*.py")
    }
    assert {name: constants for name, constants in silent.items() if constants} == {}


def test_a_constant_without_a_reason_is_noticed() -> None:
    code = "_A = 2.0\n_B, _C = 1, -3\n_D = 4  # why\n# why\n_E = 5\n"
    assert _without_reason(code, ast.parse(code)) == ["_A", "(_B, _C)"]
