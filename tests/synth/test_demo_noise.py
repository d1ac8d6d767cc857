"""What the README of the sample says of the idle noise is what was put in."""

import math

import numpy as np
import pytest
from sample import SAMPLE, demo_sound, numbers, row
from scipy import signal
from scipy.io import wavfile

NAMES = ("1_before/noise-output.wav", "3_after/noise-output.wav")


@pytest.mark.parametrize(("name", "column"), [(NAMES[0], 0), (NAMES[1], 1)])
def test_readme_on_idle_noise(name, column):
    truth = demo_sound(name).truth
    for label, value in (
        ("odd family, dBFS", truth["odd_dbfs"]),
        ("even family (ripple), dBFS", truth["even_dbfs"]),
        ("noise from 20 Hz to 20 kHz, dBFS", truth["floor_dbfs"]),
        ("full tone, dBFS", truth["tone_dbfs"]),
    ):
        assert float(row(label)[column]) == pytest.approx(value, abs=0.0051), label
    hz = float(row("mean mains frequency without the key, Hz")[column])
    assert hz == pytest.approx(truth["mains_hz"], abs=5.1e-5)
    lines = truth["lines_dbfs"]
    odd = numbers(row("lines at 1, 3 and 5 times mains, dBFS")[column])
    assert odd == [lines[k] for k in (1, 3, 5)]
    even = numbers(row("lines at 2, 4, 6 and so on, dBFS")[column])
    assert even == [lines[k] for k in sorted(lines) if k % 2 == 0]


@pytest.mark.parametrize("name", NAMES)
def test_the_files_hold_what_is_said(name):
    """Hum by projection on its own frequency, hiss by SciPy's Welch between the lines."""
    rate, samples = wavfile.read(SAMPLE / name)
    assert (rate, samples.size) == (44_100, 441_000)
    x = samples / 2**15
    truth = demo_sound(name).truth
    quiet = x[: round(7.5 * rate)]
    f, density = signal.welch(quiet, rate, nperseg=8192)
    floor = 2 * np.mean(density[(f > 1200) & (f < 20_000)]) * 19_980
    assert 10 * math.log10(floor) == pytest.approx(truth["floor_dbfs"], abs=0.05)
    t = np.arange(quiet.size) / rate
    turn = np.exp(-2j * np.pi * truth["mains_hz"] * t)
    for order in (1, 2):
        line = 2 * abs(np.mean(quiet * turn**order))
        assert 20 * math.log10(line) == pytest.approx(truth["lines_dbfs"][order], abs=0.15)
    assert 10 * math.log10(2 * np.mean(x[8 * rate :] ** 2)) == pytest.approx(-12, abs=0.02)


def test_the_mains_swings_about_its_mean():
    """The phase of the mains line goes through its mean frequency times the length."""
    sound = demo_sound(NAMES[0])
    n, rate = round(7.5 * sound.rate), sound.rate
    t = np.arange(n) / rate
    low = signal.butter(3, 8, fs=rate, output="sos")
    z = signal.sosfiltfilt(low, sound.samples[:n] * np.exp(-2j * np.pi * 50 * t))
    phase = np.unwrap(np.angle(z))[rate : n - rate]
    length = (phase.size - 1) / rate
    hz = 50 + (phase[-1] - phase[0]) / (2 * np.pi) / length
    truth = sound.truth["mains_hz"]
    assert hz == pytest.approx(truth, abs=0.006)  # of the middle, within the swing of 8 mHz
    assert np.ptp(np.diff(phase[:: rate // 2])) * 2 / (2 * np.pi) > 0.005
