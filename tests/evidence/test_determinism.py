"""The same captures give the same results in two processes, whatever else differs."""

import os
import shutil
import subprocess
import sys

import pytest
from sample import SAMPLE

PARTS = ("stability-oscillator_2.wav", "waveform-oscillator_2-square.wav")
STAGES = ("1_before", "3_after")
JOB = """unit = "K14"
mains_hz = 50
[stages.1_before]
room_c = 20.5
gain_db = 24
[stages.3_after]
room_c = 20.0
gain_db = 24
[limits.stability]
spread = { limit = 0.4, source = "service document, page 12" }
"""
CODE = """
import contextlib, locale, sys
from pathlib import Path
import joblib
import sigkit
with contextlib.suppress(locale.Error):
    locale.setlocale(locale.LC_ALL, "")
folder, out, threads = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
with joblib.parallel_config(backend="threading", n_jobs=threads):
    evidence = sigkit.open_job(folder).measure(progress=False)
for name, data in evidence.results().items():
    (out / name).write_bytes(data)
"""


def results(folder, out, order, threads, **surroundings):
    for name in order:
        for stage in STAGES:
            (folder / stage).mkdir(parents=True, exist_ok=True)
            shutil.copyfile(SAMPLE / stage / name, folder / stage / name)
    (folder / "job.toml").write_text(JOB)
    out.mkdir()
    call = [sys.executable, "-c", CODE, str(folder), str(out), str(threads)]
    subprocess.run(call, check=True, env={**os.environ, **surroundings}, cwd=folder)
    return {path.name: path.read_bytes() for path in out.iterdir()}


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """Seed of hashes, threads, locale, time zone, place and order of the files: all others."""
    folder = tmp_path_factory.mktemp("same")
    one = {"PYTHONHASHSEED": "1", "OMP_NUM_THREADS": "1", "LC_ALL": "C", "TZ": "UTC"}
    other = {"PYTHONHASHSEED": "424242", "OMP_NUM_THREADS": "2", "OPENBLAS_NUM_THREADS": "2"}
    other |= {"LC_ALL": "de_DE.UTF-8", "TZ": "Pacific/Auckland"}
    first = results(folder / "one", folder / "out_1", PARTS, 1, **one)
    return first, results(folder / "Öther job", folder / "out_2", PARTS[::-1], 2, **other)


@pytest.mark.parametrize("name", ["results.csv", "results.json"])
def test_results_do_not_depend_on_the_process(both, name):
    first, other = both
    assert first[name] == other[name]
    assert len(first[name]) > 2000
