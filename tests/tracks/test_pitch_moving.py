"""Moving pitch against the truth that a window can show: its mean weighted by a parabola."""

import math

import numpy as np
import pytest
from tones import bound_cents, moving_tone, window_behind_s, window_mean_hz, write_sound

import sigkit
from sigkit.synth import wander_cents

RATE = 48_000
TIME_S = np.arange(5 * RATE) / RATE
TONES = [("saw", 55.3), ("pulse", 110.4), ("triangle", 220.7), ("saw", 440.1), ("sine", 1046.5)]


def track_of(folder, wave, path_hz, *, sd=0.0002, seed=1):
    x = moving_tone(wave, path_hz, RATE, duty=0.3)
    x += sd * np.random.default_rng(seed).standard_normal(x.size)
    return sigkit.track_pitch(sigkit.open_capture(write_sound(folder, x)))


def errors(track, path_hz):
    """Error of every voiced frame against the parabola-weighted mean over exactly its window."""
    at = track.time_s[track.voiced]
    window_s = window_behind_s(np.interp(at, TIME_S, path_hz))
    truth = window_mean_hz(path_hz, RATE, at, window_s)
    return 1200 * np.log2(track.frequency_hz[track.voiced] / truth)


@pytest.mark.parametrize(("wave", "hz"), TONES)
@pytest.mark.parametrize("cents_per_s", [0.3, -8.0])
def test_drift(tmp_path, wave, hz, cents_per_s):
    """Steady drift: at the bound, as a standing tone."""
    path = hz * 2 ** (cents_per_s * TIME_S / 1200)
    error = errors(track_of(tmp_path, wave, path), path)
    bound = bound_cents(wave, hz, 60, window_behind_s(hz), duty=0.3)
    assert error.size > 450
    assert math.sqrt(np.mean(error**2)) < 1.2 * bound


@pytest.mark.parametrize(("wave", "hz"), TONES)
@pytest.mark.parametrize(("rate_hz", "peak_cents"), [(5.0, 5.0), (6.0, 30.0), (1.0, 100.0)])
def test_vibrato(tmp_path, wave, hz, rate_hz, peak_cents):
    """The phase is known once a period, and right to second order in its bend.

    So what is left is of fourth order in the phase by which the vibrato turns within a period;
    besides that a ten-thousandth of the vibrato, by harmonics far from the middle of their bands.
    """
    path = hz * 2 ** (peak_cents * np.sin(2 * np.pi * rate_hz * TIME_S + 0.4) / 1200)
    error = errors(track_of(tmp_path, wave, path), path)
    bound = bound_cents(wave, hz, 60, window_behind_s(hz), duty=0.3)
    assert error.size > 450
    left = peak_cents * (2 * np.pi * rate_hz / hz) ** 4
    assert math.sqrt(np.mean(error**2)) < 2 * bound + 0.05 * left + 1e-4 * peak_cents


@pytest.mark.parametrize("hz", [110.4, 220.7])
def test_what_the_bands_smooth_of_a_vibrato_is_given_back(tmp_path, hz):
    """Half a cent at 8 Hz stays within the bands, whose response lasts a period.

    Its second moment of 1/8 of a period squared would take (2 pi 8 / hz)^2 / 16 of the vibrato,
    1.3 % at 110 Hz; what is left is of fourth order.
    """
    path = hz * 2 ** (0.5 * np.sin(2 * np.pi * 8 * TIME_S) / 1200)
    error = errors(track_of(tmp_path, "sine", path, sd=2e-5), path)
    bound = bound_cents("sine", hz, 80, window_behind_s(hz))
    left = 0.5 * (2 * np.pi * 8 / hz) ** 4
    assert math.sqrt(np.mean(error**2)) < 2 * bound + 0.05 * left


@pytest.mark.parametrize("hz", [110.4, 220.7, 440.1])
def test_wide_vibrato_is_no_slip(tmp_path, hz):
    """Plus and minus a semitone at 5.3 Hz: 3 % of change in two periods at 110 Hz."""
    path = hz * 2 ** (100 * np.sin(2 * np.pi * 5.3 * TIME_S) / 1200)
    error = errors(track_of(tmp_path, "saw", path), path)
    assert error.size > 450
    assert math.sqrt(np.mean(error**2)) < 0.01


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("wave", "hz"), TONES)
def test_wander(tmp_path, wave, hz, seed):
    """Bounded random wander of 2 cents, as of an oscillator without temperature compensation."""
    path = hz * 2 ** (wander_cents(TIME_S, spread_cents=2.0, time_constant_s=0.5, seed=seed) / 1200)
    error = errors(track_of(tmp_path, wave, path, seed=seed), path)
    assert error.size > 450
    assert np.abs(error).max() < 0.02
    assert math.sqrt(np.mean(error**2)) < 0.005


@pytest.mark.parametrize("size_cents", [-3.0, 7.0, 40.0])
@pytest.mark.parametrize(("wave", "hz"), [("saw", 110.4), ("triangle", 440.1)])
def test_small_step_is_smeared_over_one_window_only(tmp_path, wave, hz, size_cents):
    """Before and after, further than half a window and two periods away, the pitch is untouched."""
    at_s = 2.5037
    path = np.where(at_s > TIME_S, hz, hz * 2 ** (size_cents / 1200))
    track = track_of(tmp_path, wave, path)
    cents, voiced = track.cents(hz), track.voiced
    reach = window_behind_s(hz) / 2 + 4 / hz
    bound = bound_cents(wave, hz, 60, window_behind_s(hz))
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
    # At the two corners the phase bends within a period: 400 cents/s times 1/110 s is 3.6 cents.
    assert np.abs(error).max() < 0.1 * 400 / hz
    assert np.median(np.abs(error)) < 0.001
