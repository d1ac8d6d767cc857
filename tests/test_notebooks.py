"""Notebooks are stored without outputs and run from top to bottom in a fresh kernel."""

import shutil
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).parent.parent
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def code_cells(path):
    return [c for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code"]


def test_there_are_notebooks():
    assert len(NOTEBOOKS) >= 2


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_stored_without_outputs(path):
    for cell in code_cells(path):
        assert cell.execution_count is None
        assert cell.outputs == []


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_cells_are_short_and_plain(path):
    """No functions, no magics, no path tricks: logic belongs in the package, with a test."""
    for cell in code_cells(path):
        assert len(cell.source.splitlines()) <= 10
        for trick in ("def ", "%", "!", "sys.path", "lambda"):
            assert not any(line.startswith(trick) for line in cell.source.splitlines())


@pytest.mark.filterwarnings("ignore::DeprecationWarning:zmq", "ignore:Proactor")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_runs_green_on_the_sample_job(path, tmp_path, monkeypatch):
    """In a copy beside a copy of the sample, so that nothing in the checkout is touched."""
    monkeypatch.delenv("MPLBACKEND", raising=False)  # the kernel would take it for its own
    (tmp_path / "notebooks").mkdir()
    shutil.copytree(ROOT / "sample_audio", tmp_path / "sample_audio")
    book = nbformat.read(path, as_version=4)
    NotebookClient(
        book, timeout=300, resources={"metadata": {"path": str(tmp_path / "notebooks")}}
    ).execute()
    for cell in book.cells:
        if cell.source.startswith(
            ("result_before.plot", "result_after.plot", "from sigkit.charts")
        ):
            assert any("image/png" in output.get("data", {}) for output in cell.outputs), (
                cell.source
            )
