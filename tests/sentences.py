"""Every sentence that the program can print, collected from its source.

Run as a program (``python tests/sentences.py``) it writes ``tests/data/sentences.txt`` anew;
``tests/unit/test_sentences.py`` compares, and holds what is said there to twenty words.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from source_trees import nodes, tree

ROOT = Path(__file__).parents[1] / "src" / "antecurve"
LISTED = Path(__file__).parent / "data" / "sentences.txt"
MOST_WORDS = 20  # that are read aloud in one breath
_LEAST_WORDS = 4  # fewer are names, units and labels
_WORD = re.compile(r"\{\}|[A-Za-zµ°Ω%][\w'’.-]*")
_SPOKEN = re.compile(
    r"\{\}|\b(?![RT][cpqsz]\b)(?:[A-Za-z][a-z][\w'’-]*|dB|a|I)\b|(?<![\w(/])\d[\d.,]*(?![\w/])"
)
_END = re.compile(r"(?<=[.?!])\s+(?=[A-Z{(])|\n+")
_MARKUP = re.compile(r"[<>]\w|</|\\[a-z]|\[\\|^\s*[#%\[]|;\w|fill=|=\"|\$|-src '|SameSite=|var\(")
_QUERY = re.compile(r"\s*(?:\{\} )?(?:SELECT|WITH|INSERT|DELETE|WHERE|PRAGMA|CREATE|BEGIN) ")
_INLINE = re.compile(r"</?(?:a|b|code|em|i|kbd|output|span|sub|sup)\b[^>]*>")
_SILENT = {"compile", "match", "sub", "search", "split", "field", "add_argument"}


def _text(node: ast.AST) -> str | None:
    """A string with {} for each value put into it; nothing where it is no string."""
    if isinstance(node, ast.Constant):
        return node.value if isinstance(node.value, str) else None
    if isinstance(node, ast.JoinedStr):
        parts = (v.value if isinstance(v, ast.Constant) else "{}" for v in node.values)
        return "".join(str(part) for part in parts)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        sides = (_text(node.left), _text(node.right))
        if any(side is not None for side in sides):
            return "".join("{}" if side is None else side for side in sides)
    return None


def _documentation(path: Path) -> set[ast.AST]:
    """Docstrings, of attributes as well, and what only the checker of types reads."""
    silent: set[ast.AST] = set()
    for node in nodes(path):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            silent.add(node.value)
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            if name in _SILENT or getattr(node.func, "id", "") in {"cast", "TypeVar"}:
                silent.update(*(set(ast.walk(a)) for a in node.args))
    return silent


def _strings(node: ast.AST, silent: set[ast.AST]) -> Iterator[str]:
    """Strings under a node, each as long as it is written."""
    if node in silent:
        return
    text = _text(node)
    if text is not None:
        yield text
        inner = [v.value for v in getattr(node, "values", []) if isinstance(v, ast.FormattedValue)]
    else:
        inner = list(ast.iter_child_nodes(node))
    for child in inner:
        yield from _strings(child, silent)


def _helps(module: ast.Module, path: Path) -> Iterator[str]:
    """Docstrings of the commands, which ``--help`` prints."""
    if path.parent.name != "cli":
        return
    for node in module.body:
        if isinstance(node, ast.FunctionDef) and node.name == path.stem:
            help_text = (ast.get_docstring(node) or "").partition("\b")[0]
            yield from (" ".join(block.split()) for block in help_text.split("\n\n"))


def sentences(path: Path) -> list[str]:
    """Sentences of a module, a page's template or its script, in the order of the source."""
    source = path.read_text(encoding="utf-8")
    if path.suffix == ".js":
        return _said(_script_texts(source))
    if path.suffix == ".j2":
        return _said(_page_texts(source))
    texts = [*_helps(tree(path), path), *_strings(tree(path), _documentation(path))]
    return _said(text for text in texts if not _QUERY.match(text))


def _page_texts(source: str) -> Iterator[str]:
    """What a template writes: one text a block, {} for each value put into it."""
    source = re.sub(r"(?s)<style>.*?</style>|{% block style %}.*?{% endblock %}", "\n", source)
    source = re.sub(r"{#.*?#}|{%.*?%}", "\n", re.sub(r"{{.*?}}", "{}", source), flags=re.DOTALL)
    yield from re.findall(r'(?:aria-label|title|placeholder)="([^"]*)"', source)
    yield from re.sub(r"<[^>]*>", "\n", re.sub(_INLINE, "", source)).split("\n")


def _script_texts(source: str) -> Iterator[str]:
    """Strings of a script, {} for each value put into them."""
    source = re.sub(r"(?s)/\*.*?\*/", "", source)
    for plain, template in re.findall(r'"([^"\n]*)"|`([^`]*)`', source):
        yield plain or re.sub(r"\${[^}]*}", "{}", template)


def _said(texts: Iterable[str]) -> list[str]:
    """The sentences of texts, each once."""
    said: list[str] = []
    for text in texts:
        for sentence in _END.split(text.strip()):
            words = _WORD.findall(sentence)
            if len(words) >= _LEAST_WORDS and " " in sentence and not _MARKUP.search(sentence):
                said.append(" ".join(sentence.split()))
    return list(dict.fromkeys(said))


def whole_sentences(line: str) -> list[str]:
    """What is said from full stop to full stop; the dots of ``T3.../T2...`` are none."""
    return [s.strip(" .?!") for s in re.split(r"(?<=[^.][.?!])\s+", line.strip())]


def word_count(sentence: str) -> int:
    """Words of a sentence; a value that is put in counts as one, a symbol of a formula as none."""
    return len(_SPOKEN.findall(sentence))


def listed() -> str:
    """Content of the list: a heading for each module, one sentence a line."""
    lines = []
    written = (p for p in ROOT.rglob("*") if p.name.endswith((".py", ".js", ".html.j2")))
    for path in sorted(p for p in written if not p.name.endswith(".min.js")):
        said = sentences(path)
        if said:
            lines += [f"# {path.relative_to(ROOT).as_posix()}", *said, ""]
    return "\n".join(lines)


if __name__ == "__main__":
    LISTED.write_text(listed(), encoding="utf-8")
