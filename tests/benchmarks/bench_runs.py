"""A job of 200 captures: seconds, memory, and whether every way of running it gives the same.

Where others use the machine, seconds on the clock say little: processor time of this process and of
its workers, and the load, stand beside them. ``SIGKIT_BENCH_CAPTURES`` gives another number.
"""

import os
import resource
import time
from pathlib import Path

import joblib
import pytest
from runs import square

from sigkit.evidence.job.folder import open_job

CAPTURES = int(os.environ.get("SIGKIT_BENCH_CAPTURES", "200"))
TICKS = os.sysconf("SC_CLK_TCK") if hasattr(os, "sysconf") else 100

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
    began, own, others = time.perf_counter(), time.process_time(), workers_s()
    result = call()
    seconds, own_s = time.perf_counter() - began, time.process_time() - own
    each = [max(0.0, now - others.get(pid, 0.0)) for pid, now in workers_s().items()]
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{what:30} {seconds:6.1f} s on the clock; processor time {own_s:.1f} s here and "
        f"{' + '.join(f'{s:.1f}' for s in each if s > 0.05) or 'none'} in workers; load "
        f"{os.getloadavg()[0]:.1f}; this process at most {peak_mb:.0f} MB"
    )
    return result


def workers_s():
    """Processor time of every process below this one that still runs, by its number; Linux."""
    stats = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            words = path.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        stats[int(path.parent.name)] = int(words[1]), (int(words[11]) + int(words[12])) / TICKS
    below = {os.getpid()}
    for _ in range(4):
        below |= {pid for pid, (parent, _) in stats.items() if parent in below}
    return {pid: stats[pid][1] for pid in below - {os.getpid()} if pid in stats}
