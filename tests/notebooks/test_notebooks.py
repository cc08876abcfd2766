"""Every notebook runs from top to bottom with the public interface only, and is kept without outputs."""

from __future__ import annotations

import os
import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

import roomsim

FOLDER = Path(__file__).resolve().parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


def test_the_five_are_there():
    assert [path.stem[0] for path in NOTEBOOKS] == list("12345")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path, tmp_path, monkeypatch):
    here = str(Path(roomsim.__file__).parents[1])             # the kernel takes the package that is under test
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([here, os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep))
    notebook = nbformat.read(path, 4)
    nbformat.validate(notebook)
    NotebookClient(
        notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(tmp_path)}}
    ).execute()
    shown = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    figures = [output for output in shown if "image/png" in output.get("data", {})]
    assert len(figures) >= 2                                  # a notebook of this kind is there to be looked at
    assert not [output for output in shown if output.get("name") == "stderr"], "a notebook warns of nothing"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_kept_without_outputs_and_uses_what_is_public(path):
    notebook = nbformat.read(path, 4)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            assert cell.outputs == [] and cell.execution_count is None
            assert not re.search(r"roomsim[\w.]*\._|from roomsim[\w.]* import .*\b_\w", cell.source)
            assert not re.search(r"\b\w+\._[a-z]", cell.source), "a private name"
    assert notebook.metadata.get("kernelspec", {}).get("name") == "python3"
