import numpy as np
import pytest
from sweeps import LEVEL, RATE, Sweep, tone

from sigkit.arrays import runs
from sigkit.tracks.faults import HEAVY_TAIL, box, ratio_over_floor, set_test
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
    high = np.median(track.high[inside]) / (hiss**2 * 16 / 24)
    assert -0.3 < 10 * np.log10(high) < 1.2
    assert np.median(track.mid[inside]) < 2 * hiss**2 * 3.5 / 24
    for band in ("mid", "high"):
        power, floor = getattr(track, band)[inside], getattr(track, f"{band}_floor")[inside]
        assert np.median(power / floor) == pytest.approx(1, abs=0.35)
    assert np.median(track.hz[inside]) == pytest.approx(pitch_hz, rel=0.003)  # it drifts 3 cents
    assert (track.clarity > 0.9).all()
    assert track.power.size == track.time_s.size == 10_000
    assert np.median(track.told[inside] / expected**2) == pytest.approx(1, abs=0.3)
    assert np.abs(np.median(track.cross[inside] / expected**2)) < 0.01
    assert np.median(track.rest[inside]) == pytest.approx(hiss**2, rel=0.35)
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
    assert got == pytest.approx((change**2).sum() * 16 / 24, rel=0.2)
    assert track.high[3000:3010].min() > 100 * track.high_floor[3000:3010].max()


def test_silence_and_noise_hold_no_tone(tmp_path):
    for sound in (np.zeros(3 * RATE), 0.1 * np.random.default_rng(1).standard_normal(3 * RATE)):
        track = track_of(tmp_path, sound)
        assert track.tone.mean() < 0.05
        assert not (track.clarity > 0.9).any()


def test_low_rates_have_no_high_band():
    assert set(bands_hz(8000)) == {"mid"}
    assert bands_hz(48_000)["high"] == (4000, 20_000)


def test_thresholds_hold_the_stated_alarm_rate():
    """Chi-square noise of 20 degrees of freedom: the share above the threshold is as asked."""
    rng = np.random.default_rng(6)
    ratio = rng.chisquare(20, 400_000) / 20
    test = set_test(ratio, "high", 1, alarms_per_s=1e-2)
    assert test.dof == pytest.approx(20, rel=0.05)
    assert test.usual == pytest.approx(0.967, abs=0.01)  # median of chi-square(20) / 20, tables
    assert (ratio > test.ratio).mean() <= 1e-5
    dirty = np.where(rng.random(ratio.size) < 0.05, 100 * ratio, ratio)
    assert set_test(dirty, "high", 1, 1e-2).ratio < 1.1 * HEAVY_TAIL * test.ratio


def test_running_sums_and_runs():
    assert box(np.array([1.0, 2, 3, 4]), 3).tolist() == [3, 6, 9, 7]
    mask = np.array([0, 1, 1, 0, 1, 0, 0, 0, 1], bool)
    assert runs(mask) == [(1, 3), (4, 5), (8, 9)]
    assert runs(mask, gap=2) == [(1, 5), (8, 9)]


def test_pitch_brightness_and_harmonics_of_a_pulse_whose_width_moves(tmp_path):
    """A pulse of width w holds harmonics sin(k pi w)/k (Fourier series).

    Harmonic k, cos(k x) times that about the middle of the pulse: the second re the first is
    cos(pi w), the third (4 cos(pi w)^2 - 1)/3, both at the phase of the first.
    """
    count = 6 * RATE
    t = np.arange(count) / RATE
    width = 0.5 - 0.3 * np.clip((t - 1) / 4, 0, 1)
    phase = 2 * np.pi * 200.0 * t
    k = np.arange(1, 100)[:, None]
    sound = sum(
        np.sin(np.pi * n * width) / n * np.cos(n * phase) for n in k[:, 0]
    ) * LEVEL + 1e-6 * np.random.default_rng(2).standard_normal(count)
    track = track_of(tmp_path, sound)
    at = np.array([800, 2000, 3000, 4000, 5500])
    cosine = np.cos(np.pi * width[at * RATE // 1000])
    assert track.hz[at] == pytest.approx(200, rel=1e-3)
    assert track.even[at].real == pytest.approx(cosine, abs=0.01)
    assert track.third[at].real == pytest.approx((4 * cosine**2 - 1) / 3, abs=0.01)
    assert np.abs(track.even[at].imag).max() < 0.01
    power = np.array([[np.sin(np.pi * n * w) ** 2 for n in k[:, 0]] for w in width[at * 48]])
    # the slope between a sample's neighbours weighs harmonic k by sin(k x) / x
    x = 2 * np.pi * 200 / RATE
    power *= (np.sin(k[:, 0] * x) / (k[:, 0] * x)) ** 2
    total = np.array([[(np.sin(np.pi * n * w) / n) ** 2 for n in k[:, 0]] for w in width[at * 48]])
    steep = (power.sum(axis=1) / total.sum(axis=1)) ** 0.5
    assert track.brightness[at] == pytest.approx(np.log2(steep), abs=0.15)


def test_ratio_is_one_where_nothing_is_known(tmp_path):
    track = track_of(tmp_path, np.zeros(2 * RATE))
    assert (ratio_over_floor(track, "high", 3) == 1).all()
