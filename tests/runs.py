"""Captures, a measure that can be slow or kill its process, and a run that a test interrupts."""

import os
import signal
import sys
import time
from pathlib import Path

import numpy as np
import soundfile as sf

RATE = 24_000


def square(path, hz, *, seconds=1.5, seed=0):
    """Write a square wave with hiss: a waveform capture that is measured within a second."""
    path.parent.mkdir(parents=True, exist_ok=True)
    t = np.arange(round(seconds * RATE)) / RATE
    noise = np.random.default_rng(seed).normal(0, 1e-3, t.size)
    sf.write(path, 0.3 * np.sign(np.sin(2 * np.pi * hz * t + 0.1)) + noise, RATE, subtype="PCM_16")


def deadly(capture):
    """Measure a waveform, and die of one whose name says so, as of memory that ran out."""
    from sigkit.measures.waveform import measure_waveform

    if "deadly" in capture.path.name:
        os.kill(os.getpid(), signal.SIGKILL)
    return measure_waveform(capture)


def main(folder):
    """Measure a job one capture after the other, each taking half a second longer than it does."""
    import joblib

    import sigkit
    from sigkit.captures.wav import Capture

    real = Capture.fitness

    def slow(capture, test=None):
        time.sleep(0.5)
        return real(capture, test)

    Capture.fitness = slow
    with joblib.parallel_config(n_jobs=1):
        sigkit.open_job(folder).measure(progress=False)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
