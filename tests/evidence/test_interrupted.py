"""A run that is killed goes on where it was; a capture that kills its process stops no other."""

import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import joblib
import pytest
from runs import deadly, square
from sample import SAMPLE

from sigkit.evidence.job.folder import open_job
from sigkit.evidence.run import takes, workers
from sigkit.evidence.run.one_take import one_thread
from sigkit.evidence.run.outcome import MeasuringError
from sigkit.evidence.run.progress import Progress
from sigkit.evidence.run.workers import measure_tasks
from sigkit.measures.waveform import measure_waveform

CHILD = Path(__file__).parents[1] / "runs.py"


@pytest.fixture(scope="module")
def waveforms(tmp_path_factory):
    folder = tmp_path_factory.mktemp("waveforms") / "job"
    for number in range(6):
        stage = ("before", "after")[number % 2]
        square(folder / f"{stage}/waveform-osc_{number // 2}.wav", 110 + 7 * number, seed=number)
    return folder


@pytest.fixture(scope="module")
def serial(waveforms):
    """Return the evidence of all captures, measured one after the other."""
    with joblib.parallel_config(n_jobs=1):
        return open_job(waveforms).measure(progress=False)


def test_a_killed_run_goes_on_where_it_was(waveforms, serial, tmp_path, monkeypatch):
    """Killed half-way with what a process cannot catch; the second run measures only the rest."""
    store = tmp_path / "kept"
    environment = {**os.environ, "SIGKIT_CACHE": str(store)}
    child = subprocess.Popen([sys.executable, str(CHILD), str(waveforms)], env=environment)
    began = time.monotonic()
    while len(list(store.glob("*.outcome"))) < 3:
        assert child.poll() is None, "it ended before it could be killed"
        assert time.monotonic() - began < 300
        time.sleep(0.05)
    child.kill()
    child.wait()
    monkeypatch.setenv("SIGKIT_CACHE", str(store))
    with joblib.parallel_config(n_jobs=1):
        evidence = open_job(waveforms).measure(progress=False)
    kept = sum(outcome.kept for outcome in evidence.outcomes)
    assert 3 <= kept < 6
    assert evidence.results() == serial.results()
    assert evidence.to_dict() == serial.to_dict()


def test_a_capture_that_kills_its_process_stops_no_other(waveforms, serial):
    """As the system does where the memory runs out; what is left is measured in other processes."""
    takes = open_job(waveforms).takes
    bad = waveforms.parent / "deadly/before/waveform-deadly.wav"
    square(bad, 200)
    tasks = [(replace(takes[0], path=bad), deadly), *((take, deadly) for take in takes[:2])]
    outcomes = dict(measure_tasks(tasks))
    assert isinstance(outcomes[0].error, MeasuringError)
    assert "stopped from outside" in outcomes[0].reason
    for number in (1, 2):
        known = serial.outcomes[number - 1]
        assert outcomes[number].result.to_dict() == known.result.to_dict()


def test_a_number_soon_is_measured_here_while_processes_start(waveforms, serial, monkeypatch):
    """Where all captures take longer, one is looked over meanwhile; the results are the same."""
    here, told = [], []
    real = workers.measure_take
    monkeypatch.setattr(workers, "measure_take", lambda *task: here.append(task[0]) or real(*task))
    monkeypatch.setattr(Progress, "tell", lambda _, last: told.append(last))
    monkeypatch.setattr(takes, "LITTLE", 0)
    known = [outcome.result.to_dict() for outcome in serial.outcomes[:3]]
    chosen = open_job(waveforms).takes[:3]
    for quick, count in ((1e9, 1), (0.0, 0)):
        monkeypatch.setattr(takes, "QUICK", quick)
        here.clear()
        found = takes.measure_takes(chosen, progress=False, soon=True)
        assert [outcome.result.to_dict() for outcome in found] == known
        assert len(here) == count
    assert told == [f"{take.key}: usable" for take in chosen[:2]]
    assert takes.measure_takes([], progress=False, soon=True) == ()


def test_what_needs_no_second_opinion_is_measured_first(monkeypatch):
    """The library that gives it takes a second to load, and many to compile."""
    asked = []
    monkeypatch.setattr(takes, "measure_tasks", lambda tasks, **_: asked.extend(tasks) or iter(()))
    job = open_job(SAMPLE)
    every = range(len(job.takes))
    list(takes._measured([(t, None) for t in job.takes], every, progress=False, soon=False))
    efforts = [takes.effort_of(take) for take, _ in asked]
    assert not workers.asks_librosa(asked[0][0])
    assert efforts[1:] == sorted(efforts[1:], reverse=True)
    plain = [e for e, (t, _) in zip(efforts, asked, strict=True) if not workers.asks_librosa(t)]
    assert efforts[0] == min(plain)


def test_linear_algebra_keeps_to_one_thread_until_the_last_has_left():
    """Threads of one process share the limit: the first that ends must not lift it for others."""
    from threadpoolctl import threadpool_info, threadpool_limits

    def threads():
        return {pool["num_threads"] for pool in threadpool_info()}

    with threadpool_limits(2):
        first, second = one_thread(), one_thread()
        first.__enter__()
        second.__enter__()
        first.__exit__(None, None, None)
        assert threads() == {1}
        second.__exit__(None, None, None)
        assert threads() == {2}


def test_a_worker_with_other_versions_is_refused(waveforms, monkeypatch):
    from sigkit.errors import InputError
    from sigkit.evidence.run import workers

    tasks = [(take, measure_waveform) for take in open_job(waveforms).takes[:2]]
    told = iter(["here", "there", "there"])
    monkeypatch.setattr(workers, "edition", lambda: next(told))
    with (
        joblib.parallel_config(backend="threading", n_jobs=1),
        pytest.raises(InputError, match="other versions"),
    ):
        list(measure_tasks(tasks))


def test_a_dask_cluster_that_loses_a_worker_gives_the_same(waveforms, serial):
    """Over joblib's own backend: two workers, of which one is killed on the way."""
    distributed = pytest.importorskip("distributed", reason="needs Dask: pip install distributed")
    import threading

    cluster = distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    )
    with cluster, distributed.Client(cluster) as client:
        first, _ = client.run(os.getpid).values()
        killer = threading.Timer(1.0, os.kill, (first, 9))
        killer.start()
        with joblib.parallel_config("dask"):
            evidence = open_job(waveforms).measure(progress=False)
        killer.join()
        assert first not in client.run(os.getpid).values()
    assert all(outcome.used for outcome in evidence.outcomes)
    assert evidence.results() == serial.results()
    assert evidence.to_dict() == serial.to_dict()
