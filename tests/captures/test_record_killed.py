"""A recorder that is killed at any moment loses at most two seconds."""

import hashlib
import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from made_sources import RATE, pattern

import sigkit
from sigkit.captures.wav import Capture

CHILD = Path(__file__).parents[1] / "record_child.py"
MOST_LOST_S = 2.0


def begin(path, how=""):
    return subprocess.Popen(
        [sys.executable, str(CHILD), str(path), how], stdout=subprocess.PIPE, text=True
    )


def samples(capture: Capture):
    return np.concatenate([np.round(b * 2**23) for _, b in capture.frame_blocks()]).astype(np.int32)


@pytest.mark.parametrize("how", ["", "slow", "stale", "long"])
def test_what_a_killed_recorder_leaves(how, tmp_path):
    """Killed at random moments; every frame that is left is the one that was played."""
    rng = np.random.default_rng(len(how))
    paths = [tmp_path / f"stability-osc_{i}.wav" for i in range(3)]
    children = [begin(path, how) for path in paths]
    lost = []
    for path, child in zip(paths, children, strict=True):
        begun = float(child.stdout.readline())
        time.sleep(max(0.0, begun + 1.2 - time.monotonic()) + rng.uniform(0, 0.8))
        killed = time.monotonic()
        child.kill()
        child.wait()
        child.stdout.close()
        before = hashlib.sha256(path.read_bytes()).hexdigest()
        capture = sigkit.open_capture(path)
        lost.append((killed - begun) - capture.duration_s)
        heard = samples(capture)
        assert np.array_equal(heard, pattern(0, len(heard), 2))
        assert len(heard) == capture.frames > RATE // 2
        if how == "stale":
            assert any("did not close this file" in note for note in capture.notes)
        assert json.loads(path.with_suffix(".recording.json").read_text())["ended"] == "recording"
        assert hashlib.sha256(path.read_bytes()).hexdigest() == before
        assert not any("bytes behind the sound" in note for note in capture.notes)
    print(f"\n{how or 'plain'}: lost {', '.join(f'{s:.2f}' for s in lost)} s")
    assert max(lost) < MOST_LOST_S


def test_ctrl_c_ends_it_properly(tmp_path):
    path = tmp_path / "stability-osc.wav"
    child = begin(path)
    begun = float(child.stdout.readline())
    time.sleep(max(0.0, begun + 0.5 - time.monotonic()))
    child.send_signal(signal.SIGINT)
    out, _ = child.communicate(timeout=20)
    assert child.returncode == 0
    ended, frames = out.split()
    capture = sigkit.open_capture(path)
    assert (ended, int(frames)) == ("stopped", capture.frames)
    assert not capture.salvaged
    heard = samples(capture)
    assert np.array_equal(heard, pattern(0, len(heard), 2))
