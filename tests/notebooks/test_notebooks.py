"""Every notebook runs from top to bottom; each asserts its own numbers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


@pytest.fixture(scope="module")
def kernel() -> Iterator[Any]:
    """One kernel, so that the libraries are loaded once."""
    from jupyter_client.manager import start_new_kernel

    manager, client = start_new_kernel(kernel_name="python3", cwd=str(FOLDER))
    client.stop_channels()
    yield manager
    manager.shutdown_kernel(now=True)


def test_there_are_notebooks() -> None:
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_notebook_runs_and_asserts_numbers(path: Path, kernel: Any) -> None:
    import nbformat
    from nbclient import NotebookClient

    notebook = nbformat.read(path, as_version=4)
    source = "\n".join(c.source for c in notebook.cells if c.cell_type == "code")
    assert source.count("assert ") >= 3, "a notebook asserts numbers"
    assert all(not c.get("outputs") for c in notebook.cells if c.cell_type == "code"), (
        "commit notebooks without output"
    )
    # Nothing of another notebook is left.
    notebook.cells.insert(0, nbformat.v4.new_code_cell("%reset -f"))
    client = NotebookClient(
        notebook, km=kernel, timeout=300, resources={"metadata": {"path": path.parent}}
    )
    client.execute(cleanup_kc=False)
    assert all(c.execution_count for c in notebook.cells if c.cell_type == "code")
    client.kc.stop_channels()
