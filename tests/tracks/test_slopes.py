"""Pitch in windows of a phase, on phases of known pitch and noise, without any sound."""

import math

import numpy as np
import pytest
from tones import window_mean_hz

from sigkit.tracks.harmonics import LAG_0, LAG_1
from sigkit.tracks.slopes import StretchPhase, Window, pitch_in_windows

RATE = 48_000


def phase_along(path_hz, *, noise=0.0, rng=None):
    """Phase once a period along a path, with the noise that the bands leave."""
    steps = (path_hz[1:] + path_hz[:-1]) / 2 / RATE
    true = np.concatenate([[0.0], np.cumsum(steps)])
    count = int(true[-1])
    time_s = np.interp(np.arange(count), true, np.arange(true.size) / RATE)
    cycles = np.arange(count, dtype=float)
    if noise:
        # A moving sum of white noise, a and b so that the lags are those of the bands.
        a = (math.sqrt(LAG_0 + 2 * LAG_1) + math.sqrt(LAG_0 - 2 * LAG_1)) / 2
        b = (math.sqrt(LAG_0 + 2 * LAG_1) - math.sqrt(LAG_0 - 2 * LAG_1)) / 2
        white = rng.standard_normal(count + 1)
        cycles += noise * (a * white[1:] + b * white[:-1])
        # The second difference that the tracker takes back makes it whiter.
        bend = np.diff(np.pad(cycles, 1, mode="reflect", reflect_type="odd"), 2)
        cycles -= bend / 16
    flags = np.ones(count, bool)
    return StretchPhase(time_s, cycles, np.full(count, noise), flags, True)


@pytest.mark.parametrize("hz", [55.0, 220.0, 1046.0])
def test_parabola_weighted_mean_over_exactly_the_window(hz):
    t = np.arange(4 * RATE) / RATE
    path_hz = hz * 2 ** (30 * np.sin(2 * np.pi * 6 * t) / 1200)
    window = Window(0.05, 6)
    at = np.arange(0.5, 3.5, 0.0101)
    found, _ = pitch_in_windows(phase_along(path_hz), at, window)
    length = np.maximum(0.05, 6 / np.interp(at, t, path_hz))
    error = 1200 * np.log2(found / window_mean_hz(path_hz, RATE, at, length))
    # A cubic spline between periods errs with the fourth power of the phase turned in each.
    assert np.abs(error).max() < 0.002 + 30 * 0.01 * (2 * np.pi * 6 / hz) ** 4


@pytest.mark.parametrize("periods", [6, 8.4, 20, 100])
def test_stated_uncertainty_is_that_of_the_noise(periods):
    hz, noise = 200.0, 1e-3
    path_hz = np.full(14 * RATE, hz)
    at = np.arange(0.7, 13.0, periods / hz)
    errors, stated = [], []
    for seed in range(math.ceil(4000 / at.size)):
        phase = phase_along(path_hz, noise=noise, rng=np.random.default_rng(seed))
        found, u_hz = pitch_in_windows(phase, at + 1e-4 * seed, Window(periods / hz, 6))
        errors.append(found - hz)
        stated.append(u_hz)
    ratio = np.std(np.concatenate(errors)) / np.mean(np.concatenate(stated))
    # 4000 windows side by side know their spread to 1.1 %; four standard deviations.
    assert ratio == pytest.approx(1.0, abs=0.05)


def test_no_pitch_across_a_slip_nor_beyond_the_ends():
    phase = phase_along(np.full(2 * RATE, 200.0))
    phase.held[200] = False
    at = np.arange(0.0, 2.0, 0.001)
    found, u_hz = pitch_in_windows(phase, at, Window(0.1, 6))
    known = np.isfinite(found)
    np.testing.assert_array_equal(known, np.isfinite(u_hz))
    inside = (np.abs(at - 1.0) > 0.0561) & (at > 0.0501) & (at < 1.94)
    outside = (np.abs(at - 1.0) < 0.05) | (at < 0.0499) | (at > 1.9451)
    assert known[inside].all()
    assert not known[outside].any()
    np.testing.assert_allclose(found[known], 200.0, rtol=1e-9)
