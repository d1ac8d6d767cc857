"""The memory that every measure takes on a long capture: 96 kHz, 24 bits, two channels.

Run with ``pytest -m benchmark -s tests/benchmarks/bench_memory.py``; ``SIGKIT_MINUTES`` sets the
length (30; 120 makes a file of 4 GB, RF64). Each measure runs in a process of its own, whose
largest resident set the system tells (``getrusage``), libraries and second opinion included. All
have to stay below 500 MB.
"""

import os
import subprocess
import sys

import numpy as np
import pytest
import soundfile as sf
from tones import tone

pytestmark = pytest.mark.benchmark

MINUTES = float(os.environ.get("SIGKIT_MINUTES", "30"))
RATE, PART_S, MOST_MB = 96_000, 10, 500
T = np.arange(PART_S * RATE) / RATE

CODE = """
import resource, sys, time, sigkit
capture = sigkit.open_capture(sys.argv[1])
start = time.process_time()
getattr(sigkit, "measure_" + sys.argv[2])(capture, **eval(sys.argv[3]))
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(peak, capture.duration_s / (time.process_time() - start))
"""


def held(hz):
    return 0.2 * tone("saw", hz * T, int(23_000 / hz))


def idle():
    hiss = 1e-4 * np.random.default_rng(1).standard_normal(T.size)
    return hiss + 1e-3 * np.sin(2 * np.pi * 50 * T) + 3e-4 * np.sin(2 * np.pi * 300 * T)


def detached():
    """Ten notes of a fifth of a second to the next, up and down."""
    out = np.zeros(T.size)
    for i in range(10):
        part = slice(i * RATE, i * RATE + 7 * RATE // 10)
        hz = 220 * 2 ** ((i if i < 5 else 9 - i) / 12)
        out[part] = 0.2 * tone("saw", hz * T[part], 40)
    return out + 1e-5 * np.random.default_rng(1).standard_normal(T.size)


SOUNDS = {
    "stability": ("{}", lambda: held(440)),
    "warmup": ("{}", lambda: held(440)),
    "waveform": ("{}", lambda: held(1310)),
    "waveform, low": ("{}", lambda: held(32.7)),
    "noise": ("{}", idle),
    "keyboard": ("{'lowest_key': 'A3', 'keys': 5}", detached),
}


@pytest.mark.parametrize("name", SOUNDS)
def test_print_memory(name, tmp_path):
    options, make = SOUNDS[name]
    minutes = min(MINUTES, 29.9) if name == "keyboard" else MINUTES
    path, part = tmp_path / "long.wav", make()
    both = np.stack([part, 0.1 * part], axis=1)
    with sf.SoundFile(path, "w", RATE, 2, "PCM_24", format="RF64") as file:
        for _ in range(round(minutes * 60 / PART_S)):
            file.write(both)
    measure = name.partition(",")[0]
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", CODE, str(path), measure, options],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    path.unlink()
    peak, speed = map(float, done.stdout.split())
    print(f"\n{name}, {minutes:g} min: {peak:.0f} MB at most, {speed:.0f} times real time")
    assert peak < MOST_MB
