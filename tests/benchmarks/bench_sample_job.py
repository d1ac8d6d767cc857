"""Where the processor time of the sample job goes: each bench test, the checks, the writing.

Run with ``pytest -m benchmark -s tests/benchmarks/bench_sample_job.py``. Everything in one process
and without what an earlier run kept, so that the figures do not depend on how many cores are free.
"""

import time
from pathlib import Path

import pytest

from sigkit.evidence.evidence import Evidence
from sigkit.evidence.job.folder import open_job
from sigkit.evidence.run.one_take import measure_take
from sigkit.measures import TESTS
from sigkit.tracks.second_opinion import prepare_second_opinion

SAMPLE = Path(__file__).resolve().parents[2] / "sample_audio"
MOST_S = 120.0
"""Processor time in all; on two cores, half of it is asked to stay below a minute."""


@pytest.mark.benchmark
def test_processor_time_of_the_sample_job(tmp_path):
    job = open_job(SAMPLE)
    prepare_second_opinion()
    outcomes, spent, slowest = [], {}, {}
    for take in job.takes:
        test = take.name.test
        begin = time.process_time()
        outcome = measure_take(take, TESTS[test].measure)
        own = time.process_time() - begin
        outcomes.append(outcome)
        sound, sum_s, count = spent.get(test, (0.0, 0.0, 0))
        spent[test] = sound + outcome.duration_s, sum_s + own, count + 1
        slowest[test] = max(slowest.get(test, 0.0), own / outcome.duration_s)
    print("\n| Test | captures | sound, s | processor time, s | a second of sound | at most |")
    print("|---|---|---|---|---|---|")
    for test, (sound, sum_s, count) in sorted(spent.items(), key=lambda item: -item[1][1]):
        own = f"{sum_s:.1f} | {sum_s / sound:.3f} | {slowest[test]:.3f}"
        print(f"| {test} | {count} | {sound:.0f} | {own} |")
    begin = time.process_time()
    Evidence.of(job, outcomes).write(tmp_path / "evidence")
    writing = time.process_time() - begin
    measuring = sum(sum_s for _, sum_s, _ in spent.values())
    print(f"measuring {measuring:.1f} s, drawing and writing {writing:.1f} s")
    assert measuring + writing < MOST_S
