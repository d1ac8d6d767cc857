"""Levels and spectra of hiss, hum and thump."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import signal, stats

from sigkit.synth import dbfs, hum, pink, thump, white

RATE = 48000


def test_white_noise_is_normal_flat_and_at_its_level():
    """Level within four standard errors; normal by Kolmogorov-Smirnov; flat by halves of the band.

    Standard error of an RMS level of n values: 20 log10(1 + 1/sqrt(2 n)) dB.
    """
    n = 400_000
    x = white(n, level_dbfs=-50.0, rng=np.random.default_rng(1))
    assert dbfs(x) == pytest.approx(-50.0, abs=4 * 20 * math.log10(1 + 1 / math.sqrt(2 * n)))
    sigma = 10 ** (-50 / 20) / math.sqrt(2)
    assert stats.kstest(x[:20000] / sigma, "norm").pvalue > 0.001
    power = np.abs(np.fft.rfft(x)) ** 2
    assert power[1 : n // 4].mean() == pytest.approx(power[n // 4 : -1].mean(), rel=0.02)


def test_pink_noise_has_equal_power_in_each_octave():
    """1/f power density: every octave holds the same power (definition)."""
    x = pink(2**19, level_dbfs=-30.0, rate=RATE, rng=np.random.default_rng(2))
    assert dbfs(x) == pytest.approx(-30.0, abs=1e-9)
    f = np.fft.rfftfreq(len(x), 1 / RATE)
    power = np.abs(np.fft.rfft(x)) ** 2
    octaves = [power[(f >= a) & (f < 2 * a)].sum() for a in 100 * 2.0 ** np.arange(7)]
    assert_allclose(octaves, np.mean(octaves), rtol=0.1)
    assert power[f < 9.9].sum() < 1e-12 * power.sum()


def test_hum_lines_have_their_levels_and_phases():
    t = np.arange(RATE) / RATE
    levels = {1: -60.0, 2: -48.0, 3: -66.0, 6: -70.0}
    x = hum(t, mains_hz=50.0, levels_dbfs=levels, phases_rad={2: 1.0})
    spectrum = 2 * np.fft.rfft(x) / RATE
    for order, level in levels.items():
        line = spectrum[50 * order]
        assert 20 * math.log10(abs(line)) == pytest.approx(level, abs=1e-6)
        assert np.angle(1j * line) == pytest.approx(1.0 if order == 2 else 0.0, abs=1e-6)
    assert dbfs(x) == pytest.approx(10 * math.log10(sum(10 ** (v / 10) for v in levels.values())))


def test_thump_begins_at_its_instant_and_has_its_peak():
    t = np.arange(2 * RATE) / RATE
    x = thump(t, at_s=0.5, peak=-0.3)
    assert np.all(x[t <= 0.5] == 0)
    assert np.abs(x).max() == pytest.approx(0.3, rel=1e-4)
    assert x[np.argmax(np.abs(x))] < 0
    f, p = signal.periodogram(x, RATE)
    assert p[f < 200].sum() > 0.99 * p.sum()
