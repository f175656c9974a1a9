"""Every notebook runs from top to bottom; each asserts its own numbers."""

from __future__ import annotations

from pathlib import Path

import pytest

NOTEBOOKS = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))


def test_there_are_notebooks() -> None:
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_notebook_runs_and_asserts_numbers(path: Path) -> None:
    import nbformat
    from nbclient import NotebookClient

    notebook = nbformat.read(path, as_version=4)
    source = "\n".join(c.source for c in notebook.cells if c.cell_type == "code")
    assert source.count("assert ") >= 3, "a notebook asserts numbers"
    assert all(not c.get("outputs") for c in notebook.cells if c.cell_type == "code"), (
        "commit notebooks without output"
    )
    client = NotebookClient(
        notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": path.parent}}
    )
    client.execute()
