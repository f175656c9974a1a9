"""The examples in docstrings give what they show."""

from __future__ import annotations

import ast
import doctest
import importlib
import inspect
from pathlib import Path
from types import ModuleType

import pytest

import antecurve

SOURCE = Path(antecurve.__file__).parent
PROMPT = ">>> "
TEXTS = {path: path.read_text(encoding="utf-8") for path in sorted(SOURCE.rglob("*.py"))}
WITH_EXAMPLES = {
    ".".join(path.relative_to(SOURCE.parent).with_suffix("").parts).removesuffix(".__init__"): text
    for path, text in TEXTS.items()
    if PROMPT in text
}


class _Finder(doctest.DocTestFinder):
    """Finds the examples of decorated functions as well."""

    def _from_module(self, module: ModuleType | None, object: object) -> bool:  # noqa: A002
        return super()._from_module(module, inspect.unwrap(object))  # type: ignore[misc,arg-type]


def _docstrings_with_examples(text: str) -> int:
    kinds = ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef
    nodes = (node for node in ast.walk(ast.parse(text)) if isinstance(node, kinds))
    return sum(PROMPT in (ast.get_docstring(node) or "") for node in nodes)


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_examples_give_what_they_show(name: str) -> None:
    docstrings = [t for t in _Finder().find(importlib.import_module(name), name) if t.examples]
    assert len(docstrings) == _docstrings_with_examples(WITH_EXAMPLES[name])
    for examples in docstrings:
        wrong: list[str] = []
        doctest.DocTestRunner(verbose=False).run(examples, out=wrong.append)
        assert wrong == []


def test_a_wrong_example_is_noticed() -> None:
    wrong: list[str] = []
    examples = doctest.DocTestParser().get_doctest(">>> 1 + 1\n3\n", {}, "wrong", None, None)
    doctest.DocTestRunner(verbose=False).run(examples, out=wrong.append)
    assert "Expected:\n    3" in "".join(wrong)
