"""What a long capture takes of memory: 96 kHz, 24 bits, two channels, in a process of its own."""

import subprocess
import sys

import numpy as np
import pytest
import soundfile as sf
from tones import tone

CODE = """
import resource, sys, sigkit
def peak():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
for path in sys.argv[2:]:
    getattr(sigkit, "measure_" + sys.argv[1])(sigkit.open_capture(path))
    print(peak())
"""


def note(t, number):  # noqa: ARG001
    return 0.2 * tone("saw", 1310 * t, 15)


def idle(t, number):  # noqa: ARG001
    hiss = 1e-4 * np.random.default_rng(1).standard_normal(t.size)
    return hiss + 1e-3 * np.sin(2 * np.pi * 50 * t)


def glide(t, number):
    """An octave down to 200 Hz within the first part, then that note."""
    left = np.exp(-np.maximum(t - 1, 0) / 0.05) if number == 0 else np.zeros(t.size)
    cycles = np.cumsum(200 * 2**left) / 96_000
    return 0.2 * tone("saw", cycles - cycles[-1], 15)


@pytest.mark.parametrize(
    ("measure", "sound", "most_mb"),
    [
        # Of a wave 30 s of sound are kept, 23 MB, twice while they are put together; then their
        # phases. Blocks of 10 s of both channels take 15 MB, some times over.
        ("waveform", note, 150),
        # Parts of 30 s: the sound, its cut in windows, its spectrum.
        ("noise", idle, 150),
        # The sound around one change of note; a minute of the other channel, which may hold a cue.
        ("glide", glide, 150),
    ],
)
def test_memory_beyond_that_of_three_seconds(measure, sound, most_mb, tmp_path):
    paths, rate = [], 96_000
    t = np.arange(3 * rate) / rate
    for times in (1, 30):
        paths.append(tmp_path / f"{times}.wav")
        with sf.SoundFile(paths[-1], "w", rate, 2, "PCM_24") as file:
            for number in range(times):
                part = sound(t, number)
                file.write(np.stack([part, 0.1 * part], axis=1))
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", CODE, measure, *map(str, paths)],
        check=True,
        capture_output=True,
        text=True,
    )
    short, long = map(float, done.stdout.split())
    assert long - short < most_mb
