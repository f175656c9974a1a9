"""Dependencies point downward only, and importing the package loads little."""

from __future__ import annotations

import ast
import functools
import subprocess
import sys
from pathlib import Path

import antecurve
from source_trees import nodes, tree

ROOT = Path(antecurve.__file__).parent
# Lowest first; a module may import from its own layer and those before it.
LAYERS = (
    "errors", "extras", "texts", "checked", "quantities", "arrays", "threads", "results",
    "signals", "sound", "algebra",
    "curves", "networks.tree", "networks.topology", "networks.conditions", "job", "networks",
    "synthesis", "parts", "pick", "analysis", "judge", "diagnose", "pipeline", "own_solution",
    "alternative", "switched", "files", "log", "report", "app", "cli", "__main__",
)  # fmt: skip
HEAVY = {
    "pandas", "typer", "matplotlib", "rich", "jinja2", "openpyxl", "soundfile", "sounddevice",
    "sqlite3", "starlette", "uvicorn", "tomlkit", "multipart", "python_multipart",
}  # fmt: skip
COMPUTING = {
    "algebra", "curves", "networks", "synthesis", "parts", "pick", "analysis", "judge", "diagnose",
    "job", "pipeline", "own_solution", "alternative", "switched", "signals",
}  # fmt: skip
MODULES = sorted(p for p in ROOT.rglob("*.py") if p != ROOT / "__init__.py")


def _name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(p for p in parts if p != "__init__")


def _layer(name: str) -> int:
    fitting = [i for i, layer in enumerate(LAYERS) if f"{name}.".startswith(f"{layer}.")]
    assert fitting, f"{name} belongs to no layer"
    return max(fitting, key=lambda i: len(LAYERS[i]))


@functools.cache
def _imports(path: Path) -> list[tuple[str, bool]]:
    """Imported modules, and whether the import stands at the top level and runs."""
    checking: set[ast.AST] = set()
    for node in nodes(path):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            checking.update(ast.walk(node))
    top = {n for n in tree(path).body if isinstance(n, ast.Import | ast.ImportFrom)}
    imported = []
    for node in nodes(path):
        if isinstance(node, ast.Import):
            imported += [(a.name, node in top) for a in node.names if node not in checking]
        elif isinstance(node, ast.ImportFrom) and node not in checking:
            assert node.level == 0, f"{path} has a relative import"
            assert node.module is not None
            imported.append((node.module, node in top))
    return imported


def test_imports_point_downward() -> None:
    upward = []
    for path in MODULES:
        own = _layer(_name(path))
        for module, _ in _imports(path):
            if module == "antecurve":
                whole_allowed = LAYERS[own] == "cli"
                upward += [] if whole_allowed else [f"{_name(path)} imports the whole package"]
            elif module.startswith("antecurve."):
                imported = module.removeprefix("antecurve.")
                if _layer(imported) > own:
                    upward.append(f"{_name(path)} imports {imported} from above")
    assert upward == []


def test_computing_packages_do_not_plot_or_print() -> None:
    heavy = []
    for path in MODULES:
        if LAYERS[_layer(_name(path))].split(".")[0] not in COMPUTING:
            continue
        for module, at_top in _imports(path):
            root = module.split(".")[0]
            # pandas may be loaded where a table is asked for as a data frame, never at import.
            if root in HEAVY - {"pandas"} or (root == "pandas" and at_top):
                heavy.append(f"{_name(path)} imports {module}")
    assert heavy == []


def test_no_import_cycles() -> None:
    names = {_name(p): p for p in MODULES}
    graph = {
        name: {
            m.removeprefix("antecurve.")
            for m, _ in _imports(path)
            if m.startswith("antecurve.") and m.removeprefix("antecurve.") in names
        }
        for name, path in names.items()
    }
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join((*trail, name))
        if name not in done:
            for other in graph[name]:
                visit(other, (*trail, name))
            done.add(name)

    for name in graph:
        visit(name, ())


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = "import antecurve, sys; print(' '.join(sys.modules))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {m.split(".")[0] for m in run.stdout.split()}
    assert not loaded & ({"scipy", "sympy"} | HEAVY), loaded & ({"scipy", "sympy"} | HEAVY)


def test_the_page_of_help_loads_no_command_and_no_numbers() -> None:
    code = (
        "import sys\n"
        "from antecurve.cli.main import run\n"
        "try: run(['--help'])\n"
        "except SystemExit: print(' '.join(sys.modules))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(run.stdout.splitlines()[-1].split())
    assert "antecurve.cli.main" in loaded
    assert not loaded & {"numpy", "pydantic", "antecurve.cli.options", "antecurve.cli.design"}


def test_modules_are_of_a_readable_size() -> None:
    long = {_name(p): n for p in MODULES if (n := len(p.read_text().splitlines())) > 500}
    assert not long
