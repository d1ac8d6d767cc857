"""What notebooks cost: processor time of each by its cells, and time as felt in a JupyterLab.

First result as felt: from Run All Cells to the first number beside the bar, or the first table of
results; the kernel has started by then, the library has not been imported. Wanted: 5 s and 60 s, on
two cores with nothing else to do. Processor time does not depend on what else the machine does: it
is that of the kernel and of all processes that it starts, so that two cores need about half of what
the measuring cell takes.
"""

import os
import shutil
from pathlib import Path

import lab
import nbformat
import pytest
from nbclient import NotebookClient

pytestmark = [pytest.mark.benchmark, pytest.mark.browser]
NOTEBOOKS = sorted(path.stem for path in (Path(lab.ROOT) / "notebooks").glob("*.ipynb"))
STEPS = {"opening": "open_bench(", "measuring": ".measure()", "charts": ".look()"}
"""What a cell has in it by which its time is told apart; the rest is in the sum alone."""


def test_speed_as_felt(tmp_path):
    if lab.browser_path() is None:
        pytest.skip("needs a Chromium")
    print(f"\n{'notebook':24} first result, s    all, s")
    with lab.jupyterlab(tmp_path) as address, lab.browser() as chromium:
        for name in NOTEBOOKS:
            seen = lab.run_all(chromium, address, name)
            assert not seen.errors, name
            print(f"{name:24} {seen.first_result_s:15.1f} {seen.seconds:9.1f}")


def test_processor_time(tmp_path, monkeypatch):
    if not Path("/proc/self/stat").exists():
        pytest.skip("needs /proc")
    monkeypatch.delenv("MPLBACKEND", raising=False)
    own = shutil.ignore_patterns("evidence*")
    shutil.copytree(lab.ROOT / "sample_audio", tmp_path / "sample_audio", ignore=own)
    (tmp_path / "notebooks").mkdir()
    asked = os.environ.get("SIGKIT_NOTEBOOKS", "")  # such as 03,04; none: all
    print(f"\n{'notebook':24}", *(f"{step:>10}" for step in (*STEPS, "all")), "  s")
    for name in NOTEBOOKS:
        if asked and name[:2] not in asked.split(","):
            continue
        found = processor_time(name, tmp_path / "notebooks")
        print(
            f"{name:24}", *(f"{found.get(step, 0):10.1f}" for step in (*STEPS, "all")), flush=True
        )


def processor_time(name, folder):
    """Return seconds of processor time by step, and of the whole notebook as ``all``."""
    book = nbformat.read(lab.ROOT / "notebooks" / f"{name}.ipynb", as_version=4)
    client = NotebookClient(book, timeout=900, resources={"metadata": {"path": str(folder)}})
    found = {}
    with client.setup_kernel():
        kernel = client.km.provisioner.pid
        begun = used_s(kernel)
        for index, cell in enumerate(book.cells):
            before = used_s(kernel)
            client.execute_cell(cell, index)
            for step, text in STEPS.items():
                if cell.cell_type == "code" and text in cell.source:
                    found[step] = found.get(step, 0.0) + used_s(kernel) - before
        found["all"] = used_s(kernel) - begun
    return found


def used_s(pid):
    """Return the processor time of a process, of those it has started, and of those that ended."""
    parent, used = {}, {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
        except OSError:  # it has just ended
            continue
        parent[int(path.parent.name)] = int(fields[1])
        used[int(path.parent.name)] = sum(map(int, fields[11:15]))

    def below(process):
        while process not in (pid, 0, None):
            process = parent.get(process)
        return process == pid

    return sum(ticks for process, ticks in used.items() if below(process)) / os.sysconf(
        "SC_CLK_TCK"
    )
