"""A job of 200 captures: seconds, memory, and whether every way of running it gives the same."""

import resource
import time

import joblib
import pytest
from runs import square

from sigkit.evidence.job.folder import open_job

CAPTURES = 200

pytestmark = pytest.mark.benchmark


def test_two_hundred_captures_in_one_go(tmp_path, monkeypatch):
    """Squares of 1 s at 24 kHz in two stages, of which every tenth cannot be read."""
    folder = tmp_path / "job"
    for number in range(CAPTURES):
        stage = ("before", "after")[number % 2]
        path = folder / f"{stage}/waveform-osc_{number // 2}.wav"
        square(path, 80 + number, seconds=1.0, seed=number)
        if number % 10 == 9:
            path.write_bytes(f"no sound at all: {number}".encode())
    job = open_job(folder)
    print(f"\n{CAPTURES} captures")
    monkeypatch.setenv("SIGKIT_CACHE", "")
    with joblib.parallel_config(n_jobs=1):
        serial = _timed("serial", lambda: job.measure(progress=False))
    monkeypatch.setenv("SIGKIT_CACHE", str(tmp_path / "kept"))
    fresh = _timed("parallel, and kept", lambda: job.measure(progress=False))
    again = _timed("all taken from what was kept", lambda: job.measure(progress=False))
    size = sum(path.stat().st_size for path in (tmp_path / "kept").iterdir())
    print(f"kept: {size / 1e6:.1f} MB, {again.origin}")
    for other in (fresh, again):
        assert other.results() == serial.results()
        assert other.to_dict() == serial.to_dict()
    assert len(serial.problems) == CAPTURES // 10
    assert sum(outcome.used for outcome in serial.outcomes) == CAPTURES - CAPTURES // 10


def _timed(what, call):
    began = time.perf_counter()
    result = call()
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    seconds = time.perf_counter() - began
    print(f"{what:30} {seconds:6.1f} s, this process at most {peak_mb:.0f} MB")
    return result
