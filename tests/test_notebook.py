"""The example notebook runs as it stands, and shows pictures."""

from __future__ import annotations

import base64
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOK = Path(__file__).parents[1] / "docs" / "notebooks" / "one_frame.ipynb"


@pytest.mark.skipif(not NOTEBOOK.exists(), reason="the documentation is not in this copy")
# The kernel's own packages warn of one another's age.
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::UserWarning")
def test_example_notebook_runs_and_shows_pictures(tmp_path: Path) -> None:
    notebook = nbformat.read(NOTEBOOK, as_version=4)  # type: ignore[no-untyped-call]
    # An error in any cell is raised.
    NotebookClient(notebook, timeout=240, resources={"metadata": {"path": str(tmp_path)}}).execute()
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    pictures = [output["data"]["image/png"] for output in outputs if "image/png" in output.get("data", {})]
    assert len(pictures) == 2
    assert pictures[0] != pictures[1]
    assert base64.b64decode(pictures[0])[:4] == b"\x89PNG"
    assert "<Preset 'jerlov-1c'" in outputs[0]["data"]["text/plain"]
