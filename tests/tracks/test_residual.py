import numpy as np
import pytest
from sweeps import LEVEL, RATE, Sweep, tone

from sigkit.tracks.faults import box, ratio_over_floor, runs, set_test
from sigkit.tracks.residual import bands_hz, track_residual


def track_of(folder, sound):
    return track_residual(Sweep(sound, "").capture(folder))


@pytest.mark.parametrize("pitch_hz", [62.0, 99.5, 311.0, 1090.0])
@pytest.mark.parametrize("waveform", ["triangle", "saw, 24 dB filter"])
def test_only_the_hiss_is_left_of_a_tone_whose_level_moves(tmp_path, pitch_hz, waveform):
    """The high band of white noise of power p holds p (1 - 4000/24000).

    Reading between samples with a cubic spline dulls the top octave by up to 1 dB.
    """
    rng = np.random.default_rng(round(pitch_hz))
    count = 10 * RATE
    t = np.arange(count) / RATE
    gain = LEVEL * 10 ** (-np.abs((t / 4) % 2 - 1) * 20 / 20)
    hiss = LEVEL * 1e-3
    track = track_of(
        tmp_path, gain * tone(rng, count, pitch_hz, waveform) + hiss * rng.standard_normal(count)
    )
    inside = slice(500, 9500)
    assert track.tone[inside].all()
    expected = gain[:: RATE // 1000][inside]
    assert np.median(track.tone_rms[inside] / expected) == pytest.approx(1, abs=0.01)
    high = np.median(track.high[inside]) / (hiss**2 * 20 / 24)
    assert 10 * np.log10(high) == pytest.approx(-0.5, abs=1.0)
    assert np.median(track.mid[inside]) < 3 * hiss**2 * 3.6 / 24
    assert track.frequency_hz == pytest.approx(pitch_hz, rel=0.01)  # rough: it only sets the grid
    assert (track.clarity > 0.9).all()
    assert (track.brightness < 0.01).all()
    assert track.power.size == track.time_s.size == 10_000
    assert track.shape.mean() == pytest.approx(1, abs=0.02)
    assert track.rate == RATE
    assert set(track.bands_hz) == {"mid", "high"}


def test_a_chop_is_left_over_whole(tmp_path):
    """The difference signal of a known chop, in the high band, comes back as its power."""
    rng = np.random.default_rng(1)
    clean = LEVEL * tone(rng, 6 * RATE, 80.0, "saw, 24 dB filter")
    change = np.zeros(clean.size)
    at = slice(3 * RATE, 3 * RATE + 480)
    change[at] = 0.003 * rng.standard_normal(480)
    track = track_of(tmp_path, clean + change + 1e-6 * rng.standard_normal(clean.size))
    got = track.high[2995:3015].sum() * 1e-3 * RATE
    assert got == pytest.approx((change**2).sum() * 20 / 24, rel=0.2)
    assert track.high[3000:3010].min() > 100 * track.high_floor[3000:3010].max()


def test_silence_and_noise_hold_no_tone(tmp_path):
    for sound in (np.zeros(3 * RATE), 0.1 * np.random.default_rng(1).standard_normal(3 * RATE)):
        track = track_of(tmp_path, sound)
        assert not track.tone.any()
        assert np.isnan(track.frequency_hz).all()
        assert np.isnan(track.brightness).all()


def test_low_rates_have_no_high_band():
    assert set(bands_hz(8000)) == {"mid"}
    assert bands_hz(48_000)["high"] == (4000, 24_000)


def test_thresholds_hold_the_stated_alarm_rate():
    """Chi-square noise of 20 degrees of freedom: the share above the threshold is as asked."""
    rng = np.random.default_rng(6)
    ratio = rng.chisquare(20, 400_000) / 20
    test = set_test(ratio, "high", 1, alarms_per_s=1e-2)
    assert test.dof == pytest.approx(20, rel=0.05)
    assert test.usual == pytest.approx(0.967, abs=0.01)  # median of chi-square(20) / 20, tables
    assert (ratio > test.ratio).mean() <= 1e-5
    dirty = np.where(rng.random(ratio.size) < 0.05, 100 * ratio, ratio)
    assert set_test(dirty, "high", 1, 1e-2).ratio < 1.5 * test.ratio


def test_running_sums_and_runs():
    assert box(np.array([1.0, 2, 3, 4]), 3).tolist() == [3, 6, 9, 7]
    mask = np.array([0, 1, 1, 0, 1, 0, 0, 0, 1], bool)
    assert runs(mask) == [(1, 3), (4, 5), (8, 9)]
    assert runs(mask, gap=2) == [(1, 5), (8, 9)]


def test_ratio_is_one_where_nothing_is_known(tmp_path):
    track = track_of(tmp_path, np.zeros(2 * RATE))
    assert (ratio_over_floor(track, "high", 3) == 1).all()
