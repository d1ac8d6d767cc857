"""Lets every test import the helpers that lie beside this file, and shares the tests out."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

WORKERS = 4  # at most: each holds up to a gigabyte

os.environ["SIGKIT_CACHE"] = ""  # nothing an earlier run measured, here and in every child

if "PYTEST_XDIST_WORKER" in os.environ:  # one thread each, also in the processes that they start
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def pytest_xdist_auto_num_workers(config):
    """Share out the whole suite; benchmarks and single files run in one process, and print."""
    if config.option.markexpr == "benchmark" or config.args_source is config.ArgsSource.ARGS:
        return 0
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return min(cores or 1, WORKERS)


@pytest.hookimpl(tryfirst=True)
def pytest_sessionstart(session):
    """Compile once what librosa compiles: workers that do it at the same time spoil its cache."""
    if "PYTEST_XDIST_WORKER" not in os.environ and session.config.option.numprocesses:
        code = "from sigkit.tracks.second_opinion import prepare_second_opinion as p; p()"
        subprocess.run([sys.executable, "-c", code], check=False)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items):
    """Begin with the files that take longest, so that none is left for one worker at the end."""
    longest = ("test_notebooks.py", "test_slider.py", "test_crackle.py", "test_warmup.py")
    items.sort(key=lambda item: item.path.name not in longest)
