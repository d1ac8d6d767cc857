"""The generator of the noise tests against a general-purpose library (SciPy) and closed forms."""

import math

import numpy as np
import pytest
from noises import coloured, hum, mains_path, note, white
from scipy import signal


def test_white_noise_has_its_density():
    rng = np.random.default_rng(1)
    x = white(480_000, -130.0, 48_000, rng)
    f, p = signal.welch(x, 48_000, nperseg=4096)
    inside = (f > 100) & (f < 20_000)
    # 8.9 million degrees of freedom: 0.003 dB
    assert 10 * math.log10(2 * p[inside].mean()) == pytest.approx(-130, abs=0.02)


def test_coloured_noise_has_its_density():
    rng = np.random.default_rng(2)
    x = coloured(960_000, lambda f: 1e-9 / f * (f > 5), 48_000, rng)
    f, p = signal.welch(x, 48_000, nperseg=8192)
    for low, high in ((50, 500), (500, 5000), (5000, 20_000)):
        inside = (f >= low) & (f < high)
        power = 2 * p[inside].sum() * (f[1] - f[0])
        assert power == pytest.approx(1e-9 * math.log(high / low), rel=0.04)


def test_hum_has_its_levels_and_follows_its_mains():
    rng = np.random.default_rng(3)
    path = mains_path(480_000, 48_000, 50.1, rng)
    x = hum(path, 48_000, {1: -20.0, 3: -30.0}, rng)
    t = np.arange(x.size) / 48_000
    for order, level in ((1, -20.0), (3, -30.0)):
        found = 2 * abs(np.mean(x * np.hanning(x.size) * np.exp(-2j * np.pi * order * 50.1 * t)))
        assert 20 * math.log10(2 * found) == pytest.approx(level, abs=0.01)
    moved = mains_path(480_000, 48_000, 50.0, rng, wander_hz=0.02, slope_hz_s=0.001)
    assert 0.002 < moved.std() < 0.06
    assert np.abs(np.diff(moved)).max() < 1e-4


def test_a_note_has_its_level():
    x = note(220.0, 2.0, 48_000, -12.0)
    assert 10 * math.log10(2 * np.mean(x**2)) == pytest.approx(-12.0, abs=1e-6)
