"""What the fitness check finds and what it wrongly says, on captures it has not seen.

``pytest -m benchmark -s tests/benchmarks/bench_fitness.py``; SIGKIT_SEED gives other captures.
"""

from __future__ import annotations

import os
import time

import numpy as np
import pytest
import soundfile as sf
from defects import CLEAN, hiss, make_clean
from defects_planted import PLANTED, make_planted

import sigkit

pytestmark = pytest.mark.benchmark

SEED = int(os.environ.get("SIGKIT_SEED", "880000"))
CASES = int(os.environ.get("SIGKIT_CASES", "20"))


def test_planted_defects(tmp_path):
    """Share of planted defects that are found under their name, and what else is said."""
    found = total = 0
    for name in PLANTED:
        hits, besides = 0, 0
        for seed in range(SEED, SEED + CASES):
            made = make_planted(name, seed)
            capture = sigkit.open_capture(made.write(tmp_path / "x.wav"))
            kinds = [problem.kind for problem in capture.fitness(made.test).problems]
            hits += any(kind in made.kinds for kind in kinds)
            besides += any(kind not in made.kinds for kind in kinds)
        found, total = found + hits, total + CASES
        print(f"{name:26} {hits:3d} of {CASES}   something else said too: {besides}", flush=True)
    print(f"all planted: {found} of {total}")
    assert found >= 0.95 * total


def test_clean_captures(tmp_path):
    """Clean captures that are rejected, or remarked on."""
    rejected = remarked = total = 0
    for name in CLEAN:
        words = []
        for seed in range(SEED, SEED + CASES):
            made = make_clean(name, seed)
            fitness = sigkit.open_capture(made.write(tmp_path / "x.wav")).fitness(made.test)
            total += 1
            rejected += fitness.verdict == "record again"
            remarked += fitness.verdict == "usable with remarks"
            words += [f"{problem.kind} ({seed})" for problem in fitness.problems]
        print(f"{name:20} {'; '.join(words) or 'nothing said'}", flush=True)
    print(f"clean: {total}, rejected {rejected}, with remarks {remarked}")
    assert rejected <= 0.01 * total


def test_seconds_for_five_minutes(tmp_path):
    """CPU for five minutes of stereo at 48 kHz, 24 bits: a tone that comes and goes, and hiss."""
    rng, count = np.random.default_rng(SEED), 300 * 48000
    t = np.arange(count) / 48000
    x = 0.2 * np.sign(np.sin(2 * np.pi * 110.3 * t)) * (np.sin(2 * np.pi * t / 7) > 0)
    sound = np.stack([x + hiss(count, -80, rng), hiss(count, -80, rng)], axis=1)
    sf.write(tmp_path / "x.wav", sound, 48000, subtype="PCM_24")
    capture = sigkit.open_capture(tmp_path / "x.wav")
    start = time.process_time()
    for _ in capture.frame_blocks(1.0):
        pass
    read = time.process_time() - start
    start = time.process_time()
    capture.fitness("envelope")
    spent = time.process_time() - start
    print(f"five minutes of stereo: {spent:.1f} s of CPU, {read:.1f} s of it to read the file")
    assert spent < 5
