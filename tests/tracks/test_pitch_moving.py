"""Moving pitch against the truth that a window can show: its mean weighted by a parabola."""

import math

import numpy as np
import pytest
from tones import bound_cents, moving_tone, periods_behind, window_mean_hz, write_sound

import sigkit
from sigkit.synth import wander_cents

RATE = 48_000
TIME_S = np.arange(5 * RATE) / RATE
TONES = [("saw", 55.3), ("pulse", 110.4), ("triangle", 220.7), ("saw", 440.1), ("sine", 1046.5)]


def track_of(folder, wave, path_hz, *, sd=0.0002, seed=1):
    x = moving_tone(wave, path_hz, RATE, duty=0.3)
    x += sd * np.random.default_rng(seed).standard_normal(x.size)
    return sigkit.track_pitch(sigkit.open_capture(write_sound(folder, x)))


def compare(track, path_hz, hz):
    """Error of every voiced frame, and how much the truth changes if the window is a period longer.

    The window holds whole periods, so its length is known to a period.
    """
    at = track.time_s[track.voiced]
    window_s = periods_behind(hz) / hz
    truth = window_mean_hz(path_hz, RATE, at, window_s)
    longer = window_mean_hz(path_hz, RATE, at, window_s + 1 / hz)
    error = 1200 * np.log2(track.frequency_hz[track.voiced] / truth)
    return error, float(np.abs(1200 * np.log2(longer / truth)).max())


@pytest.mark.parametrize(("wave", "hz"), TONES)
@pytest.mark.parametrize("cents_per_s", [0.3, -8.0])
def test_drift(tmp_path, wave, hz, cents_per_s):
    """Steady drift: at the bound, and beyond it no more than 1 ppm (0.0017 cents) of error."""
    path = hz * 2 ** (cents_per_s * TIME_S / 1200)
    track = track_of(tmp_path, wave, path)
    error, _ = compare(track, path, hz)
    bound = bound_cents(wave, hz, 60, periods_behind(hz) / hz, duty=0.3)
    assert error.size > 450
    assert math.sqrt(np.mean(error**2)) < 2 * bound + 0.0017


@pytest.mark.parametrize(("wave", "hz"), TONES)
@pytest.mark.parametrize(("rate_hz", "peak_cents"), [(5.0, 5.0), (6.0, 30.0), (1.0, 100.0)])
def test_vibrato(tmp_path, wave, hz, rate_hz, peak_cents):
    path = hz * 2 ** (peak_cents * np.sin(2 * np.pi * rate_hz * TIME_S + 0.4) / 1200)
    track = track_of(tmp_path, wave, path)
    error, by_window = compare(track, path, hz)
    assert error.size > 450
    assert np.abs(error).max() < by_window + 0.02
    assert math.sqrt(np.mean(error**2)) < 0.05 * peak_cents


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("wave", "hz"), TONES)
def test_wander(tmp_path, wave, hz, seed):
    """Bounded random wander of 2 cents, as of an oscillator without temperature compensation."""
    path = hz * 2 ** (wander_cents(TIME_S, spread_cents=2.0, time_constant_s=0.5, seed=seed) / 1200)
    track = track_of(tmp_path, wave, path, seed=seed)
    error, by_window = compare(track, path, hz)
    assert error.size > 450
    assert np.abs(error).max() < by_window + 0.02


@pytest.mark.parametrize("size_cents", [-3.0, 7.0, 40.0])
@pytest.mark.parametrize(("wave", "hz"), [("saw", 110.4), ("triangle", 440.1)])
def test_small_step_is_smeared_over_one_window_only(tmp_path, wave, hz, size_cents):
    """Before and after, further than half a window and two periods away, the pitch is untouched."""
    at_s = 2.5037
    path = np.where(at_s > TIME_S, hz, hz * 2 ** (size_cents / 1200))
    track = track_of(tmp_path, wave, path)
    cents, voiced = track.cents(hz), track.voiced
    reach = periods_behind(hz) / hz / 2 + 4 / hz
    bound = bound_cents(wave, hz, 60, periods_behind(hz) / hz)
    for side, truth in (
        (track.time_s < at_s - reach, 0),
        (track.time_s > at_s + reach, size_cents),
    ):
        error = cents[side & voiced] - truth
        assert error.size > 220
        assert np.abs(error).max() < 6 * bound + 0.002 * abs(size_cents)
    across = voiced & (np.abs(track.time_s - at_s) <= reach)
    low, high = sorted((0, size_cents))
    assert (cents[across] > low - 0.02 * abs(size_cents)).all()
    assert (cents[across] < high + 0.02 * abs(size_cents)).all()


def test_slow_glide_over_an_octave_is_followed(tmp_path):
    hz = 110.0
    path = hz * 2 ** np.clip((TIME_S - 1) / 3, 0, 1)
    track = track_of(tmp_path, "saw", path)
    at = track.time_s[track.voiced]
    truth = window_mean_hz(path, RATE, at, 0.1)
    error = 1200 * np.log2(track.frequency_hz[track.voiced] / truth)
    assert np.count_nonzero((at > 1) & (at < 4)) > 250
    # 400 cents/s: half a period of the window's centre is 400 / 110 / 2 = 1.8 cents.
    assert np.abs(error).max() < 1.8
