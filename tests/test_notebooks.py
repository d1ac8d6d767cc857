"""Notebooks have one shape, no outputs, and run from top to bottom in a fresh kernel."""

import ast
import os
import re
import shutil
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient
from test_jupyterlab import WITH_BROWSER

from sigkit.evidence.job.new_job import new_job

ROOT = Path(__file__).parent.parent
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
IN_BENCH_ORDER = [
    *("00_record", "01_check_captures", "02_warmup_drift", "03_sliders", "04_glide_curves"),
    *("05_envelopes", "06_keys_and_tuning", "07_noise_and_hum", "08_before_and_after"),
    *("09_report_and_listing", "10_pitch_stability", "11_two_oscillators", "12_waveforms"),
    "13_school_of_faults",
]
SHAPED = [path for path in NOTEBOOKS if path.stem[:2] not in ("00", "13")]
SECTIONS = ["Cautions", "What to record", "Settings", "Results", "Look", "Listen", "What it means"]
SETTING = 'JOB = "../sample_audio"'


def by_name(path):
    return path.stem


def code_cells(path):
    return [c for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code"]


def sections(path):
    """Code of each section by its heading."""
    found, title = {}, ""
    for cell in nbformat.read(path, as_version=4).cells:
        if cell.cell_type == "markdown" and (head := re.match(r"## (.*)", cell.source)):
            title = head[1]
            found[title] = []
        elif cell.cell_type == "code":
            found[title].append(cell.source)
    return found


def test_all_are_there_in_bench_order():
    assert [path.stem for path in NOTEBOOKS] == IN_BENCH_ORDER


@pytest.mark.parametrize("path", NOTEBOOKS, ids=by_name)
def test_stored_without_outputs(path):
    for cell in code_cells(path):
        assert cell.execution_count is None
        assert cell.outputs == []


@pytest.mark.parametrize("path", NOTEBOOKS, ids=by_name)
def test_cells_are_short_and_plain(path):
    """No functions, no magics, no path tricks: logic belongs in the package, with a test."""
    for cell in code_cells(path):
        assert len(cell.source.splitlines()) <= 10
        for trick in ("def ", "%", "!", "sys.path", "lambda"):
            assert not any(line.startswith(trick) for line in cell.source.splitlines())


@pytest.mark.parametrize("path", SHAPED, ids=by_name)
def test_one_shape_for_all(path):
    """Three lines first; sections in one order; results to meaning each end in an assert."""
    first = nbformat.read(path, as_version=4).cells[0].source
    assert len(first.split("\n\n")[1].splitlines()) == 3
    found = sections(path)
    assert [name for name in found if name in SECTIONS] == SECTIONS
    assert "What it doesn't show" in found
    assert SETTING in found["Settings"][0]
    for name in SECTIONS[3:]:
        assert "assert " in found[name][-1].splitlines()[-1], name


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Where what was measured is kept, so that each capture is measured for one notebook only."""
    return tmp_path_factory.mktemp("kept")


@pytest.mark.filterwarnings("ignore::DeprecationWarning:zmq", "ignore:Proactor")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=by_name)
def test_runs_green_on_the_sample_job(path, tmp_path, kept, monkeypatch):
    """In a copy beside a copy of the sample, so that nothing in the checkout is touched."""
    if path.stem in WITH_BROWSER and "SIGKIT_IN_BROWSER" in os.environ:
        pytest.skip("runs in a real JupyterLab, see test_jupyterlab.py")
    monkeypatch.delenv("MPLBACKEND", raising=False)  # the kernel would take it for its own
    monkeypatch.setenv("SIGKIT_CACHE", str(kept))
    (tmp_path / "notebooks").mkdir()
    own = shutil.ignore_patterns("evidence*")
    shutil.copytree(ROOT / "sample_audio", tmp_path / "sample_audio", ignore=own)
    book = nbformat.read(path, as_version=4)
    where = {"metadata": {"path": str(tmp_path / "notebooks")}}
    NotebookClient(book, timeout=300, resources=where).execute()
    shown = [o.get("data", {}) for c in book.cells if c.cell_type == "code" for o in c.outputs]
    html = " ".join(data.get("text/html", "") for data in shown)
    charts = html.count("data:image/png") + sum("image/png" in data for data in shown)
    assert charts >= 1
    assert path in (NOTEBOOKS[0],) or html.count("<audio") >= 1


@pytest.fixture(scope="module")
def own_job(tmp_path_factory):
    """The folder that ``sigkit new`` makes, with two captures in it."""
    folder = tmp_path_factory.mktemp("own") / "my_job"
    new_job(folder, mains_hz=60, sheets=False)
    for name in ("noise-output.wav", "waveform-oscillator_2-square.wav"):
        shutil.copy(ROOT / "sample_audio" / "1_before" / name, folder / "1_before" / name)
    return folder


@pytest.mark.parametrize("path", SHAPED, ids=by_name)
def test_one_line_changed_runs_on_a_new_job(path, own_job, tmp_path, monkeypatch):
    """What was not recorded is said; nothing fails, and no truth of the sample is asked for."""
    monkeypatch.chdir(tmp_path)
    space, shown = {}, []
    for cell in code_cells(path):
        source = cell.source.replace(SETTING, f"JOB = {str(own_job)!r}")
        tree = ast.parse(source)
        last = tree.body[-1]
        if isinstance(last, ast.Expr):
            tree.body.pop()
        exec(compile(tree, path.stem, "exec"), space)  # as a kernel does, but here
        if isinstance(last, ast.Expr):
            value = eval(compile(ast.Expression(last.value), path.stem, "eval"), space)
            shown.append(str(value))
    assert not space["bench"].is_sample
    missing = "there is no capture of" in " ".join(shown)
    assert missing == (path.stem[:2] not in ("01", "07", "08", "09", "12"))
