"""The phase of a tone against the phase that the sound was made with."""

import math

import numpy as np
import pytest
from tones import moving_tone, noisy_tone, tone, write_sound

import sigkit
from sigkit.tracks.pitch import track_tone

RATE = 48_000


def phase_of(folder, samples, rate=RATE):
    return track_tone(sigkit.open_capture(write_sound(folder, samples, rate)))


def off_by(phase, true_cycles, rate=RATE):
    """Cycles by which the phase departs from the true one; its start is not measured."""
    error = phase.cycles - np.interp(phase.time_s, np.arange(true_cycles.size) / rate, true_cycles)
    return error - error.mean()


@pytest.mark.parametrize(("wave", "hz"), [("saw", 31.0), ("sine", 219.7), ("pulse", 1703.0)])
def test_phase_of_a_steady_tone_within_its_noise(tmp_path, wave, hz):
    """Over 25 s, seven pieces of sound: nothing may add up where they are joined."""
    x, _ = noisy_tone(wave, hz, 40, 25.0, np.random.default_rng(3), duty=0.3)
    track, phase = phase_of(tmp_path, x)
    assert set(phase.tone) == {0}
    assert (np.diff(phase.time_s) > 0).all()
    pace = phase.time_s.size / 25.0
    assert pace <= 601
    assert pace > 0.95 * min(hz, 300)
    error = off_by(phase, hz * np.arange(x.size) / RATE)
    group = max(1, round(0.2 * pace))
    means = error[: error.size // group * group].reshape(-1, group).mean(axis=1)
    # Means over 0.2 s are worth u / sqrt(group); over a hundred of them known to 10 %.
    assert np.std(means) < 1.4 * np.median(phase.u_cycles) / math.sqrt(group)
    assert np.std(means) > 0.4 * np.median(phase.u_cycles) / math.sqrt(group)
    assert abs(error[-group:].mean() - error[:group].mean()) < 5 * np.median(phase.u_cycles)
    assert np.isfinite(track.frequency_hz).sum() == track.voiced.sum()


def test_phase_follows_a_slow_wobble(tmp_path):
    t = np.arange(12 * RATE) / RATE
    path_hz = 220 * 2 ** (3 * np.sin(2 * np.pi * 1.3 * t) / 1200)
    _, phase = phase_of(tmp_path, moving_tone("saw", path_hz, RATE))
    steps = (path_hz[1:] + path_hz[:-1]) / 2 / RATE
    error = off_by(phase, np.concatenate([[0.0], np.cumsum(steps)]))
    # 3 cents at 1.3 Hz turn the phase by 0.05 cycles.
    assert np.abs(error).max() < 1e-4


def test_lost_samples_end_the_count(tmp_path):
    t = np.arange(6 * RATE) / RATE
    x = np.delete(tone("saw", 220 * t, 80), slice(3 * RATE, 3 * RATE + 64)) * 0.2
    x += 1e-4 * np.random.default_rng(5).standard_normal(x.size)
    _, phase = phase_of(tmp_path, x)
    assert set(phase.tone) == {0, 1}
    last = phase.time_s[phase.tone == 0][-1]
    first = phase.time_s[phase.tone == 1][0]
    assert last < 3.0 < first
    assert first - last < 0.08


def test_separate_notes_are_separate_tones(tmp_path):
    t = np.arange(RATE) / RATE
    quiet = np.zeros(RATE // 2)
    x = np.concatenate([quiet, tone("saw", 220 * t, 50), quiet, tone("saw", 330 * t, 50), quiet])
    x = 0.2 * x + 1e-4 * np.random.default_rng(6).standard_normal(x.size)
    _, phase = phase_of(tmp_path, x)
    assert set(phase.tone) == {0, 1}
    assert phase.time_s[phase.tone == 0][-1] < 1.55
    assert phase.time_s[phase.tone == 1][0] > 1.95


def test_no_tone_no_phase(tmp_path):
    noise = 0.1 * np.random.default_rng(7).standard_normal(3 * RATE)
    track, phase = phase_of(tmp_path, noise)
    assert phase.time_s.size == phase.cycles.size == phase.u_cycles.size == phase.tone.size == 0
    assert not track.voiced.any()


def test_the_pitch_is_that_of_track_pitch(tmp_path):
    x, _ = noisy_tone("saw", 146.8, 50, 6.0, np.random.default_rng(8))
    capture = sigkit.open_capture(write_sound(tmp_path, x))
    track, _ = track_tone(capture)
    np.testing.assert_array_equal(track.frequency_hz, sigkit.track_pitch(capture).frequency_hz)
